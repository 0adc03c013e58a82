// Package validator_test holds the script run, which has HL7's validation
// engine judge resources, to its exit statuses.
package validator_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// scripted runs the script with only the given tools, each a shell script.
func scripted(t *testing.T, tools map[string]string, args ...string) (status int, stderr string) {
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
	return execute(t, []string{"PATH=" + bin}, args...)
}

func execute(t *testing.T, environment []string, args ...string) (status int, said string) {
	t.Helper()
	command := exec.Command("./run", args...)
	command.Env = environment
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
			status, said := scripted(t, tools, t.TempDir())
			require.Zero(t, status)
			require.Contains(t, said, "SKIPPED: the resources were NOT validated: there is no "+missing+" here")
		})
	}
}

func TestSkipsLoudlyWithoutTheLibraries(t *testing.T) {
	t.Parallel()
	for _, cause := range []string{
		"Could not resolve dependencies for project", "Could not transfer artifact x", "Could not find artifact x",
		"Plugin x or one of its dependencies could not be resolved", "Unknown host somewhere",
	} {
		status, said := scripted(t, map[string]string{"java": "exit 9", "javac": "exit 9", "mvn": "echo '[ERROR] " + cause + "'; exit 1"}, t.TempDir())
		require.Zero(t, status, said)
		require.Contains(t, said, cause, "the cause is shown")
		require.Contains(t, said, "SKIPPED: the resources were NOT validated: the validator's libraries cannot be fetched")
	}
}

func TestABuildThatFailsIsNoSkip(t *testing.T) {
	t.Parallel()
	status, said := scripted(t, map[string]string{"java": "exit 9", "javac": "exit 9", "mvn": "echo '[ERROR] COMPILATION ERROR'; exit 1"}, t.TempDir())
	require.Equal(t, 2, status)
	require.Contains(t, said, "COMPILATION ERROR")
	require.NotContains(t, said, "SKIPPED")
}

// switchedOn is the environment variable that lets the tests below run: each
// starts the engine anew, which takes about 20 s.
const switchedOn = "TIDEMARK_TEST_VALIDATOR"

// engine runs the real script over a directory with the given files.
func engine(t *testing.T, files map[string]string) (status int, said string) {
	t.Helper()
	if os.Getenv(switchedOn) == "" {
		t.Skipf("starting the engine takes long; set %s=1 to have it started", switchedOn)
	}
	dir := t.TempDir()
	for name, body := range files {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600))
	}
	status, said = execute(t, os.Environ(), dir)
	require.NotContains(t, said, "SKIPPED", "the engine was asked for and is not there")
	return status, said
}

// sound is a resource that nothing is to be said about.
const sound = `{"resourceType":"Binary","contentType":"text/plain","data":"eA=="}`

func TestNothingValidatedIsAFailure(t *testing.T) {
	status, said := engine(t, map[string]string{"notes.txt": "no resource"})
	require.Equal(t, 1, status, said)
	require.Contains(t, said, "ERROR nothing was validated")
}

func TestSoundResourcesPassAndPatternsUnusedAreTold(t *testing.T) {
	status, said := engine(t, map[string]string{"a.json": sound, "b.ndjson": sound + "\n\n" + sound + "\n"})
	require.Zero(t, status, said)
	require.Contains(t, said, "3 resources validated: 0 errors, 0 warnings")
	require.Contains(t, said, "UNUSED allowed pattern: UCUM Codes")
}

func TestAnErrorOnOneLineIsAFailure(t *testing.T) {
	status, said := engine(t, map[string]string{"b.ndjson": sound + "\n" + `{"resourceType":"Binary"}` + "\n" + sound})
	require.Equal(t, 1, status, said)
	require.Contains(t, said, "ERROR b.ndjson:2 Binary: Binary.contentType: minimum required = 1")
	require.Contains(t, said, "3 resources validated: 1 errors, 0 warnings")
}

func TestAWarningThatIsNotAllowedIsAFailure(t *testing.T) {
	status, said := engine(t, map[string]string{"a.json": `{"resourceType":"Basic","code":{"text":"x"}}`})
	require.Equal(t, 1, status, said)
	require.Contains(t, said, "WARNING a.json Basic: Constraint failed: dom-6")
	require.Contains(t, said, "1 resources validated: 0 errors, 1 warnings")
}
