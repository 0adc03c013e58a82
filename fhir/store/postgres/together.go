package postgres

import (
	"context"
	"sync"
)

// together asks a question of many callers at once: those who come while an answer
// is awaited share the next trip to the server. A caller that is alone waits for
// nobody.
type together[Q, A any] struct {
	// ask gives the answers in the order of the questions.
	ask func(questions []Q) ([]A, error)

	mu      sync.Mutex
	waiting []*question[Q, A]
	asking  bool
}

// question is one on its way; what is answered is there once done is closed.
type question[Q, A any] struct {
	what   Q
	answer A
	err    error
	done   chan struct{}
}

// one asks one question.
func (t *together[Q, A]) one(ctx context.Context, what Q) (answer A, err error) {
	if err := ctx.Err(); err != nil {
		return answer, err
	}
	q := &question[Q, A]{what: what, done: make(chan struct{})}
	t.mu.Lock()
	t.waiting = append(t.waiting, q)
	if !t.asking {
		t.asking = true
		go t.run()
	}
	t.mu.Unlock()
	select {
	case <-q.done:
		return q.answer, q.err
	case <-ctx.Done():
		return answer, ctx.Err()
	}
}

// run asks until nobody waits.
func (t *together[Q, A]) run() {
	for all := t.take(); len(all) > 0; all = t.take() {
		answers, err := t.ask(column(all, func(q **question[Q, A]) Q { return (*q).what }))
		for i, q := range all {
			if q.err = err; err == nil {
				q.answer = answers[i]
			}
			close(q.done)
		}
	}
}

// take gives those who wait; where there are none, the next caller begins again.
func (t *together[Q, A]) take() []*question[Q, A] {
	t.mu.Lock()
	defer t.mu.Unlock()
	all := t.waiting
	t.waiting, t.asking = nil, len(all) > 0
	return all
}
