package auth

import (
	"context"
	"crypto/sha256"
	"sync"
	"time"
)

// digest is the SHA-256 of a token.
type digest = [sha256.Size]byte

// cache remembers verified tokens by their digest, so that memory holds no
// token. It keeps at most twice its size: when the younger half is full, it
// becomes the older, whose entries go unless they are used again.
type cache struct {
	size int

	mu             sync.RWMutex
	younger, older map[digest]entry
}

// entry is a verified token.
type entry struct {
	grant *Grant
	// until is when it is to be forgotten: exp, without leeway.
	until time.Time
	// keys and set are what it was verified by; nil for an opaque token.
	keys KeySource
	set  uint64
}

// stands says whether the keys that a token was verified by are all still those
// of its issuer. This asks for keys that are older than they may be: else a
// token in use would keep a key that was taken away.
func (e entry) stands(ctx context.Context) (bool, error) {
	if e.keys == nil {
		return true, nil
	}
	set, err := e.keys.Keys(ctx)
	return err == nil && set.Number == e.set, err
}

// newCache makes a cache for size tokens; none if size is less than 1.
func newCache(size int) *cache {
	return &cache{size: (size + 1) / 2, younger: map[digest]entry{}}
}

func (c *cache) get(of digest, now time.Time) (entry, bool) {
	c.mu.RLock()
	found, young := c.younger[of]
	if !young {
		found = c.older[of]
	}
	c.mu.RUnlock()
	if found.grant == nil || !now.Before(found.until) {
		return entry{}, false
	}
	if !young {
		c.put(of, found)
	}
	return found, true
}

func (c *cache) put(of digest, e entry) {
	if c.size < 1 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.younger) >= c.size {
		c.older, c.younger = c.younger, make(map[digest]entry, c.size)
	}
	c.younger[of] = e
}
