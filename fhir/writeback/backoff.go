package writeback

import (
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Backoff says how long to wait before a next attempt: at random between
// nothing and a limit that doubles with every failure (exponential back-off
// with full jitter, common practice), so that many deliveries that failed
// together do not come back together.
type Backoff struct {
	// Base is the limit after the first failure, Cap the largest.
	Base, Cap time.Duration
}

// Limit is the longest wait after that many failures.
func (b Backoff) Limit(failures int) time.Duration {
	limit := b.Base
	for i := 1; i < failures; i++ {
		// Compared before doubling, which could pass what a Duration holds.
		if limit > b.Cap/2 {
			return b.Cap
		}
		limit *= 2
	}
	return min(limit, b.Cap)
}

// retryAfter reads the header, which gives seconds or a date (RFC 9110 section
// 10.2.3). What cannot be read, or lies in the past, is no wait; what lies
// beyond the limit is cut, since a wrong header must not stop a target for days.
func retryAfter(header http.Header, now time.Time, limit time.Duration) time.Duration {
	text := strings.TrimSpace(header.Get("Retry-After"))
	if text == "" {
		return 0
	}
	if isDigits(text) {
		seconds, err := strconv.ParseInt(text, 10, 64)
		if err != nil || seconds > int64(limit/time.Second) {
			return limit
		}
		return time.Duration(seconds) * time.Second
	}
	at, err := http.ParseTime(text)
	if err != nil {
		return 0
	}
	return min(max(at.Sub(now), 0), limit)
}

func isDigits(text string) bool {
	return strings.Trim(text, "0123456789") == ""
}
