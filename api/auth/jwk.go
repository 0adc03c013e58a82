package auth

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"math/big"
	"slices"

	"github.com/golang-jwt/jwt/v5"
)

// algorithm is one of those that can be configured (RFC 7518 section 3.1).
type algorithm struct {
	method jwt.SigningMethod
	// kty is the type of its keys, curve that of an EC key.
	kty   string
	curve elliptic.Curve
}

// algorithms are all that this package knows, with names of exact case. None
// is symmetric, so that a public key never serves as a shared secret.
var algorithms = map[string]algorithm{
	"RS256": {method: jwt.SigningMethodRS256, kty: "RSA"},
	"RS384": {method: jwt.SigningMethodRS384, kty: "RSA"},
	"ES256": {method: jwt.SigningMethodES256, kty: "EC", curve: elliptic.P256()},
	"ES384": {method: jwt.SigningMethodES384, kty: "EC", curve: elliptic.P384()},
}

// DefaultAlgorithms are those that SMART asks every server to know.
var DefaultAlgorithms = []string{"RS384", "ES384"}

// Limits of keys. 2048 bits are the least that RFC 7518 section 3.3 allows;
// the rest bounds what a hostile set can cost, and is our own.
const (
	minRSABits  = 2048
	maxRSABits  = 8192
	maxKeys     = 64
	maxKeyID    = 256
	minExponent = 65537
)

// Key is one public key of a set.
type Key struct {
	// ID is kid.
	ID string
	// Type is kty: RSA or EC.
	Type string
	// Algorithm is alg; "" if the key does not say.
	Algorithm string
	// Public is an *rsa.PublicKey or an *ecdsa.PublicKey.
	Public crypto.PublicKey
}

// The faults of keys.
var (
	errKey     = errors.New("a key that cannot be used")
	errPrivate = errors.New("a private or symmetric key among public ones")
	errKeys    = errors.New("not a set of keys")
)

// ParseKeys reads a JWK Set (RFC 7517). Keys that are not for verifying
// signatures by a known algorithm are left out, as section 5 asks; so are weak
// ones and those without kid. Private keys make an error: a set that shows
// them is not to be trusted by anyone. A kid that occurs twice is kept, and
// then chosen for nothing.
func ParseKeys(data []byte) ([]Key, error) {
	set, err := readObject(data)
	if err != nil {
		return nil, err
	}
	var raw []json.RawMessage
	if err := json.Unmarshal(set["keys"], &raw); err != nil || raw == nil || len(raw) > maxKeys {
		return nil, errKeys
	}
	var keys []Key
	for _, item := range raw {
		key, err := parseKey(item)
		if errors.Is(err, errPrivate) {
			return nil, err
		}
		if err == nil {
			keys = append(keys, key)
		}
	}
	return keys, nil
}

// private are the members of private and symmetric keys (RFC 7518 section 6).
var private = []string{"d", "p", "q", "dp", "dq", "qi", "oth", "k"}

func parseKey(data []byte) (Key, error) {
	members, err := readObject(data)
	if err != nil {
		return Key{}, err
	}
	if slices.ContainsFunc(private, members.has) {
		return Key{}, errPrivate
	}
	return publicKey(members)
}

// publicKey reads what the public members of a JWK say.
func publicKey(members object) (Key, error) {
	id, err := members.text("kid")
	if err != nil || len(id) > maxKeyID || !verifies(members) {
		return Key{}, errKey
	}
	key := Key{ID: id}
	if key.Algorithm, err = members.optional("alg"); err != nil {
		return Key{}, errKey
	}
	if key.Type, err = members.text("kty"); err != nil {
		return Key{}, errKey
	}
	switch key.Type {
	case "RSA":
		key.Public, err = rsaKey(members)
	case "EC":
		key.Public, err = ecKey(members)
	default:
		err = errKey
	}
	return key, err
}

// verifies says whether use and key_ops, where present, allow verifying.
func verifies(members object) bool {
	if use, err := members.optional("use"); err != nil || use != "" && use != "sig" {
		return false
	}
	if !members.has("key_ops") {
		return true
	}
	operations, err := members.texts("key_ops")
	return err == nil && slices.Contains(operations, "verify")
}

