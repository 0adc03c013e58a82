package pack_test

import (
	"bytes"
	"strings"
	"sync"
	"testing"

	"github.com/klauspost/compress/s2"
	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir/store/pack"
)

func newCodec(t *testing.T) *pack.Codec {
	t.Helper()
	codec, err := pack.New()
	require.NoError(t, err)
	t.Cleanup(codec.Close)
	return codec
}

func TestWhatIsPackedIsUnpackedByteForByte(t *testing.T) {
	t.Parallel()
	codec := newCodec(t)
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.SliceOf(rapid.Byte()).Draw(t, "body")
		unpacked, err := codec.Unpack(codec.Pack(body))
		require.NoError(t, err)
		require.True(t, bytes.Equal(body, unpacked))
	})
}

func TestOfATombstoneNothingIsKept(t *testing.T) {
	t.Parallel()
	codec := newCodec(t)
	packed := codec.Pack(nil)
	require.NotNil(t, packed, "a column that must not be null")
	require.Empty(t, packed)
	body, err := codec.Unpack(packed)
	require.NoError(t, err)
	require.Nil(t, body)
}

func TestJSONShrinksToAThirdOrLess(t *testing.T) {
	t.Parallel()
	body := []byte(strings.Repeat(`{"linkId":"intensity.erythema","answer":[{"valueInteger":2}]},`, 80))
	require.Less(t, len(newCodec(t).Pack(body)), len(body)/3)
}

func TestDamageIsAnErrorAndNoPanic(t *testing.T) {
	t.Parallel()
	codec := newCodec(t)
	packed := bytes.Clone(codec.Pack([]byte(strings.Repeat("tide", 100))))
	_, err := codec.Unpack(packed[:len(packed)-3])
	require.Error(t, err)
	_, err = codec.Unpack([]byte("no zstd at all"))
	require.Error(t, err)
}

func TestAnotherDictionaryIsNamed(t *testing.T) {
	t.Parallel()
	audits, err := pack.NewAudits()
	require.NoError(t, err)
	t.Cleanup(audits.Close)
	_, err = newCodec(t).Unpack(audits.Pack([]byte("{}")))
	require.ErrorContains(t, err, "packed with dictionary 1, not 2")
}

func TestABodyBeyondTheBoundIsRefused(t *testing.T) {
	t.Parallel()
	encoder, err := zstd.NewWriter(nil)
	require.NoError(t, err)
	packed := encoder.EncodeAll(make([]byte, 65<<20), nil)
	require.Less(t, len(packed), 1<<20, "a small file that would fill the memory")
	_, err = newCodec(t).Unpack(packed)
	require.Error(t, err)
	packed = append([]byte("S\x02\x00\x00\x00\x00"), s2.Encode(nil, make([]byte, 65<<20))...)
	require.Less(t, len(packed), 1<<20)
	_, err = newCodec(t).Unpack(packed)
	require.ErrorContains(t, err, "too long")
}

func TestManyGoroutinesShareACodec(t *testing.T) {
	t.Parallel()
	codec := newCodec(t)
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			body := bytes.Repeat([]byte{byte(i)}, 5000+i)
			unpacked, err := codec.Unpack(codec.Pack(body))
			if err != nil || !bytes.Equal(body, unpacked) {
				t.Errorf("goroutine %d got something else back: %v", i, err)
			}
		})
	}
	all.Wait()
}
