package writeback

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// hangUp breaks the connection without an answer.
func hangUp(w http.ResponseWriter) {
	conn, _, err := http.NewResponseController(w).Hijack()
	if err == nil {
		_ = conn.Close()
	}
}

func TestDeliver(t *testing.T) {
	t.Parallel()
	t.Run("FirstByIdentifierThenByIdWithIfMatch", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		want(t, r.store, 1, false)
		require.Equal(t, 1, r.pass())
		require.Equal(t, []string{"PUT Observation?"}, r.hospital.asked())
		d := state(t, r.store, 1)
		require.EqualValues(t, 1, d.Delivered)
		require.Equal(t, "h1", d.RemoteID)
		require.Equal(t, `W/"1"`, d.ETag)
		require.True(t, r.seen.last().ReadBack.Complete())

		want(t, r.store, 1, false)
		require.Equal(t, 1, r.pass())
		require.Equal(t, []string{"PUT Observation?", "PUT Observation/h1"}, r.hospital.asked())
		require.Equal(t, `W/"1"`, r.hospital.requests[1].Header.Get("If-Match"))
		require.Equal(t, `W/"2"`, state(t, r.store, 1).ETag)
		require.Len(t, r.hospital.only(t), 2)
	})
	t.Run("DoubtIsSettledByReading", func(t *testing.T) {
		t.Parallel()
		r := newRig(t)
		want(t, r.store, 1, false)
		r.hospital.script(func(w http.ResponseWriter, req *http.Request, n int) bool {
			if n == 1 {
				recorder := httpNowhere{}
				r.hospital.answer(recorder, req)
				hangUp(w)
				return true
			}
			return false
		})
		require.Equal(t, 1, r.pass())
		require.True(t, state(t, r.store, 1).InDoubt)
		require.Zero(t, r.pass(), "the doubt must settle first")
		r.clock.Add(r.worker.options.Settle)
		require.Equal(t, 1, r.pass())
		require.Equal(t, []string{"PUT Observation?", "GET Observation?"}, r.hospital.asked())
		d := state(t, r.store, 1)
		require.EqualValues(t, 1, d.Delivered)
		require.False(t, d.InDoubt)
		require.Equal(t, "h1", d.RemoteID)
	})
}

// httpNowhere is an answer that nobody gets.
type httpNowhere struct{}

func (httpNowhere) Header() http.Header         { return http.Header{} }
func (httpNowhere) Write(p []byte) (int, error) { return len(p), nil }
func (httpNowhere) WriteHeader(int)             {}