// number reads an unsigned integer (RFC 7518 section 2, Base64urlUInt).
func (o object) number(name string) ([]byte, error) {
	text, err := o.text(name)
	if err != nil || len(text) > 2*maxRSABits/8 {
		return nil, errKey
	}
	return unbase64(text)
}

func rsaKey(members object) (*rsa.PublicKey, error) {
	n, err := members.number("n")
	if err != nil {
		return nil, err
	}
	e, err := members.number("e")
	if err != nil {
		return nil, err
	}
	key := &rsa.PublicKey{N: new(big.Int).SetBytes(n)}
	exponent := new(big.Int).SetBytes(e)
	bits := key.N.BitLen()
	if bits < minRSABits || bits > maxRSABits || key.N.Bit(0) == 0 || exponent.BitLen() > 31 ||
		exponent.Int64() < minExponent || exponent.Bit(0) == 0 {
		return nil, errKey
	}
	key.E = int(exponent.Int64())
	return key, nil
}

func ecKey(members object) (*ecdsa.PublicKey, error) {
	name, err := members.text("crv")
	if err != nil {
		return nil, err
	}
	curve := map[string]elliptic.Curve{"P-256": elliptic.P256(), "P-384": elliptic.P384()}[name]
	if curve == nil {
		return nil, errKey
	}
	point := []byte{4} // uncompressed (SEC 1 section 2.3.3)
	for _, coordinate := range []string{"x", "y"} {
		value, err := members.number(coordinate)
		if err != nil || len(value) != (curve.Params().BitSize+7)/8 {
			return nil, errKey
		}
		point = append(point, value...)
	}
	return ecdsa.ParseUncompressedPublicKey(curve, point)
}

// fits says whether a key may verify the algorithm: same type, same curve, and
// the same alg if it names one.
func (k Key) fits(name string) bool {
	wanted, known := algorithms[name]
	if !known || k.Type != wanted.kty || k.Algorithm != "" && k.Algorithm != name {
		return false
	}
	ec, isEC := k.Public.(*ecdsa.PublicKey)
	return !isEC || ec.Curve == wanted.curve
}

// choose gives the one key of a set with the kid that fits the algorithm. None
// and several are both refused; only a kid that is nowhere is errUnknownKey.
func choose(keys []Key, id, name string) (Key, error) {
	var found []Key
	err := errUnknownKey
	for _, key := range keys {
		if key.ID != id {
			continue
		}
		err = errKey
		if key.fits(name) {
			found = append(found, key)
		}
	}
	if len(found) != 1 {
		return Key{}, err
	}
	return found[0], nil
}

var errUnknownKey = errors.New("no key of this kid")

// FormatKeys writes public keys as a JWK Set, bare as SMART asks: no
// certificates, nothing private.
func FormatKeys(keys []Key) ([]byte, error) {
	set := struct {
		Keys []map[string]string `json:"keys"`
	}{Keys: []map[string]string{}}
	for _, key := range keys {
		members := map[string]string{"kid": key.ID, "kty": key.Type, "use": "sig"}
		if key.Algorithm != "" {
			members["alg"] = key.Algorithm
		}
		if err := formatPublic(key.Public, members); err != nil {
			return nil, err
		}
		set.Keys = append(set.Keys, members)
	}
	return json.Marshal(set)
}

// formatPublic adds the members of the key itself (RFC 7518 section 6).
func formatPublic(public crypto.PublicKey, members map[string]string) error {
	switch key := public.(type) {
	case *rsa.PublicKey:
		members["n"] = strict.EncodeToString(key.N.Bytes())
		members["e"] = strict.EncodeToString(big.NewInt(int64(key.E)).Bytes())
	case *ecdsa.PublicKey:
		point, err := key.Bytes() // 4, x, y
		if err != nil {
			return errKey
		}
		half := 1 + len(point)/2
		members["crv"] = key.Curve.Params().Name
		members["x"], members["y"] = strict.EncodeToString(point[1:half]), strict.EncodeToString(point[half:])
	default:
		return errKey
	}
	return nil
}
