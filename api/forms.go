package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// Times of the registry: how often it looks for what other processes on the
// database registered, how soon an unknown form may make it look again, and how
// long a look may take.
const (
	FormsPoll      = 30 * time.Second
	formsPause     = time.Second
	formsTimeout   = 5 * time.Second
	versionsAtOnce = 100
)

// Forms are the forms that responses are read by: the published ones and those
// that an operator registered, which the store keeps. What is read by is a
// catalog that never changes and is swapped whole.
type Forms struct {
	store   store.Store
	catalog atomic.Pointer[questionnaire.Catalog]
	// loading keeps two loads from overtaking each other; known holds the forms
	// of stored versions, so that none is mapped twice.
	loading sync.Mutex
	known   map[storedVersion]*questionnaire.Form
	looked  atomic.Int64
	now     func() time.Time
}

type storedVersion struct {
	store.Key
	version int64
}

// NewForms holds the published forms; Load adds those that are stored.
func NewForms(s store.Store) *Forms {
	f := &Forms{store: s, known: map[storedVersion]*questionnaire.Form{}, now: time.Now}
	f.catalog.Store(questionnaire.Ours())
	return f
}

// Catalog is what responses are read by at the moment.
func (f *Forms) Catalog() *questionnaire.Catalog { return f.catalog.Load() }

// Read reads a response as questionnaire.Read does, by the published forms and
// the registered ones. Every response that comes in goes through here. A form
// that is not known may have been registered at another process a moment ago.
func (f *Forms) Read(root fhir.Node) (questionnaire.Response, error) {
	catalog := f.Catalog()
	response, err := catalog.Read(root)
	named := root.Get("questionnaire")
	if err == nil || !named.Exists() || f.store == nil {
		return response, err
	}
	if _, known := catalog.Form(named.Text()); known || !f.look() {
		return response, err
	}
	return f.Catalog().Read(root)
}

// look loads again, unless that was done within the last moment, whatever is
// asked for: unknown forms must not keep the database busy.
func (f *Forms) look() bool {
	now, last := f.now().UnixNano(), f.looked.Load()
	if now-last < int64(formsPause) || !f.looked.CompareAndSwap(last, now) {
		return false
	}
	ctx, cancel := context.WithTimeout(context.Background(), formsTimeout)
	defer cancel()
	return f.Load(ctx) == nil
}

// Run keeps up with other processes on the database until the context ends.
func (f *Forms) Run(ctx context.Context, every time.Duration, logger *slog.Logger) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			if err := f.Load(ctx); err != nil && ctx.Err() == nil {
				logger.Error("registered forms could not be read; those known stay in use", "error", err)
			}
		}
	}
}

// Load takes every version of every stored form into the catalog, the ones that
// are no longer current too, since responses to them are stored.
func (f *Forms) Load(ctx context.Context) error {
	f.loading.Lock()
	defer f.loading.Unlock()
	var forms []*questionnaire.Form
	err := f.store.Each(ctx, "Questionnaire", func(current store.Resource) error {
		versions, err := f.versions(ctx, current.Key)
		forms = append(forms, versions...)
		return err
	})
	if err != nil {
		return fmt.Errorf("api: loading registered forms: %w", err)
	}
	catalog, err := questionnaire.Ours().With(forms...)
	if err != nil {
		return fmt.Errorf("api: loading registered forms: %w", err)
	}
	f.catalog.Store(catalog)
	return nil
}

// versions gives the forms kept under one id, oldest first, each business
// version as it was last stored.
func (f *Forms) versions(ctx context.Context, key store.Key) ([]*questionnaire.Form, error) {
	var forms []*questionnaire.Form
	seen := map[string]bool{}
	for before, more := int64(0), true; more; {
		page, err := f.store.History(ctx, key, before, versionsAtOnce)
		if err != nil {
			return nil, err
		}
		for _, stored := range page {
			before = stored.Version
			if stored.Deleted {
				continue
			}
			form, err := f.form(stored)
			if err != nil {
				return nil, err
			}
			if !seen[form.Canonical] {
				seen[form.Canonical] = true
				forms = append([]*questionnaire.Form{form}, forms...)
			}
		}
		more = len(page) == versionsAtOnce
	}
	return forms, nil
}

func (f *Forms) form(stored store.Resource) (*questionnaire.Form, error) {
	at := storedVersion{stored.Key, stored.Version}
	if form, ok := f.known[at]; ok {
		return form, nil
	}
	form, err := questionnaire.Map(stored.Body, scoring.Optional[scoring.Rater]{})
	if err != nil {
		return nil, fmt.Errorf("%s, version %d: %w", stored.Key, stored.Version, err)
	}
	f.known[at] = form
	return form, nil
}

// registered lists the forms that are not our own.
func (f *Forms) registered() []*questionnaire.Form {
	var forms []*questionnaire.Form
	for _, form := range f.Catalog().Forms() {
		if form.Ours != form {
			forms = append(forms, form)
		}
	}
	return forms
}

// current is what a registered form's id is answered with: its newest active
// version, else its newest.
func (f *Forms) current(id string) (*questionnaire.Form, bool) {
	for _, form := range f.registered() {
		if form.ID == id {
			return f.Catalog().Form(form.URL)
		}
	}
	return nil, false
}

// errNoForm says that no form of the id is registered.
var errNoForm = errors.Join(store.ErrNotFound, errors.New("api: no such form is registered"))
