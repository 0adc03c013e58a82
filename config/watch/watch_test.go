package watch_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config/watch"
)

// watched is a file with a clock that stands still until it is moved.
type watched struct {
	t      *testing.T
	path   string
	at     time.Time
	loads  int
	broken bool
	value  *watch.Value[string]
}

func newWatched(t *testing.T) *watched {
	t.Helper()
	w := &watched{t: t, path: filepath.Join(t.TempDir(), "file"), at: time.Now()}
	w.put("first")
	var err error
	w.value, err = watch.New(func() (string, error) {
		w.loads++
		data, err := os.ReadFile(w.path)
		if w.broken || string(data) == "nonsense" {
			err = errors.New("it makes no sense")
		}
		return string(data), err
	}, func() time.Time { return w.at }, w.path, "")
	require.NoError(t, err)
	return w
}

// put replaces the file whole, as those who renew secrets do.
func (w *watched) put(text string) {
	w.t.Helper()
	require.NoError(w.t, os.WriteFile(w.path+".new", []byte(text), 0o600))
	require.NoError(w.t, os.Rename(w.path+".new", w.path))
}

func (w *watched) wants(value string, changed, fails bool) {
	w.t.Helper()
	got, isChanged, err := w.value.Latest()
	require.Equal(w.t, value, got)
	require.Equal(w.t, changed, isChanged)
	require.Equal(w.t, fails, err != nil, "%v", err)
}

func TestLatest(t *testing.T) {
	t.Parallel()
	t.Run("is loaded once while nothing changes", func(t *testing.T) {
		t.Parallel()
		w := newWatched(t)
		for range 5 {
			w.at = w.at.Add(time.Minute)
			w.wants("first", false, false)
		}
		require.Equal(t, 1, w.loads)
	})
	t.Run("follows the file, looked at once a second", func(t *testing.T) {
		t.Parallel()
		w := newWatched(t)
		w.put("second")
		w.wants("first", false, false)
		w.at = w.at.Add(watch.Every)
		w.wants("second", true, false)
		w.wants("second", false, false)
	})
	t.Run("sees a text of the same length written in place", func(t *testing.T) {
		t.Parallel()
		w := newWatched(t)
		require.NoError(t, os.WriteFile(w.path, []byte("worst"), 0o600))
		require.NoError(t, os.Chtimes(w.path, w.at, w.at.Add(time.Hour)))
		w.at = w.at.Add(watch.Every)
		w.wants("worst", true, false)
	})
	t.Run("keeps what there was and says so while the file cannot be used", func(t *testing.T) {
		t.Parallel()
		w := newWatched(t)
		w.put("nonsense")
		w.at = w.at.Add(watch.Every)
		w.wants("first", true, true)
		w.wants("first", false, true)
		require.NoError(t, os.Remove(w.path))
		w.at = w.at.Add(watch.Every)
		w.wants("first", true, true)
		w.at = w.at.Add(watch.Every)
		w.wants("first", false, true)
		w.put("third")
		w.at = w.at.Add(watch.Every)
		w.wants("third", true, false)
	})
	t.Run("tries again what failed though nothing has changed", func(t *testing.T) {
		t.Parallel()
		w := newWatched(t)
		w.put("second")
		w.broken = true
		w.at = w.at.Add(watch.Every)
		w.wants("first", true, true)
		w.broken = false
		w.at = w.at.Add(watch.Every)
		w.wants("second", true, false)
	})
	t.Run("looks again after a clock that went back", func(t *testing.T) {
		t.Parallel()
		w := newWatched(t)
		w.put("second")
		w.at = w.at.Add(-time.Hour)
		w.wants("second", true, false)
	})
}

func TestNewNeedsFilesThatAreRight(t *testing.T) {
	t.Parallel()
	_, err := watch.New(func() (string, error) { return "", os.ErrNotExist }, nil, "none")
	require.ErrorIs(t, err, os.ErrNotExist)
}
