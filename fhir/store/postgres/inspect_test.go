package postgres

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// TestInspect: what is there is told, and left as it is.
func TestInspect(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	cluster := running(t)
	address, err := cluster.Create(ctx)
	require.NoError(t, err)
	empty, err := Inspect(ctx, address)
	require.NoError(t, err)
	const durability = "fsync on, full_page_writes on, synchronous_commit on"
	require.Equal(t, store.Condition{Exists: true, Known: empty.Known, Durability: durability}, empty)
	files, err := migrations.ReadDir("migrations")
	require.NoError(t, err)
	require.EqualValues(t, len(files), empty.Known)

	s, err := Open(ctx, address, Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	c, err := Inspect(ctx, address)
	require.NoError(t, err)
	require.Equal(t, store.Condition{Exists: true, Schema: c.Known, Known: c.Known, Durability: durability}, c)

	_, err = Inspect(ctx, cluster.Address("none"))
	require.ErrorIs(t, err, errNoSchema)
	_, err = Inspect(ctx, strings.Replace(address, cluster.Password(), "hunter2", 1))
	require.ErrorContains(t, err, "28P01")
	require.NotContains(t, err.Error(), "hunter2")
	_, err = Inspect(ctx, "nowhere")
	require.ErrorIs(t, err, ErrAddress)
}

// TestInspectOfAServerThatForgets: what does not survive a power cut is told.
func TestInspectOfAServerThatForgets(t *testing.T) {
	t.Parallel()
	c, err := Inspect(context.Background(), running(t, "fsync=off").Address("public"))
	require.NoError(t, err)
	require.Contains(t, c.Durability, "fsync off")
	require.NotEmpty(t, c.Fault)
}
