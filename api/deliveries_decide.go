package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// decisionPage is how many deliveries one transaction decides about, so that
// submissions need not wait for the end of it all.
const decisionPage = 200

// maxReason is the longest reason, in bytes.
const maxReason = 500

// retry releases what is parked; what was given up only by its resource, for
// that was a decision too. A copy that differs is written again only by its
// resource or by how it differs, for it may be what the hospital wants.
func (a *DeliveriesAdmin) retry(ctx context.Context, request *http.Request, d *Decision) (changed int, err error) {
	query, err := d.aimed("retry")
	if err != nil {
		return 0, err
	}
	if query.States = []store.DeliveryState{store.Parked}; d.Resource != "" {
		query.States = append(query.States, store.Dropped)
	}
	if d.Resource != "" || d.Fault != "" {
		query.States = append(query.States, store.Differs)
	}
	event := a.event(request, d.written("retry"))
	err = a.server.raw.Write(ctx, nil, func(tx store.Tx) (err error) {
		if changed, err = tx.Release(query); err != nil {
			return err
		}
		return tx.Audit(entryOf(&event))
	})
	return changed, err
}

// aimed refuses a decision about whatever there is.
func (d *Decision) aimed(name string) (store.DeliveryQuery, error) {
	if d.Target == "" && d.Resource == "" && d.Fault == "" {
		return store.DeliveryQuery{}, fail(http.StatusBadRequest, fhir.IssueRequired, "Say what to "+name+": a target, a resource or a fault.")
	}
	if d.Since != "" {
		return store.DeliveryQuery{}, fail(http.StatusBadRequest, fhir.IssueNotSupported, "since is only for want.")
	}
	return d.selected()
}

// drop gives up what is parked. Each delivery is on record by itself, with whose
// score it is.
func (a *DeliveriesAdmin) drop(ctx context.Context, request *http.Request, d *Decision) (dropped int, err error) {
	query, err := d.aimed("drop")
	if err != nil {
		return 0, err
	}
	if d.Reason = strings.TrimSpace(d.Reason); d.Reason == "" || len(d.Reason) > maxReason {
		return 0, fail(http.StatusBadRequest, fhir.IssueRequired, "Give a reason of up to 500 bytes. It is kept and senders read it, so it must say nothing about a patient.")
	}
	query.States, query.Limit = []store.DeliveryState{store.Parked}, decisionPage
	for {
		page, err := a.server.raw.Deliveries(ctx, query)
		if err != nil {
			return dropped, err
		}
		changed := 0
		err = a.server.raw.Write(ctx, nil, func(tx store.Tx) error {
			changed = 0
			for _, each := range page.Deliveries {
				n, err := a.dropOne(tx, request, d, each)
				if err != nil {
					return err
				}
				changed += n
			}
			return nil
		})
		if err != nil {
			return dropped, err
		}
		dropped += changed
		if query.After = page.Next; query.After == "" {
			return dropped, nil
		}
	}
}

// dropOne gives one delivery up and puts that on record.
func (a *DeliveriesAdmin) dropOne(tx store.Tx, request *http.Request, d *Decision, each store.Delivery) (int, error) {
	n, err := tx.Drop(store.DeliveryQuery{Target: each.Target, Keys: []store.Key{each.Key}, Member: &each.Member, Fault: d.Fault}, d.Reason)
	if err != nil || n == 0 {
		return n, err
	}
	score, err := tx.Get(each.Key)
	if err != nil {
		return 0, err
	}
	event := a.event(request, (&Decision{Target: each.Target, Member: &each.Member, Reason: d.Reason}).written("drop"))
	event.Entity = versioned(store.Resource{Key: each.Key, Version: each.Wanted})
	if event.Patient, _, err = a.server.compartment(score.Body); err != nil {
		return 0, err
	}
	return n, tx.Audit(entryOf(&event))
}

// want lets a target want every score that is stored, as one that was added
// later does. Those taken back are wanted so too: a target that never had one is
// sent nothing.
func (a *DeliveriesAdmin) want(ctx context.Context, request *http.Request, d *Decision) (wanted int, err error) {
	targets := a.server.options.Targets
	at := slices.IndexFunc(targets, func(t Target) bool { return t.Name == d.Target })
	if at < 0 {
		return 0, fail(http.StatusBadRequest, fhir.IssueValue, "target is one of those configured: "+strings.Join(a.server.metrics.targets, ", ")+".")
	}
	if d.Resource != "" || d.Member != nil || d.Fault != "" || d.Reason != "" {
		return 0, fail(http.StatusBadRequest, fhir.IssueNotSupported, "want takes target and since only.")
	}
	query := store.Query{Type: "Observation", Sort: store.ByID, Limit: decisionPage}
	if d.Since != "" {
		low, high, err := searchDate(d.Since)
		if err != nil {
			return 0, badParam("since", "a date, as 2026-03-04")
		}
		query.Times = []store.TimeRange{{Prefix: store.GreaterOrEqual, Low: low, High: high}}
	}
	event := a.event(request, d.written("want"))
	for {
		var page store.Page
		err := a.server.raw.Write(ctx, nil, func(tx store.Tx) (err error) {
			if query.After == "" {
				if err := tx.Audit(entryOf(&event)); err != nil {
					return err
				}
			}
			if page, err = tx.Search(query); err != nil {
				return err
			}
			return wantPage(tx, targets[at], page.Resources)
		})
		if err != nil {
			return wanted, err
		}
		wanted += len(page.Resources)
		if query.After = page.Next; query.After == "" {
			return wanted, nil
		}
	}
}

func wantPage(tx store.Tx, target Target, scores []store.Resource) error {
	for _, score := range scores {
		document, err := fhir.Decode(score.Body)
		if err != nil {
			return &fault{"a stored Observation does not decode", err}
		}
		back := document.Root().Get("status").Is(retracted)
		err = target.want(tx, score, back, func() []string { return observation.PartsOf(document.Root()) })
		document.Release()
		if err != nil {
			return err
		}
	}
	return nil
}

// event is the record of a decision.
func (a *DeliveriesAdmin) event(request *http.Request, query string) audit.Event {
	e := administered(a.server.options.BaseURL, request, "operation")
	e.Query = query
	return e
}
