package groupcommit_test

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"sync"

	"tidemark.example/tidemark/fhir/store/groupcommit"
)

// errBroken is what a fake database answers when a test breaks it.
var errBroken = errors.New("broken")

// fake is a database of one list. What is in kept is on disk.
type fake struct {
	mu     sync.Mutex
	kept   []string
	locked [][]string
	begun  int
	ended  int
	// broken says whether a step fails: it is asked with the name of the step
	// and the number of the transaction, counting from 1.
	broken func(step string, transaction int) bool
	// fault is the error of what is broken; nil means errBroken.
	fault error
}

// fail is the error of a step, nil if it works.
func (f *fake) fail(step string, transaction int) error {
	if f.broken != nil && f.broken(step, transaction) {
		return cmp.Or(f.fault, errBroken)
	}
	return nil
}

func (f *fake) Begin(_ context.Context, ahead groupcommit.Ahead) (groupcommit.Batch[*list], error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.begun++
	f.locked = append(f.locked, slices.Clone(ahead.Keys))
	if err := f.fail("begin", f.begun); err != nil {
		f.ended++
		return nil, err
	}
	return &fakeBatch{fake: f, number: f.begun, list: &list{}}, nil
}

// open is the number of transactions neither committed nor rolled back.
func (f *fake) open() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.begun - f.ended
}

// contents is what is on disk.
func (f *fake) contents() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.kept)
}

// list is what jobs work with.
type list struct{ items []string }

// add appends an item.
func (l *list) add(item string) { l.items = append(l.items, item) }

// adding is a job that adds an item.
func adding(item string) func(*list) error {
	return func(l *list) error { l.add(item); return nil }
}

type fakeBatch struct {
	fake   *fake
	number int
	list   *list
	mark   int
	ended  bool
}

func (b *fakeBatch) Tx() *list { return b.list }

func (b *fakeBatch) Savepoint() error {
	b.mark = len(b.list.items)
	return b.fake.fail("savepoint", b.number)
}

func (b *fakeBatch) Release() error { return b.fake.fail("release", b.number) }

func (b *fakeBatch) RollbackTo() error {
	b.list.items = b.list.items[:b.mark]
	return b.fake.fail("rollback to", b.number)
}

func (b *fakeBatch) Flush() error { return b.fake.fail("flush", b.number) }

func (b *fakeBatch) Commit() error {
	if err := b.fake.fail("commit", b.number); err != nil {
		return err
	}
	b.end(b.list.items)
	return nil
}

func (b *fakeBatch) Rollback() error {
	b.end(nil)
	return b.fake.fail("rollback", b.number)
}

func (b *fakeBatch) end(items []string) {
	b.fake.mu.Lock()
	defer b.fake.mu.Unlock()
	b.fake.kept = append(b.fake.kept, items...)
	if !b.ended {
		b.fake.ended++
	}
	b.ended = true
}
