package config_test

import (
	"flag"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

var update = flag.Bool("update", false, "write the page on the settings")

// TestReference: the page that is published is the one that the settings make.
func TestReference(t *testing.T) {
	t.Parallel()
	const page = "../deploy/settings.md"
	made := config.Reference()
	if *update {
		require.NoError(t, os.WriteFile(page, []byte(made), 0o644)) //nolint:gosec // it is published
	}
	published, err := os.ReadFile(page)
	require.NoError(t, err)
	require.Equal(t, made, string(published), "run go test ./config -run Reference -update")
	for _, s := range append(config.All(), config.TargetSettings()...) {
		require.Contains(t, made, "| `"+s.Name+"` |")
		require.NotEmpty(t, s.Help, s.Name)
	}
}
