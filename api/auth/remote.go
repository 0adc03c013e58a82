package auth

import (
	"context"
	"crypto"
	"errors"
	"sync"
	"sync/atomic"
	"time"
)

// How often an issuer is asked, and how long its last keys serve when it does
// not answer.
const (
	// refreshEvery is the least time between two fetches that an unknown kid
	// asks for, since anybody can send one.
	refreshEvery = time.Minute
	// retryEvery is the least time between two fetches otherwise. It also
	// bounds what a set that must not be kept costs.
	retryEvery = 5 * time.Second
	// keepLastGood is how long keys serve after they should have been asked for
	// again, while fetching fails. A revoked key lives this long at most while
	// its issuer is down; a hospital's server being restarted does not stop the
	// service.
	keepLastGood = time.Hour
	// patience is how long a request waits for new keys while the last ones may
	// still serve, so that an issuer that hangs does not hang the service.
	patience = 2 * time.Second
)

// errNoKeys is a set of keys that cannot be had now.
var errNoKeys = errors.New("no keys of the issuer can be had")

// remoteKeys is a KeySource that fetches. One fetch is under way at a time, and
// those who need it wait for it.
type remoteKeys struct {
	fetch func(context.Context) ([]Key, time.Duration, error)
	now   func() time.Time
	// state is what is in use; nil before the first good fetch.
	state atomic.Pointer[KeySet]

	mu sync.Mutex
	// tried is when the last fetch began, failed what it failed with.
	tried  time.Time
	failed error
	// running is closed when the fetch under way is done; nil for none.
	running chan struct{}
}

func newRemoteKeys(fetch func(context.Context) ([]Key, time.Duration, error), now func() time.Time) *remoteKeys {
	return &remoteKeys{fetch: fetch, now: now}
}

// Keys implements KeySource. It takes no lock while the set is fresh.
func (r *remoteKeys) Keys(ctx context.Context) (KeySet, error) {
	if set := r.state.Load(); set != nil && r.now().Before(set.Fresh) {
		return *set, nil
	}
	return r.after(ctx, retryEvery, r.patience)
}

// Refresh implements KeySource.
func (r *remoteKeys) Refresh(ctx context.Context) (KeySet, error) {
	return r.after(ctx, refreshEvery, func() time.Duration { return fetchTimeout })
}

// after fetches unless it was tried less than the interval ago, and waits for
// the fetch under way.
func (r *remoteKeys) after(ctx context.Context, interval time.Duration, patience func() time.Duration) (KeySet, error) {
	r.mu.Lock()
	if r.running == nil && (r.tried.IsZero() || r.now().Sub(r.tried) >= interval) {
		r.tried = r.now()
		r.running = make(chan struct{})
		// Others wait for it too: who asked first may leave.
		go r.run(context.WithoutCancel(ctx), r.running)
	}
	running, long := r.running, patience()
	r.mu.Unlock()
	if running != nil && long > 0 {
		timer := time.NewTimer(long)
		defer timer.Stop()
		select {
		case <-running:
		case <-timer.C:
		case <-ctx.Done():
			return KeySet{}, ctx.Err()
		}
	}
	return r.current()
}

// patience is how long a request waits for keys that should be asked for
// again: for all of the fetch where nothing else serves, and not at all once
// the issuer has failed to answer. The caller holds the lock.
func (r *remoteKeys) patience() time.Duration {
	switch {
	case !r.serves():
		return fetchTimeout
	case r.failed != nil:
		return 0
	}
	return patience
}

// serves says whether the set in use may still be used.
func (r *remoteKeys) serves() bool {
	set := r.state.Load()
	return set != nil && r.now().Before(set.Fresh.Add(keepLastGood))
}

// standing tells what is in use, without asking anybody.
func (r *remoteKeys) standing(issuer string) IssuerKeys {
	r.mu.Lock()
	failing := r.failed != nil
	r.mu.Unlock()
	k := IssuerKeys{Issuer: issuer, Failing: failing}
	if set := r.state.Load(); set != nil {
		k.Fresh = set.Fresh
		if r.serves() {
			k.Keys = len(set.Keys)
		}
	}
	return k
}

// run fetches once.
func (r *remoteKeys) run(ctx context.Context, done chan struct{}) {
	ctx, cancel := context.WithTimeout(ctx, fetchTimeout)
	defer cancel()
	keys, keep, err := r.fetch(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	defer close(done)
	r.running, r.failed = nil, err
	if err != nil {
		return
	}
	r.state.Store(next(r.state.Load(), keys, r.tried.Add(keep)))
}

// current gives the set in use, if it still may be.
func (r *remoteKeys) current() (KeySet, error) {
	if r.serves() {
		return *r.state.Load(), nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return KeySet{}, errors.Join(errNoKeys, r.failed)
}

// next makes the set that follows another.
func next(last *KeySet, keys []Key, fresh time.Time) *KeySet {
	set := &KeySet{Keys: keys, Fresh: fresh}
	if last == nil {
		return set
	}
	set.Number = last.Number
	for _, key := range last.Keys {
		if !holds(keys, key) {
			set.Number++
			break
		}
	}
	return set
}

// holds says whether a key is among others, unchanged.
func holds(keys []Key, key Key) bool {
	public, comparable := key.Public.(interface{ Equal(crypto.PublicKey) bool })
	for _, other := range keys {
		if other.ID == key.ID && other.Algorithm == key.Algorithm && comparable && public.Equal(other.Public) {
			return true
		}
	}
	return false
}
