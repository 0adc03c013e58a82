package test_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// load is a portal: several senders that create, amend, take back and delete
// responses, repeat what they got no answer to, and keep a ledger of it all.
type load struct {
	seed    uint64
	senders []*sender
}

// sender is one client of the portal, with forms and chance of its own.
type sender struct {
	name   string
	random *rand.Rand
	forms  []*form
	// checked is how many of the forms an audit has seen that will not change.
	checked int
	// surprises are answers that no fault explains.
	surprises []string
}

// campaignSeed is the seed of a test: that of the environment, else a new one. A
// failure prints it. The moves of each sender follow from it; when they meet the
// fault does not.
func campaignSeed(t testing.TB) uint64 {
	t.Helper()
	seed := rand.Uint64()
	if text := os.Getenv("TIDEMARK_CAMPAIGN_SEED"); text != "" {
		var err error
		seed, err = strconv.ParseUint(text, 10, 64)
		require.NoError(t, err, "TIDEMARK_CAMPAIGN_SEED")
	}
	t.Logf("TIDEMARK_CAMPAIGN_SEED=%d", seed)
	return seed
}

// newLoad makes a portal of that many senders.
func newLoad(t testing.TB, senders int) *load {
	l := &load{seed: campaignSeed(t)}
	for i := range senders {
		l.senders = append(l.senders, &sender{
			name: fmt.Sprintf("sender-%d", i), random: rand.New(rand.NewPCG(l.seed, uint64(i))), //nolint:gosec // chance, not secrecy; a small number
		})
	}
	return l
}

// pour lets every sender go on until the context ends, each with the replica
// that falls to it.
func (l *load) pour(ctx context.Context, bases ...string) {
	var pouring sync.WaitGroup
	for i, s := range l.senders {
		pouring.Go(func() {
			for ctx.Err() == nil {
				s.move(ctx, bases[(i+s.random.IntN(len(bases)))%len(bases)])
				time.Sleep(rand.N(thinking))
			}
		})
	}
	pouring.Wait()
}

// thinking is how long a sender takes at most between two moves. Each form is some
// twenty resources at a target of panels, and what waits for it grows no faster
// than it can be delivered.
const thinking = 30 * time.Millisecond

// pourFor pours for a time.
func (l *load) pourFor(d time.Duration, bases ...string) {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	l.pour(ctx, bases...)
}

// settle repeats what has no answer until it has one, but for some that their
// sender gives up on. The server must be well again.
func (l *load) settle(t testing.TB, base string) {
	t.Helper()
	var settling sync.WaitGroup
	for _, s := range l.senders {
		settling.Go(func() {
			for _, f := range s.forms[s.checked:] {
				if f.open == nil || s.random.IntN(5) == 0 {
					continue
				}
				for began := time.Now(); f.open != nil; time.Sleep(20 * time.Millisecond) {
					if s.send(base, f, *f.open); time.Since(began) > patience {
						s.surprises = append(s.surprises, "no answer to a repetition after the fault")
						break
					}
				}
			}
		})
	}
	settling.Wait()
	for _, s := range l.senders {
		require.Empty(t, s.surprises, "seed %d", l.seed)
	}
}

// counts are how many steps were acknowledged and how many forms there are.
func (l *load) counts() (forms, acknowledged, open int) {
	for _, s := range l.senders {
		forms += len(s.forms)
		for _, f := range s.forms {
			acknowledged += len(f.acknowledged)
			if f.open != nil {
				open++
			}
		}
	}
	return forms, acknowledged, open
}

