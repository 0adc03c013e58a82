package test_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The modes of campaignWards are those that hold whatever is late: see "What is
// left to chance" in fhir/writeback.
var campaignWards = []struct{ name, shape, mode string }{
	{"ehr", "observation", "auto"},
	{"panels", "panel", "conditional-update"},
	{"notes", "document", "transaction"},
}

// wards are hospitals that get the same scores, each in a shape and by a mode of
// its own.
type wards []*hospital

// newWards makes those of campaignWards.
func newWards(t testing.TB) wards {
	var all wards
	for _, c := range campaignWards {
		h := newHospital(t)
		h.name, h.shape, h.mode = c.name, c.shape, c.mode
		h.revive()
		all = append(all, h)
	}
	return all
}

// serve starts the program with a list of all these targets in one file.
func (w wards) serve(t testing.TB, database string, settings ...string) *server {
	t.Helper()
	var list strings.Builder
	for _, h := range w {
		fmt.Fprintf(&list, "  - {name: %s, url: %q, shape: %s, mode: %s, timeout: %s}\n", h.name, h.base, h.shape, h.mode, requestTime)
	}
	file := filepath.Join(t.TempDir(), "tidemark.yaml")
	require.NoError(t, os.WriteFile(file, []byte("TIDEMARK_EHR_URL:\n"+list.String()), 0o600))
	return serveWith(t, []string{"--config", file}, database, append([]string{outside}, settings...)...)
}

// judge holds each of them to what is stored.
func (w wards) judge(a *auditor) {
	for _, h := range w {
		a.at = h.name + ": "
		a.hospital(h)
	}
	a.at = ""
}

// resources is how many they ever held.
func (w wards) resources() string {
	var all []string
	for _, h := range w {
		all = append(all, fmt.Sprintf("%d at %s", len(h.ids()), h.name))
	}
	return strings.Join(all, ", ")
}
