package authserver

import (
	"context"
	"crypto/sha256"
	"errors"
	"strconv"
	"sync"
	"time"
)

// Replays remembers which assertions were used.
type Replays interface {
	// Use records the jti of an issuer, which is a client, and says whether it
	// was not there yet. It must be kept at least until the time given, when
	// the assertion has expired, also over a restart and for all servers that
	// answer at the same address. Of two calls at once with the same jti one
	// at most may be told true. An error refuses the assertion.
	Use(ctx context.Context, issuer, jti string, until time.Time) (fresh bool, err error)
}

// ErrReplaysFull is a memory full of assertions that could all still be used.
var ErrReplaysFull = errors.New("authserver: too many assertions are in use at once")

// maxReplays is how many are remembered: at five minutes each, several hundred
// a second.
const maxReplays = 200_000

// replay is the SHA-256 of an issuer and a jti.
type replay [sha256.Size]byte

// replayOf has the length in it, which keeps (a, bc) from being (ab, c).
func replayOf(issuer, jti string) replay {
	return sha256.Sum256([]byte(strconv.Itoa(len(issuer)) + ":" + issuer + jti))
}

// MemoryReplays remembers in memory, for tests: after a restart an assertion of
// the last five minutes could be used once more. The program's are in its store.
type MemoryReplays struct {
	now func() time.Time

	mu   sync.Mutex
	used map[replay]time.Time
	// swept is when those that have expired were last taken out.
	swept time.Time
}

// NewMemoryReplays makes an empty memory. Now may be nil.
func NewMemoryReplays(now func() time.Time) *MemoryReplays {
	if now == nil {
		now = time.Now
	}
	return &MemoryReplays{now: now, used: map[replay]time.Time{}}
}

// Use implements Replays. When full, it refuses rather than forget.
func (m *MemoryReplays) Use(_ context.Context, issuer, jti string, until time.Time) (bool, error) {
	id := replayOf(issuer, jti)
	now := m.now()
	m.mu.Lock()
	defer m.mu.Unlock()
	if now.Sub(m.swept) >= time.Minute {
		m.sweep(now)
	}
	if last, there := m.used[id]; there && now.Before(last) {
		return false, nil
	}
	if len(m.used) >= maxReplays {
		return false, ErrReplaysFull
	}
	m.used[id] = until
	return true, nil
}

// sweep takes out what has expired.
func (m *MemoryReplays) sweep(now time.Time) {
	m.swept = now
	for id, until := range m.used {
		if !now.Before(until) {
			delete(m.used, id)
		}
	}
}
