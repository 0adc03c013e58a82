package hapi_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/test/hapi"
)

// scripted runs the script with only the given tools, each a shell script.
func scripted(t *testing.T, tools map[string]string) (status int, said string) {
	t.Helper()
	bin := t.TempDir()
	for _, name := range []string{"sh", "dirname", "mktemp", "rm", "cat", "grep"} {
		path, err := exec.LookPath(name)
		require.NoError(t, err)
		require.NoError(t, os.Symlink(path, filepath.Join(bin, name)))
	}
	for name, body := range tools {
		require.NoError(t, os.WriteFile(filepath.Join(bin, name), []byte("#!/bin/sh\n"+body+"\n"), 0o700))
	}
	command := exec.Command("./run")
	command.Env = []string{"PATH=" + bin}
	var out bytes.Buffer
	command.Stdout, command.Stderr = &out, &out
	if err := command.Run(); err != nil {
		var exit *exec.ExitError
		require.ErrorAs(t, err, &exit, out.String())
	}
	return command.ProcessState.ExitCode(), out.String()
}

func TestSkipsLoudlyWithoutItsTools(t *testing.T) {
	t.Parallel()
	all := map[string]string{"java": "exit 9", "javac": "exit 9", "mvn": "exit 9"}
	for missing := range all {
		t.Run("no "+missing, func(t *testing.T) {
			t.Parallel()
			tools := map[string]string{}
			for name, body := range all {
				if name != missing {
					tools[name] = body
				}
			}
			status, said := scripted(t, tools)
			require.Zero(t, status, said)
			require.Contains(t, said, "SKIPPED: the program was NOT tried against HAPI FHIR: there is no "+missing+" here")
		})
	}
}

func TestSkipsLoudlyWithoutTheLibraries(t *testing.T) {
	t.Parallel()
	for _, cause := range []string{
		"Could not resolve dependencies for project", "Could not transfer artifact x", "Could not find artifact x",
		"Plugin x or one of its dependencies could not be resolved", "Unknown host somewhere",
	} {
		status, said := scripted(t, map[string]string{"java": "exit 9", "javac": "exit 9", "mvn": "echo '[ERROR] " + cause + "'; exit 1"})
		require.Zero(t, status, said)
		require.Contains(t, said, cause, "the cause is shown")
		require.Contains(t, said, "SKIPPED: the program was NOT tried against HAPI FHIR: its libraries cannot be fetched")
	}
}

func TestABuildThatFailsIsNoSkip(t *testing.T) {
	t.Parallel()
	status, said := scripted(t, map[string]string{"java": "exit 9", "javac": "exit 9", "mvn": "echo '[ERROR] COMPILATION ERROR'; exit 1"})
	require.Equal(t, 2, status, said)
	require.Contains(t, said, "COMPILATION ERROR")
	require.NotContains(t, said, "SKIPPED")
}

// TestItIsSaidWhyThereIsNone: without the class path, and without Java.
func TestItIsSaidWhyThereIsNone(t *testing.T) {
	t.Setenv(hapi.Classpath, "")
	require.Contains(t, hapi.Missing(), "test/hapi/run")
	t.Setenv(hapi.Classpath, "somewhere")
	t.Setenv("PATH", t.TempDir())
	require.Equal(t, "there is no java here", hapi.Missing())
}

// TestAServerThatDoesNotStart: what it complained of is told.
func TestAServerThatDoesNotStart(t *testing.T) {
	for name, script := range map[string]string{
		"it ended":                      "echo 'no such class' >&2; exit 1",
		"does not say where it answers": "echo hello; cat >/dev/null",
	} {
		t.Run(name, func(t *testing.T) {
			bin := t.TempDir()
			require.NoError(t, os.WriteFile(filepath.Join(bin, "java"), []byte("#!/bin/sh\n"+script+"\n"), 0o700))
			t.Setenv("PATH", bin+string(os.PathListSeparator)+os.Getenv("PATH"))
			t.Setenv(hapi.Classpath, "somewhere")
			_, err := hapi.Start(t.TempDir())
			require.ErrorContains(t, err, name)
		})
	}
}
