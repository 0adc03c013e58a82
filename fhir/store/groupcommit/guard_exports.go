package groupcommit

import (
	"errors"

	"tidemark.example/tidemark/fhir/store"
)

func (g *guard) StartExport(export store.Export) (store.Export, error) {
	if err := g.open(); err != nil {
		return store.Export{}, err
	}
	started, err := g.tx.StartExport(export)
	return started, g.wrote(err)
}

func (g *guard) Exports(owner string) (int, error) {
	if err := g.open(); err != nil {
		return 0, err
	}
	return g.tx.Exports(owner)
}

func (g *guard) Export(id string) (store.Export, error) {
	if err := g.open(); err != nil {
		return store.Export{}, err
	}
	return g.tx.Export(id)
}

func (g *guard) DeleteExport(id string) error {
	if err := g.open(); err != nil {
		return err
	}
	err := g.tx.DeleteExport(id)
	if errors.Is(err, store.ErrNotFound) {
		return err // an answer, as for Delete
	}
	return g.wrote(err)
}
