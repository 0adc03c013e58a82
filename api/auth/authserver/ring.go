package authserver

import (
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"tidemark.example/tidemark/api/auth"
)

// State is what a signing key is used for.
type State string

// The states. All three are published, only Current signs.
const (
	// Previous signed until the last rotation; its tokens may still be good.
	Previous State = "previous"
	// Current signs.
	Current State = "current"
	// Next will sign after the next rotation; it is published before, so that
	// nobody meets a token of a key that they have not seen.
	Next State = "next"
)

// format names the form of the key file, so that an older program refuses a
// newer one.
const format = "tidemark-keys-1"

// RotationPause is the least time between two rotations: until the tokens of
// the key that is dropped have expired, and the next key is known to all who
// keep the published keys for five minutes.
const RotationPause = 15 * time.Minute

// rsaBits is the size of RSA keys made here: 3072 is good beyond 2030 (NIST SP
// 800-57 part 1 revision 5, table 4).
const rsaBits = 3072

// The faults of a key file.
var (
	ErrRing    = errors.New("not a file of keys with one current and one next key")
	ErrExposed = errors.New("the file of private keys can be read by others; set its mode to 0600, or to 0640 if it is root's and its group the server's alone")
	ErrTooSoon = fmt.Errorf("the keys were rotated less than %s ago, and tokens of the key to be dropped may still be good", RotationPause)
)

// Ring is the signing keys of a server: one current, one next, perhaps one
// previous. It does not change; Rotate gives another.
type Ring struct{ keys []signingKey }

// signingKey is a private key with what is published of it.
type signingKey struct {
	id, algorithm string
	state         State
	since         time.Time
	private       crypto.Signer
}

// NewRing makes new keys, RS384 or ES384, for a first start or when a key has
// become known to others: tokens of all older keys end with it.
func NewRing(algorithm string, now time.Time) (*Ring, error) {
	current, err := newKey(algorithm, Current, now)
	if err != nil {
		return nil, err
	}
	next, err := newKey(algorithm, Next, now)
	return &Ring{[]signingKey{current, next}}, err
}

func newKey(algorithm string, state State, now time.Time) (signingKey, error) {
	key := signingKey{id: rand.Text(), algorithm: algorithm, state: state, since: now.UTC().Truncate(time.Second)}
	var err error
	switch algorithm {
	case "RS384":
		key.private, err = rsa.GenerateKey(rand.Reader, rsaBits)
	case "ES384":
		key.private, err = ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	default:
		err = errors.New("not RS384 or ES384")
	}
	if err != nil {
		return signingKey{}, fmt.Errorf("authserver: making a key: %w", err)
	}
	return key, nil
}

// Rotate gives a ring in which the next key signs, the current one is the
// previous, and a new one is next. It fails with ErrTooSoon within
// RotationPause of the last time.
func (r *Ring) Rotate(now time.Time) (*Ring, error) {
	current, next := r.of(Current), r.of(Next)
	if now.Sub(current.since) < RotationPause {
		return nil, ErrTooSoon
	}
	fresh, err := newKey(next.algorithm, Next, now)
	if err != nil {
		return nil, err
	}
	previous := *current
	previous.state = Previous
	signing := *next
	signing.state, signing.since = Current, fresh.since
	return &Ring{[]signingKey{previous, signing, fresh}}, nil
}

func (r *Ring) of(state State) *signingKey {
	for i := range r.keys {
		if r.keys[i].state == state {
			return &r.keys[i]
		}
	}
	return nil
}

// Public gives what is published: every key of the ring, without its private
// part.
func (r *Ring) Public() []auth.Key {
	keys := make([]auth.Key, len(r.keys))
	for i, key := range r.keys {
		keys[i] = auth.Key{ID: key.id, Type: "EC", Algorithm: key.algorithm, Public: key.private.Public()}
		if _, isRSA := key.private.(*rsa.PrivateKey); isRSA {
			keys[i].Type = "RSA"
		}
	}
	return keys
}

// Sign signs claims by the current key, with a typ: at+jwt for an access token,
// JWT for the assertion of a client.
func (r *Ring) Sign(typ string, claims any) (string, error) {
	key := r.of(Current)
	method := jwt.GetSigningMethod(key.algorithm)
	header, err := json.Marshal(map[string]string{"alg": key.algorithm, "kid": key.id, "typ": typ})
	if err != nil {
		return "", fmt.Errorf("authserver: signing: %w", err)
	}
	body, err := json.Marshal(claims)
	if err != nil {
		return "", fmt.Errorf("authserver: signing: %w", err)
	}
	signed := encode(header) + "." + encode(body)
	signature, err := method.Sign(signed, key.private)
	if err != nil {
		return "", fmt.Errorf("authserver: signing: %w", err)
	}
	return signed + "." + encode(signature), nil
}

// ringFile is the form of the file.
type ringFile struct {
	Format string        `json:"format"`
	Keys   []ringFileKey `json:"keys"`
}

// ringFileKey is one key of it, in PKCS #8 as PEM, which other tools read too.
type ringFileKey struct {
	ID        string    `json:"kid"`
	Algorithm string    `json:"alg"`
	State     State     `json:"state"`
	Since     time.Time `json:"since"`
	Private   string    `json:"private_key"`
}

// Format writes the ring as the file that ParseRing reads. It holds private
// keys.
func (r *Ring) Format() ([]byte, error) {
	file := ringFile{Format: format}
	for _, key := range r.keys {
		der, err := x509.MarshalPKCS8PrivateKey(key.private)
		if err != nil {
			return nil, fmt.Errorf("authserver: writing a key: %w", err)
		}
		text := string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
		file.Keys = append(file.Keys, ringFileKey{key.id, key.algorithm, key.state, key.since, text})
	}
	data, err := json.MarshalIndent(file, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("authserver: writing keys: %w", err)
	}
	return append(data, '\n'), nil
}

