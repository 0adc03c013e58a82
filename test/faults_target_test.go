package test_test

import (
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// fault begins something that the rig ends by heal; what is begun may go on by
// itself until stop is closed.
type fault func(r *rig, random *rand.Rand, stop <-chan struct{})

// targetFaults are what a hospital and the way to it do, by name.
var targetFaults = map[string]fault{
	"target down":                   func(r *rig, _ *rand.Rand, _ <-chan struct{}) { r.cut() },
	"target down and up":            flapping,
	"target slow":                   toxic("latency", `{"latency":300,"jitter":280}`),
	"target at 2 kB/s":              toxic("bandwidth", `{"rate":2}`),
	"target silent":                 toxic("timeout", `{"timeout":0}`),
	"target resetting":              toxic("reset_peer", `{"timeout":3}`),
	"target answering half":         toxic("limit_data", `{"bytes":400}`),
	"target answering byte by byte": toxic("slicer", `{"average_size":40,"size_variation":20,"delay":2000}`),
	"429 with Retry-After":          misbehaving(sandbox.Refuse(429, "1")),
	"409":                           misbehaving(sandbox.Refuse(409, ""), sandbox.FailAfterWrite(409)),
	"412":                           misbehaving(sandbox.Refuse(412, "")),
	"500, 502, 503, 504":            misbehaving(sandbox.Refuse(500, ""), sandbox.Refuse(502, ""), sandbox.Refuse(503, "1"), sandbox.Refuse(504, "")),
	"5xx after it was done":         misbehaving(sandbox.FailAfterWrite(500), sandbox.FailAfterWrite(502), sandbox.FailAfterWrite(503), sandbox.FailAfterWrite(504)),
	"answers lost":                  misbehaving(sandbox.Lost(true), sandbox.Lost(false)),
	"HTML instead of JSON":          misbehaving(sandbox.HTML()),
	"a body that never ends":        endless,
	"DNS gone":                      forgotten,
	"clock jumping":                 jumping,
	"clock jumping, answers lost":   both(jumping, misbehaving(sandbox.Lost(true), sandbox.Lost(false))),
	"clock ahead, then corrected":   both(ahead, misbehaving(sandbox.Lost(true), sandbox.Refuse(503, ""))),
}

// toxic is one of toxiproxy's on the way back.
func toxic(kind, attributes string) fault {
	return func(r *rig, _ *rand.Rand, _ <-chan struct{}) { r.toxic(kind, attributes) }
}

// both are two faults at once.
func both(one, other fault) fault {
	return func(r *rig, random *rand.Rand, stop <-chan struct{}) {
		var all sync.WaitGroup
		second := rand.New(rand.NewPCG(random.Uint64(), 0)) //nolint:gosec // chance, not secrecy
		all.Go(func() { one(r, random, stop) })
		all.Go(func() { other(r, second, stop) })
		all.Wait()
	}
}

// every does something at random instants until it is told to stop.
func every(least time.Duration, random *rand.Rand, stop <-chan struct{}, do func()) {
	for {
		select {
		case <-stop:
			return
		case <-time.After(least + rand.N(least)):
			do()
		}
	}
}

// flapping takes the target down and up again.
func flapping(r *rig, random *rand.Rand, stop <-chan struct{}) {
	every(10*time.Millisecond, random, stop, func() {
		r.cut()
		time.Sleep(time.Duration(random.IntN(30)) * time.Millisecond)
		r.mended()
	})
}

// misbehaving lets every other request meet one of the faults.
func misbehaving(faults ...sandbox.Fault) fault {
	return func(r *rig, random *rand.Rand, _ <-chan struct{}) {
		var mu sync.Mutex
		r.troubled(func(h *hospital, _ http.ResponseWriter, _ *http.Request) bool {
			mu.Lock()
			defer mu.Unlock()
			if random.IntN(2) == 0 {
				h.Misbehave(faults[random.IntN(len(faults))])
			}
			return false
		})
	}
}

// endless lets every other answer go on for ever, before or after it was done:
// of white space, which JSON allows, as fast as it is read.
func endless(r *rig, random *rand.Rand, _ <-chan struct{}) {
	var mu sync.Mutex
	r.troubled(func(h *hospital, w http.ResponseWriter, request *http.Request) bool {
		mu.Lock()
		spoilt, done := random.IntN(2) == 0, random.IntN(2) == 0
		mu.Unlock()
		if !spoilt {
			return false
		}
		if done {
			h.ServeHTTP(httptest.NewRecorder(), request)
		}
		w.Header().Set("Content-Type", "application/fhir+json")
		spaces := make([]byte, 64<<10)
		for i := range spaces {
			spaces[i] = ' '
		}
		for request.Context().Err() == nil {
			if _, err := w.Write(spaces); err != nil {
				break
			}
		}
		return true
	})
}

// slowly lets every answer take a while, so that something is always under way.
func slowly(http.ResponseWriter, *http.Request) bool {
	time.Sleep(time.Duration(rand.IntN(40)) * time.Millisecond)
	return false
}

// forgotten lets the hospital's name go, and every connection with it.
func forgotten(r *rig, random *rand.Rand, stop <-chan struct{}) {
	r.names.gone.Store(true)
	every(20*time.Millisecond, random, stop, r.transport.CloseIdleConnections)
}

// jumping puts the clock forward and back: by seconds, by a minute, or by hours.
// Hours are more than store.MaxWait, since a wait that is measured just before the clock
// is put right, and recorded just after, is known as one of before by its length only.
func jumping(r *rig, random *rand.Rand, stop <-chan struct{}) {
	every(10*time.Millisecond, random, stop, func() {
		by := []time.Duration{
			time.Duration(random.Int64N(int64(2 * time.Second))), time.Duration(random.Int64N(int64(time.Minute))),
			store.MaxWait + time.Hour + time.Duration(random.Int64N(int64(3*time.Hour))),
		}[random.IntN(3)]
		if random.IntN(2) == 0 {
			by = -by
		}
		r.clock.ahead(by)
	})
}

// ahead puts the clock forward by a day; what heals the rig puts it right.
func ahead(r *rig, _ *rand.Rand, _ <-chan struct{}) { r.clock.ahead(24 * time.Hour) }

// TestFaultsOfTheTarget lets each fault come while the portal pours, and go.
func TestFaultsOfTheTarget(t *testing.T) {
	t.Parallel()
	for name, begin := range targetFaults {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r, l := newRig(t), newLoad(t, 3)
			random := rand.New(rand.NewPCG(l.seed, 99)) //nolint:gosec // chance, not secrecy
			for range cycles(t, 1, 20) {
				l.pourFor(100*time.Millisecond, r.base)
				stop := make(chan struct{})
				var going sync.WaitGroup
				going.Go(func() { begin(r, random, stop) })
				l.pourFor(600*time.Millisecond, r.base)
				close(stop)
				going.Wait()
				r.heal()
			}
			r.holds(l)
		})
	}
}
