package auth

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"
)

// KeySource gives the keys of one issuer. Implementations are safe for
// concurrent use.
type KeySource interface {
	// Keys gives the set in use, fetching it if it is older than it may be,
	// and fails with the last failure when there is none. The slice must not
	// be changed.
	Keys(ctx context.Context) (KeySet, error)
	// Refresh is asked for after a kid was not in the set that Keys gave. It
	// fetches, but no more than once a minute, and gives the set then in use.
	Refresh(ctx context.Context) (KeySet, error)
}

// KeySet is a set of keys that does not change.
type KeySet struct {
	Keys []Key
	// Fresh is until when it may be used without asking again.
	Fresh time.Time
	// Number rises with each set that lacks or changes a key of the one
	// before, so that tokens verified by it are forgotten.
	Number uint64
}

// NewURLKeys gives the keys at an address, as Issuer.JWKSURL describes. Client
// and now may be nil.
func NewURLKeys(address string, client *http.Client, now func() time.Time) (KeySource, error) {
	if err := checkURL(address); err != nil {
		return nil, fmt.Errorf("auth: keys: %w", err)
	}
	return newRemoteKeys(newFetcher(client).keysAt(address), clock(now)), nil
}

// NewKeys gives the keys that a function fetches, with how long they may be
// kept. It is called once at a time, and seldom: see KeySource.
func NewKeys(fetch func(context.Context) ([]Key, time.Duration, error), now func() time.Time) KeySource {
	return newRemoteKeys(fetch, clock(now))
}

// NewFileKeys gives the keys of a file, and fails if it cannot be read now. The
// file is looked at again every few seconds, so that keys can be changed
// without a restart.
func NewFileKeys(path string, now func() time.Time) (KeySource, error) {
	if _, err := readKeyFile(path); err != nil {
		return nil, err
	}
	return newRemoteKeys(func(context.Context) ([]Key, time.Duration, error) {
		keys, err := readKeyFile(path)
		return keys, retryEvery, err
	}, clock(now)), nil
}

func readKeyFile(path string) ([]Key, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("auth: keys: %w", err)
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, maxDocument+1))
	if err != nil {
		return nil, fmt.Errorf("auth: keys: %w", err)
	}
	if len(data) > maxDocument {
		return nil, fmt.Errorf("auth: keys: %s: %w", path, errAnswer)
	}
	keys, err := ParseKeys(data)
	if err == nil && len(keys) == 0 {
		err = errKeys
	}
	if err != nil {
		return nil, fmt.Errorf("auth: keys: %s: %w", path, err)
	}
	return keys, nil
}

// fixedKeys is a set that never changes.
type fixedKeys struct{ set KeySet }

// NewFixedKeys gives always the same keys.
func NewFixedKeys(keys []Key) KeySource {
	return fixedKeys{KeySet{Keys: keys, Fresh: time.Unix(maxSeconds, 0)}}
}

func (f fixedKeys) Keys(context.Context) (KeySet, error)    { return f.set, nil }
func (f fixedKeys) Refresh(context.Context) (KeySet, error) { return f.set, nil }

// clock gives the system's where there is none.
func clock(now func() time.Time) func() time.Time {
	if now == nil {
		return time.Now
	}
	return now
}