// ParseRing reads a ring, and fails if it is not one current, one next and at
// most one previous key of RS384 or ES384.
func ParseRing(data []byte) (*Ring, error) {
	var file ringFile
	if err := json.Unmarshal(data, &file); err != nil || file.Format != format {
		return nil, ErrRing // the text of a JSON error could repeat a key
	}
	ring, count := &Ring{}, map[State]int{}
	for _, item := range file.Keys {
		key, err := parseSigningKey(item)
		if err != nil {
			return nil, err
		}
		ring.keys = append(ring.keys, key)
		count[key.state]++
	}
	if count[Current] != 1 || count[Next] != 1 || count[Previous] > 1 || len(ring.keys) != 2+count[Previous] {
		return nil, ErrRing
	}
	return ring, nil
}

func parseSigningKey(item ringFileKey) (signingKey, error) {
	block, rest := pem.Decode([]byte(item.Private))
	if block == nil || len(rest) > 0 || item.ID == "" {
		return signingKey{}, ErrRing
	}
	private, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return signingKey{}, ErrRing
	}
	key := signingKey{id: item.ID, algorithm: item.Algorithm, state: item.State, since: item.Since}
	switch p := private.(type) {
	case *rsa.PrivateKey:
		key.private = p
		if item.Algorithm != "RS384" || p.N.BitLen() < 2048 {
			return signingKey{}, ErrRing
		}
	case *ecdsa.PrivateKey:
		key.private = p
		if item.Algorithm != "ES384" || p.Curve != elliptic.P384() {
			return signingKey{}, ErrRing
		}
	default:
		return signingKey{}, ErrRing
	}
	return key, nil
}

// maxFile is the largest file read here.
const maxFile = 1 << 20

// ReadRing reads the file of a ring, which nobody else may be able to read.
func ReadRing(path string) (*Ring, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("authserver: keys: %w", err)
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return nil, fmt.Errorf("authserver: keys: %w", err)
	}
	if others := info.Mode().Perm() & 0o077; others != 0 && (others != 0o040 || !ofRoot(info)) {
		return nil, fmt.Errorf("authserver: keys: %s: %w", path, ErrExposed)
	}
	data, err := io.ReadAll(io.LimitReader(file, maxFile))
	if err != nil {
		return nil, fmt.Errorf("authserver: keys: %w", err)
	}
	ring, err := ParseRing(data)
	if err != nil {
		return nil, fmt.Errorf("authserver: keys: %s: %w", path, err)
	}
	return ring, nil
}

// WriteRing writes the file of a ring, readable by its owner only. The file is
// replaced whole, so that a server reading it meets the old or the new one.
func WriteRing(path string, ring *Ring) error {
	data, err := ring.Format()
	if err != nil {
		return err
	}
	file, err := os.CreateTemp(filepath.Dir(path), ".keys-*") // made with mode 0600
	if err != nil {
		return fmt.Errorf("authserver: writing keys: %w", err)
	}
	_, err = file.Write(data)
	if err = errors.Join(err, file.Sync(), file.Close()); err == nil {
		err = os.Rename(file.Name(), path)
	}
	if err == nil {
		return syncFolder(filepath.Dir(path))
	}
	return fmt.Errorf("authserver: writing keys: %w", errors.Join(err, ignoreMissing(os.Remove(file.Name()))))
}

// syncFolder puts a new name on disk. Without it a loss of power could leave the
// file of before under the name, and what was written since nowhere.
func syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("authserver: %w", err)
	}
	if err := errors.Join(folder.Sync(), folder.Close()); err != nil {
		return fmt.Errorf("authserver: %w", err)
	}
	return nil
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// rereadEvery is how often a key file is looked at.
const rereadEvery = 5 * time.Second

// RingFile is a ring in a file, which is read again as it changes, so that
// `tidemark keys` rotates under a running server.
type RingFile struct {
	path string
	now  func() time.Time

	mu   sync.Mutex
	ring *Ring
	read time.Time
}

// OpenRing reads the file now, and again every few seconds when it is asked
// for. Now may be nil.
func OpenRing(path string, now func() time.Time) (*RingFile, error) {
	if now == nil {
		now = time.Now
	}
	ring, err := ReadRing(path)
	if err != nil {
		return nil, err
	}
	return &RingFile{path: path, now: now, ring: ring, read: now()}, nil
}

// Ring gives the ring of the file. A file that has become unreadable is an
// error, since its keys may have been withdrawn.
func (f *RingFile) Ring() (*Ring, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if now := f.now(); now.Sub(f.read) >= rereadEvery {
		ring, err := ReadRing(f.path)
		if err != nil {
			return nil, err
		}
		f.ring, f.read = ring, now
	}
	return f.ring, nil
}

// Sign signs claims by the key that is current now; see Ring.Sign.
func (f *RingFile) Sign(typ string, claims any) (string, error) {
	ring, err := f.Ring()
	if err != nil {
		return "", err
	}
	return ring.Sign(typ, claims)
}

// Keys gives the public keys to a Verifier in the same process.
func (f *RingFile) Keys() auth.KeySource {
	return auth.NewKeys(func(context.Context) ([]auth.Key, time.Duration, error) {
		ring, err := f.Ring()
		if err != nil {
			return nil, 0, err
		}
		return ring.Public(), rereadEvery, nil
	}, f.now)
}
