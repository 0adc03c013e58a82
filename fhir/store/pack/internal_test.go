package pack

import (
	"crypto/sha256"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAuditDictionaryNeverChanges: what was packed with it could not be read.
func TestAuditDictionaryNeverChanges(t *testing.T) {
	t.Parallel()
	require.Equal(t, "bf90196d0e2dd7c56bf9bbbafa80bf21cac761baee75e3594b4c466d4e7cb26e", fmt.Sprintf("%x", sha256.Sum256(auditDictionary)))
}

func TestAuditCodec(t *testing.T) {
	t.Parallel()
	events, err := NewAudits()
	require.NoError(t, err)
	plain, err := New()
	require.NoError(t, err)
	for name, body := range map[string]string{"short": "{}", "unlike all": "\x00\x01 what no event has", "alike": string(auditDictionary[200:2000])} {
		unpacked, err := events.Unpack(events.pack([]byte(body)))
		require.NoError(t, err, name)
		require.Equal(t, body, string(unpacked), name)
		unpacked, err = events.Unpack(plain.pack([]byte(body)))
		require.NoError(t, err, name)
		require.Equal(t, body, string(unpacked), "what was packed without it can be read: %s", name)
	}
	require.Less(t, len(events.pack(auditDictionary[200:2000])), 100)
}
