package pack

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"testing"

	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
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

// TestCodecs: whatever it is comes back, also what earlier programs packed with zstd, with
// and without a dictionary, and what is alike takes hardly any room.
func TestCodecs(t *testing.T) {
	t.Parallel()
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
		plain, err := zstd.NewWriter(nil)
		require.NoError(t, err)
		before, err := zstd.NewWriter(nil, zstd.WithEncoderDictRaw(of.id, of.dictionary))
		require.NoError(t, err)
		for name, body := range map[string]string{"short": "{}", "unlike all": "\x00\x01 what nothing has", "alike": string(of.dictionary[200:2000])} {
			for _, packed := range [][]byte{codec.Pack([]byte(body)), plain.EncodeAll([]byte(body), nil), before.EncodeAll([]byte(body), nil)} {
				unpacked, err := codec.Unpack(packed)
				require.NoError(t, err, "%s: %s", kind, name)
				require.Equal(t, body, string(unpacked), "%s: %s", kind, name)
			}
		}
		packed := codec.Pack(of.dictionary[200:2000])
		require.Less(t, len(packed), 100)
		require.EqualValues(t, of.id, packed[1], "by which a later program knows what it was packed with")
	}
}

// TestLongBodies: a block reaches the dictionary from its first 64 kB only, and what lies
// behind that comes back as well.
func TestLongBodies(t *testing.T) {
	t.Parallel()
	codec, err := New()
	require.NoError(t, err)
	t.Cleanup(codec.Close)
	rapid.Check(t, func(t *rapid.T) {
		var body []byte
		for range rapid.IntRange(1, 60).Draw(t, "pieces") {
			from := rapid.IntRange(0, len(resourceDictionary)-1).Draw(t, "from")
			body = append(body, resourceDictionary[from:rapid.IntRange(from, len(resourceDictionary)).Draw(t, "to")]...)
			body = append(body, rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "between")...)
		}
		unpacked, err := codec.Unpack(codec.Pack(body))
		require.NoError(t, err)
		require.True(t, bytes.Equal(body, unpacked))
	})
}

// TestDamageIsFound: whichever byte of a packed body is another, or is missing, it is no
// other body that is read.
func TestDamageIsFound(t *testing.T) {
	t.Parallel()
	codec, err := New()
	require.NoError(t, err)
	t.Cleanup(codec.Close)
	body := resourceDictionary[300:1500]
	packed := codec.Pack(body)
	for i := range packed {
		for bit := range 8 {
			damaged := bytes.Clone(packed)
			damaged[i] ^= 1 << bit
			unpacked, err := codec.Unpack(damaged)
			if err == nil {
				require.Equal(t, body, unpacked, "bit %d of byte %d", bit, i) // two ways to write the same
			}
		}
		_, err := codec.Unpack(packed[:i])
		if i > 0 {
			require.Error(t, err, "the first %d bytes", i)
		}
	}
}
