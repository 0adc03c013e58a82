package config_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

func TestGroups(t *testing.T) {
	t.Parallel()
	groups, err := config.ReadGroups(write(t, "winter-study:\n  - Patient/oona-thistledown\n  - ' https://ehr.example/fhir/Patient/7 '\n  - identifier:https://ehr.example/mrn|17\nnobody: []\n"))
	require.NoError(t, err)
	require.Equal(t, map[string][]string{
		"winter-study": {"Patient/oona-thistledown", "https://ehr.example/fhir/Patient/7", "identifier:https://ehr.example/mrn|17"}, "nobody": {},
	}, groups)

	for _, c := range []struct{ text, says string }{
		{"- Patient/oona-thistledown", "a line NAME:"},
		{"winter study:\n  - Patient/oona-thistledown", "the name of a group"},
		{"a:\n  - Patient/oona-thistledown\n  - oona-thistledown", "patient 2 must be"},
		{"a:\n  - Practitioner/ilse-varnholt", "patient 1 must be"},
		{"a:\n" + strings.Repeat("  - Patient/oona-thistledown\n", 10_001), "more than 10000"},
	} {
		_, err := config.ReadGroups(write(t, c.text))
		require.ErrorContains(t, err, c.says)
		require.NotContains(t, err.Error(), "oona", "a fault names no patient")
	}
	_, err = config.ReadGroups("none.yaml")
	require.Error(t, err)
}

func TestExportLimits(t *testing.T) {
	t.Parallel()
	s, err := config.Read("", env("TIDEMARK_AUTH", "off"))
	require.NoError(t, err)
	require.NoError(t, s.Check())
	keep, most := s.ExportLimits()
	require.Equal(t, 24*time.Hour, keep)
	require.Equal(t, 2, most)
}
