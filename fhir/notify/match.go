package notify

import (
	"strconv"
	"strings"
	"sync"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/subscription"
)

// known is a subscription as it is worked with.
type known struct {
	version int64
	asked   subscription.Subscription
	private subscription.Private
}

// book keeps what was read of subscriptions, so that each version is read once.
type book struct {
	base string
	mu   sync.Mutex
	read map[string]known
}

// of reads a subscription that is stored.
func (b *book) of(s store.Subscription) (known, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if k, found := b.read[s.ID]; found && k.version == s.Version {
		return k, nil
	}
	k := known{version: s.Version}
	document, err := fhir.Decode(s.Body)
	if err != nil {
		return known{}, err
	}
	defer document.Release()
	if k.asked, err = subscription.Read(document.Root(), b.base, time.Time{}); err != nil {
		return known{}, err
	}
	if k.private, err = subscription.ParsePrivate(s.Private); err != nil {
		return known{}, err
	}
	k.asked.Headers = k.private.Headers
	if len(b.read) > 10_000 { // of deleted ones, mostly
		clear(b.read)
	}
	b.read[s.ID] = k
	return k, nil
}

// match says which subscriptions a version of a score is an event of: those whose
// filters it passes and whose client may see it. What cannot be read is told to
// nobody.
func (w *Worker) match(resource store.Resource, among []store.Subscription, get func(store.Key, int64) (store.Resource, error)) (places []int) {
	document, err := fhir.Decode(resource.Body)
	if err != nil {
		w.options.Logger.Error("a stored score does not decode, and nobody is told of it", "error", err)
		return nil
	}
	defer document.Release()
	root := document.Root()
	score := subscription.Score{
		Patient: w.options.Rights.Patient(root), Status: root.Get("status").Text(),
		Questionnaire: sync.OnceValue(func() string { return formOf(root, w.options.Base, get) }),
	}
	for i, s := range among {
		k, err := w.book.of(s)
		if err != nil {
			w.options.Logger.Error("a stored subscription cannot be read, and is told nothing", "subscription", s.ID, "error", err)
			continue
		}
		if may, _ := w.options.Rights.Permits(k.private.Rights, root); may && subscription.Matches(k.asked.Filters, score) {
			places = append(places, i)
		}
	}
	return places
}

// formOf is the form that was answered, as the response that a score derives from
// names it; "" if that cannot be read.
func formOf(score fhir.Node, base string, get func(store.Key, int64) (store.Resource, error)) string {
	reference, ok := fhir.ParseReference([]byte(strings.TrimPrefix(score.Get("derivedFrom").Get("reference").Text(), base+"/")))
	version, err := strconv.ParseInt(reference.Version, 10, 64)
	if !ok || err != nil || reference.Base != "" {
		return ""
	}
	response, err := get(store.Key{Type: reference.Type, ID: reference.ID}, version)
	if err != nil {
		return ""
	}
	document, err := fhir.Decode(response.Body)
	if err != nil {
		return ""
	}
	defer document.Release()
	return document.Root().Get("questionnaire").Text()
}

// tell makes what a notification says of events. It is judged again, by what the
// client may see now: what it may not, it is given the number of only.
func (w *Worker) tell(events []store.Event, rights []byte, get func(store.Key, int64) (store.Resource, error)) ([]subscription.Event, error) {
	told := make([]subscription.Event, len(events))
	for i, e := range events {
		told[i] = subscription.Event{Number: e.Number, At: e.At, Version: e.Version}
		resource, err := get(e.Key, e.Version)
		if err != nil {
			return nil, err
		}
		document, err := fhir.Decode(resource.Body)
		if err != nil {
			return nil, err
		}
		ofScore, ofResponse := w.options.Rights.Permits(rights, document.Root())
		if ofScore {
			told[i].Focus = e.Key.String()
		}
		response, ok := fhir.ParseReference([]byte(strings.TrimPrefix(document.Root().Get("derivedFrom").Get("reference").Text(), w.options.Base+"/")))
		if ofScore && ofResponse && ok && response.Base == "" {
			response.Version = ""
			told[i].Context = []string{response.String()}
		}
		document.Release()
	}
	return told, nil
}
