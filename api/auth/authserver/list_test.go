package authserver_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api/auth/authserver"
)

func TestListTellsStatesAndFollowsRotation(t *testing.T) {
	t.Parallel()
	ring := mustRing("ES384")
	first := ring.List()
	require.Len(t, first, 2)
	require.Equal(t, []authserver.State{authserver.Current, authserver.Next}, []authserver.State{first[0].State, first[1].State})
	require.Equal(t, "ES384", first[0].Algorithm)
	require.True(t, first[0].Since.Equal(noon))
	later := noon.Add(time.Hour)
	rotated, err := ring.Rotate(later)
	require.NoError(t, err)
	second := rotated.List()
	require.Len(t, second, 3)
	require.Equal(t, first[0].ID, second[0].ID)
	require.Equal(t, authserver.Previous, second[0].State)
	require.Equal(t, first[1].ID, second[1].ID, "the next key signs now")
	require.Equal(t, authserver.Current, second[1].State)
	require.True(t, second[1].Since.Equal(later))
	require.Equal(t, authserver.Next, second[2].State)
}
