// Package watch keeps what was made of files in step with them: certificates,
// passwords and tokens that somebody renews while the program runs.
//
// Files are looked at when the value is asked for, at most once a second, and
// are told apart by identity, time of change and size. Nothing runs in between.
package watch

import (
	"os"
	"sync"
	"time"
)

// Every is how often files are looked at, at most: whoever asks later than that
// after a change gets what was made of the new ones.
const Every = time.Second

// Value is what was made of files. Make one with New.
type Value[T any] struct {
	load  func() (T, error)
	paths []string
	now   func() time.Time

	mu      sync.Mutex
	value   T
	err     error
	stamp   []os.FileInfo
	checked time.Time
}

// New loads a value from the files, which must be right at the start; "" among
// them is no file. now is the clock, nil for the system's.
func New[T any](load func() (T, error), now func() time.Time, paths ...string) (*Value[T], error) {
	if now == nil {
		now = time.Now
	}
	v := &Value[T]{load: load, paths: paths, now: now, checked: now()}
	v.stamp = v.look() // before loading, so that a change meanwhile is seen later
	if v.value, v.err = load(); v.err != nil {
		return nil, v.err
	}
	return v, nil
}

// Latest gives the value, made again if the files have changed. While they
// cannot be used it gives the value before, and the error: whether that one
// still serves is for the caller to say. Changed is true once for each change.
func (v *Value[T]) Latest() (value T, changed bool, err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	now := v.now()
	if since := now.Sub(v.checked); since >= 0 && since < Every {
		return v.value, false, v.err
	}
	v.checked = now
	found := v.look()
	changed = !same(found, v.stamp)
	if !changed && v.err == nil {
		return v.value, false, nil
	}
	v.stamp = found
	fresh, err := v.load()
	if err == nil {
		changed = true // also of files that cannot be told from those before
		v.value = fresh
	}
	v.err = err
	return v.value, changed, err
}

// look gives what is known of the files; one that is not there is nil.
func (v *Value[T]) look() []os.FileInfo {
	found := make([]os.FileInfo, len(v.paths))
	for i, path := range v.paths {
		if info, err := os.Stat(path); path != "" && err == nil {
			found[i] = info
		}
	}
	return found
}

func same(a, b []os.FileInfo) bool {
	for i, info := range a {
		if (info == nil) != (b[i] == nil) {
			return false
		}
		if info != nil && (!os.SameFile(info, b[i]) || !info.ModTime().Equal(b[i].ModTime()) || info.Size() != b[i].Size()) {
			return false
		}
	}
	return true
}
