package auth_test

import (
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth"
)

// numbered gives tokens that differ.
func numbered(d *dial, n int) string {
	return token(goodHeader(), d.good().with(members{"jti": strconv.Itoa(n)}))
}

// remembering is a verifier whose clock is turned by hand.
func remembering(t testing.TB, d *dial, size int) *auth.Verifier {
	t.Helper()
	o := options(t)
	o.Now, o.CacheSize = d.now, size
	return verifier(t, o)
}

func TestARepeatedTokenIsTheSameGrant(t *testing.T) {
	t.Parallel()
	d := newDial()
	v := remembering(t, d, 0)
	text := numbered(d, 1)
	first, err := v.Verify(t.Context(), text)
	require.NoError(t, err)
	second, err := v.Verify(t.Context(), text)
	require.NoError(t, err)
	require.Same(t, first, second)
	t.Run("a token that differs by a letter is not it", func(t *testing.T) {
		_, err := v.Verify(t.Context(), text[:len(text)-1])
		require.Error(t, err)
		_, err = v.Verify(t.Context(), text+"A")
		require.Error(t, err)
	})
}

// The leeway is for clocks of issuers, not for what we remember.
func TestNothingIsRememberedPastExp(t *testing.T) {
	t.Parallel()
	d := newDial()
	v := remembering(t, d, 0)
	text := numbered(d, 1)
	first, err := v.Verify(t.Context(), text)
	require.NoError(t, err)
	d.turn(289 * time.Second)
	same, err := v.Verify(t.Context(), text)
	require.NoError(t, err)
	require.Same(t, first, same)
	d.turn(time.Second)
	other, err := v.Verify(t.Context(), text)
	require.NoError(t, err, "within the leeway")
	require.NotSame(t, first, other, "verified again")
	d.turn(30 * time.Second)
	rejects(t, v, text, 401, auth.ReasonExpired)
}

func TestMemoryOfTokensIsBounded(t *testing.T) {
	t.Parallel()
	d := newDial()
	v := remembering(t, d, 8)
	first, err := v.Verify(t.Context(), numbered(d, 0))
	require.NoError(t, err)
	for n := range 9 {
		accepts(t, v, numbered(d, n+1))
	}
	again, err := v.Verify(t.Context(), numbered(d, 0))
	require.NoError(t, err)
	require.NotSame(t, first, again, "it was forgotten, and is verified again")
	t.Run("a token in use stays", func(t *testing.T) {
		for n := range 40 {
			accepts(t, v, numbered(d, 100+n))
			same, err := v.Verify(t.Context(), numbered(d, 0))
			require.NoError(t, err)
			require.Same(t, again, same)
		}
	})
	t.Run("and none is remembered where the size is less than 0", func(t *testing.T) {
		v := remembering(t, d, -1)
		one, err := v.Verify(t.Context(), numbered(d, 0))
		require.NoError(t, err)
		two, err := v.Verify(t.Context(), numbered(d, 0))
		require.NoError(t, err)
		require.NotSame(t, one, two)
	})
}

func TestManyVerifyAtOnce(t *testing.T) {
	t.Parallel()
	d := newDial()
	v := remembering(t, d, 4)
	texts := make([]string, 8)
	for n := range texts {
		texts[n] = numbered(d, n)
	}
	var wait sync.WaitGroup
	for n := range 8 {
		wait.Go(func() {
			for i := range 200 {
				grant, err := v.Verify(t.Context(), texts[(n+i)%8])
				if err != nil || grant.TokenID != strconv.Itoa((n+i)%8) {
					t.Errorf("another's grant, or none: %v", err)
					return
				}
			}
		})
	}
	wait.Wait()
}