// move makes one move: a new form, or a step of a recent one.
func (s *sender) move(ctx context.Context, base string) {
	f := s.recent()
	if f == nil || s.random.IntN(100) < 50 {
		f = &form{identifier: fmt.Sprintf("%s-%d", s.name, len(s.forms)), next: s.random.IntN(50000)}
		s.forms = append(s.forms, f)
		s.attempt(ctx, base, f, f.content("completed"))
		return
	}
	switch chance := s.random.IntN(100); {
	case chance < 55:
		s.attempt(ctx, base, f, f.content("amended"))
	case chance < 65:
		s.attempt(ctx, base, f, f.content(wrong))
	case chance < 70:
		s.attempt(ctx, base, f, f.content(deleted))
	case chance < 85:
		s.send(base, f, f.last()) // it comes twice
	default:
		s.unreasonable(base, f)
	}
}

// recent is a form of late that may still change, nil if none comes up.
func (s *sender) recent() *form {
	from := max(0, len(s.forms)-20, s.checked)
	if from == len(s.forms) {
		return nil
	}
	if f := s.forms[from+s.random.IntN(len(s.forms)-from)]; !f.over() {
		return f
	}
	return nil
}

// attempt sends a step, and mostly repeats it at once if no answer comes.
func (s *sender) attempt(ctx context.Context, base string, f *form, c content) {
	f.open = &c
	for range 3 {
		if s.send(base, f, c); f.open == nil || ctx.Err() != nil || s.random.IntN(3) == 0 {
			return
		}
		select {
		case <-ctx.Done():
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// request is how a content is sent.
func (f *form) request(base string, c content) (method, url string, body []byte) {
	url = base + "/QuestionnaireResponse"
	switch {
	case c.status == "completed":
		return http.MethodPost, url, c.body(f.identifier, "")
	case c.status == deleted:
		return http.MethodDelete, url + "/" + f.id, nil
	default:
		return http.MethodPut, url + "/" + f.id, c.body(f.identifier, f.id)
	}
}

// send sends a content once and notes what came of it. No answer, or one of a
// server at fault, leaves it open.
func (s *sender) send(base string, f *form, c content) {
	method, url, body := f.request(base, c)
	r, err := call(method, url, body)
	switch {
	case err != nil, r.status >= 500, r.status == http.StatusTooManyRequests:
		return
	case r.status == http.StatusCreated, r.status == http.StatusOK, r.status == http.StatusNoContent:
	default:
		s.surprises = append(s.surprises, fmt.Sprintf("%s of %s is answered %d: %s", method, c.status, r.status, r.body))
		f.open = nil
		return
	}
	s.acknowledge(f, c, r)
}

// acknowledge notes a success. A repetition must be answered as the first time.
func (s *sender) acknowledge(f *form, c content, r reply) {
	f.open = nil
	if c.status == "completed" {
		var created resource
		if err := unmarshal(r.body, &created); err != nil || f.id != "" && f.id != created.ID {
			s.surprises = append(s.surprises, fmt.Sprintf("a create of %s is answered with another id", f.identifier))
		}
		f.id = created.ID
	}
	if n := len(f.acknowledged); n > 0 && f.acknowledged[n-1] == c {
		if c.status != deleted && string(f.answer) != string(r.body) {
			s.surprises = append(s.surprises, fmt.Sprintf("a repetition of %s is answered otherwise", f.identifier))
		}
		return
	}
	f.acknowledged, f.answer = append(f.acknowledged, c), r.body
}

// unreasonable sends what must be refused: an itch beyond the scale, or another
// content under an identifier that is taken.
func (s *sender) unreasonable(base string, f *form) {
	c := f.content("amended")
	body := withItch(c.body(f.identifier, f.id), "11")
	method, url := http.MethodPut, base+"/QuestionnaireResponse/"+f.id
	if s.random.IntN(2) == 0 {
		c.status = "completed"
		method, url, body = http.MethodPost, base+"/QuestionnaireResponse", c.body(f.identifier, "")
	}
	r, err := call(method, url, body)
	switch {
	case err != nil, r.status >= 500, r.status == http.StatusTooManyRequests:
	case r.status < 400:
		s.surprises = append(s.surprises, fmt.Sprintf("%s of what must be refused is answered %d", method, r.status))
	}
	f.refused = append(f.refused, c)
}
