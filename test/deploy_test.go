package test_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"tidemark.example/tidemark/config"
)

const deploy = "../deploy"

// TestEveryFileOfDeployIsParsed: none is shipped that its own syntax refuses, and none
// of a kind that nobody thought of.
func TestEveryFileOfDeployIsParsed(t *testing.T) {
	t.Parallel()
	files := 0
	require.NoError(t, filepath.WalkDir(deploy, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		files++
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		switch kind := filepath.Ext(path); {
		case bytes.HasPrefix(text, []byte("#!")):
			shell := strings.Fields(strings.TrimPrefix(string(text[:bytes.IndexByte(text, '\n')]), "#!"))
			out, err := exec.Command(shell[len(shell)-1], "-n", path).CombinedOutput()
			require.NoError(t, err, "%s: %s", path, out)
		case kind == ".md":
			linksLead(t, path, string(text))
		case kind == ".yaml" || kind == ".yml":
			require.NotEmpty(t, documents(t, path), path)
		case kind == ".json":
			require.True(t, json.Valid(text), path)
		case kind == ".service" || kind == ".timer":
			require.NotEmpty(t, unit(t, path), path)
		case filepath.Base(path) == "Containerfile":
			require.NotEmpty(t, instructions(t, path))
		case filepath.Base(path) == "control":
			require.Regexp(t, regexp.MustCompile(`^([A-Z][A-Za-z-]*: .+\n( .+\n)*)+$`), string(text))
		case kind == ".go" || kind == ".gitignore": // the compiler and git do it
		default:
			require.Fail(t, "nobody parses "+path, "teach this test its kind")
		}
		return nil
	}))
	require.Greater(t, files, 30)
}

// link is a relative one of a page.
var link = regexp.MustCompile(`\]\(([^):#]+)(#[^)]*)?\)`)

// linksLead requires each to lead to a file.
func linksLead(t *testing.T, path, text string) {
	t.Helper()
	for _, found := range link.FindAllStringSubmatch(text, -1) {
		_, err := os.Stat(filepath.Join(filepath.Dir(path), found[1]))
		require.NoError(t, err, "%s leads to %s", path, found[1])
	}
}

// object is a mapping of YAML.
type object map[string]any

// at follows names, and numbers of lists, to a value; nil if there is none.
func (o object) at(path ...any) any {
	var value any = map[string]any(o)
	for _, step := range path {
		switch step := step.(type) {
		case string:
			mapping, _ := value.(map[string]any)
			value = mapping[step]
		case int:
			list, _ := value.([]any)
			if step >= len(list) {
				return nil
			}
			value = list[step]
		}
	}
	return value
}

// documents reads a YAML file; a name that is there twice is an error.
func documents(t *testing.T, path string) (all []object) {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	for {
		var o map[string]any // a type of our own would be that of what is within, too
		err := decoder.Decode(&o)
		if errors.Is(err, io.EOF) {
			return all
		}
		require.NoError(t, err, path)
		all = append(all, o)
	}
}

// unit reads a unit of systemd: the values of each name, by section.
func unit(t *testing.T, path string) map[string][]string {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	values, section := map[string][]string{}, ""
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		name, value, set := strings.Cut(line, "=")
		switch {
		case line == "" || strings.HasPrefix(line, "#"):
		case strings.HasPrefix(line, "[") && strings.HasSuffix(line, "]"):
			section = strings.Trim(line, "[]")
		default:
			require.True(t, set && section != "", "%s: %s", path, line)
			values[section+"."+name] = append(values[section+"."+name], value)
		}
	}
	return values
}

// instructions reads a Containerfile: name and the rest of each, in order.
func instructions(t *testing.T, path string) (all [][2]string) {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	joined := strings.ReplaceAll(string(text), "\\\n", " ")
	for line := range strings.Lines(joined) {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		name, rest, _ := strings.Cut(line, " ")
		require.Contains(t, "FROM LABEL COPY USER ENV VOLUME EXPOSE STOPSIGNAL HEALTHCHECK ENTRYPOINT CMD", name)
		all = append(all, [2]string{name, strings.TrimSpace(rest)})
	}
	return all
}

// secretPlaces are where each package has its secrets; the settings name no other
// files.
var secretPlaces = map[string]string{
	"systemd": "/etc/tidemark/", "compose": "/run/secrets/", "kubernetes": "/run/secrets/",
}

// TestSettingsOfPackagesHold: what each package ships as settings can be served with, once
// the files are there that it names.
func TestSettingsOfPackagesHold(t *testing.T) {
	t.Parallel()
	for name, place := range secretPlaces {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			text := string(read(t, filepath.Join(deploy, name, "tidemark.yaml")))
			dir := t.TempDir()
			named := regexp.MustCompile(regexp.QuoteMeta(place)+`[a-z./-]+`).FindAllString(text, -1)
			require.NotEmpty(t, named)
			for _, file := range named {
				own := filepath.Join(dir, strings.ReplaceAll(file, "/", "_"))
				require.NoError(t, os.WriteFile(own, []byte("an-invented-admin-token"), 0o600))
				text = strings.ReplaceAll(text, file, own)
			}
			file := filepath.Join(dir, "tidemark.yaml")
			require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
			s, err := config.Load(file, func(string) string { return "" })
			require.NoError(t, err)
			require.Equal(t, "token", s.Auth)
			require.NotEmpty(t, s.Targets)
			require.NotContains(t, text, "PASSWORD", "secrets are in files")
			require.False(t, strings.Contains(string(s.Database), "://") && strings.Contains(strings.SplitN(string(s.Database), "@", 2)[0][len("postgres://"):], ":"), "no password in the address")
		})
	}
}
