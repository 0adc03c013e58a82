package config_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

func TestFormFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, name := range []string{"b.json", "a.json", "notes.txt"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("{}"), 0o600))
	}
	a, b := filepath.Join(dir, "a.json"), filepath.Join(dir, "b.json")

	t.Run("none by default", func(t *testing.T) {
		t.Parallel()
		files, err := config.Settings{}.FormFiles()
		require.NoError(t, err)
		require.Empty(t, files)
	})
	t.Run("a list with the operator's word on who rates", func(t *testing.T) {
		t.Parallel()
		files, err := config.ParseForms(a + ", clinician=" + b + ",self=" + a + ",")
		require.NoError(t, err)
		require.Equal(t, []config.FormFile{{Path: a}, {Path: b, Rater: "clinician"}, {Path: a, Rater: "self"}}, files)
	})
	t.Run("a directory stands for its JSON by name", func(t *testing.T) {
		t.Parallel()
		files, err := config.ParseForms("self=" + dir)
		require.NoError(t, err)
		require.Equal(t, []config.FormFile{{Path: a, Rater: "self"}, {Path: b, Rater: "self"}}, files)
	})
	t.Run("a list in the settings file", func(t *testing.T) {
		t.Parallel()
		s, err := config.Read(write(t, "TIDEMARK_FORMS:\n  - "+a+"\n  - clinician="+b+"\n"), env())
		require.NoError(t, err)
		files, err := s.FormFiles()
		require.NoError(t, err)
		require.Equal(t, []config.FormFile{{Path: a}, {Path: b, Rater: "clinician"}}, files)
	})
	t.Run("every one that is not there is named", func(t *testing.T) {
		t.Parallel()
		_, err := config.ParseForms(filepath.Join(dir, "none.json") + ",parent=" + a + "," + a)
		require.ErrorContains(t, err, "none.json")
		require.ErrorContains(t, err, "parent=", "there is no such rater, so that it is a name")
		require.ErrorIs(t, err, os.ErrNotExist)
	})
	t.Run("a directory without any is a mistake", func(t *testing.T) {
		t.Parallel()
		empty := t.TempDir()
		_, err := config.ParseForms(empty)
		require.ErrorContains(t, err, "holds no *.json")
	})
}

func TestAdminToken(t *testing.T) {
	t.Parallel()
	const token = "an-invented-admin-token"

	t.Run("from its file, without the white space around it", func(t *testing.T) {
		t.Parallel()
		s, err := config.Read("", env("TIDEMARK_AUTH", "off", "TIDEMARK_ADMIN_TOKEN_FILE", write(t, "  "+token+"\n")))
		require.NoError(t, err)
		require.Equal(t, token, string(s.AdminToken))
		require.NoError(t, s.Check())
	})
	for name, pairs := range map[string][]string{
		"not both ways":              {"TIDEMARK_ADMIN_TOKEN", token, "TIDEMARK_ADMIN_TOKEN_FILE", "somewhere"},
		"not from a missing file":    {"TIDEMARK_ADMIN_TOKEN_FILE", filepath.Join("no", "such", "file")},
		"not from one that is empty": {"TIDEMARK_ADMIN_TOKEN_FILE", os.DevNull},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := config.Read("", env(pairs...))
			require.ErrorContains(t, err, "TIDEMARK_ADMIN_TOKEN_FILE")
			require.NotContains(t, err.Error(), token)
		})
	}
	t.Run("not one that could be guessed", func(t *testing.T) {
		t.Parallel()
		for short, wrong := range map[string]bool{"fifteen-letters": true, "sixteen-letters!": false} {
			s, err := config.Read("", env("TIDEMARK_AUTH", "off", "TIDEMARK_ADMIN_TOKEN", short))
			require.NoError(t, err)
			if wrong {
				require.ErrorContains(t, s.Check(), "TIDEMARK_ADMIN_TOKEN: ")
				require.NotContains(t, s.Check().Error(), short)
				continue
			}
			require.NoError(t, s.Check())
		}
	})
	t.Run("never shows itself", func(t *testing.T) {
		t.Parallel()
		s := config.Settings{AdminToken: token}
		var log bytes.Buffer
		slog.New(slog.NewJSONHandler(&log, nil)).Info("settings", "token", s.AdminToken, "all", s)
		marshalled, err := json.Marshal(s)
		require.NoError(t, err)
		for _, shown := range []string{log.String(), string(marshalled), fmt.Sprint(s), fmt.Sprintf("%+v %#v %s %q", s, s, s.AdminToken, s.AdminToken)} {
			require.NotContains(t, shown, token)
			require.Contains(t, shown, "[redacted]")
		}
		require.Empty(t, config.Secret("").String(), "and says when there is none")
	})
}
