package pack

import (
	"crypto/sha256"
	"fmt"
	"testing"

	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"
)

// TestDictionariesNeverChange: what was packed with one could not be read.
func TestDictionariesNeverChange(t *testing.T) {
	t.Parallel()
	for want, dictionary := range map[string][]byte{
		"bf90196d0e2dd7c56bf9bbbafa80bf21cac761baee75e3594b4c466d4e7cb26e": auditDictionary,
		"7c071dfdc9e9d4f60fd2e43670f0b06c98e59f6d8502aa31c51800a3ddc6713e": resourceDictionary,
	} {
		require.Equal(t, want, fmt.Sprintf("%x", sha256.Sum256(dictionary)))
	}
}

// TestCodecs: whatever it is comes back, also what was packed without a dictionary,
// and what is alike takes hardly any room.
func TestCodecs(t *testing.T) {
	t.Parallel()
	plain, err := zstd.NewWriter(nil)
	require.NoError(t, err)
	for kind, of := range map[string]struct {
		make       func() (*Codec, error)
		dictionary []byte
		id         uint32
	}{
		"Audits":    {NewAudits, auditDictionary, 1},
		"Resources": {New, resourceDictionary, 2},
	} {
		codec, err := of.make()
		require.NoError(t, err)
		t.Cleanup(codec.Close)
		for name, body := range map[string]string{"short": "{}", "unlike all": "\x00\x01 what nothing has", "alike": string(of.dictionary[200:2000])} {
			unpacked, err := codec.Unpack(codec.pack([]byte(body)))
			require.NoError(t, err, "%s: %s", kind, name)
			require.Equal(t, body, string(unpacked), "%s: %s", kind, name)
			unpacked, err = codec.Unpack(plain.EncodeAll([]byte(body), nil))
			require.NoError(t, err, "%s: %s", kind, name)
			require.Equal(t, body, string(unpacked), "what was packed without it can be read: %s: %s", kind, name)
		}
		packed := codec.pack(of.dictionary[200:2000])
		require.Less(t, len(packed), 100)
		var header zstd.Header
		require.NoError(t, header.Decode(packed))
		require.Equal(t, of.id, header.DictionaryID, "by which a later program knows it")
	}
}
