package api

import (
	"context"

	"golang.org/x/sync/errgroup"

	"tidemark.example/tidemark/fhir/store"
)

// ahead is for how many results of each worker there is room while an earlier one
// is waited for.
const ahead = 4

// scoresOf lists every stored score.
func scoresOf(s store.Store) func(context.Context, func(store.Resource) error) error {
	return func(ctx context.Context, visit func(store.Resource) error) error {
		return s.Each(ctx, "Observation", visit)
	}
}

// inOrder works on resources side by side and visits the results in the order of
// the resources, in flat memory. The first error ends it.
func inOrder[T any](ctx context.Context, workers int, each func(context.Context, func(store.Resource) error) error,
	work func(context.Context, store.Resource) (T, error), visit func(T) error) error {
	group, ctx := errgroup.WithContext(ctx)
	type task struct {
		resource store.Resource
		result   chan T
	}
	tasks, results := make(chan task), make(chan chan T, ahead*workers)
	group.Go(func() error {
		defer close(results)
		defer close(tasks)
		return each(ctx, func(r store.Resource) error {
			t := task{r, make(chan T, 1)}
			if !offer(ctx, results, t.result) || !offer(ctx, tasks, t) {
				return ctx.Err()
			}
			return nil
		})
	})
	for range workers {
		group.Go(func() error {
			for t := range tasks {
				result, err := work(ctx, t.resource)
				if err != nil {
					return err
				}
				t.result <- result
			}
			return nil
		})
	}
	group.Go(func() error {
		for result := range results {
			select {
			case r := <-result:
				if err := visit(r); err != nil {
					return err
				}
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	return group.Wait()
}

// offer sends unless the context ends first.
func offer[T any](ctx context.Context, to chan<- T, value T) bool {
	select {
	case to <- value:
		return true
	case <-ctx.Done():
		return false
	}
}
