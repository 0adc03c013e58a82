package searchsql

import (
	"encoding/base64"
	"encoding/json"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir/store"
)

// deliveryTargets are the targets that there are deliveries to, found by as many
// steps in the index as there are of them, not by reading every delivery.
const deliveryTargets = `WITH RECURSIVE known (target) AS (
	SELECT min(target) FROM %s
	UNION ALL SELECT (SELECT min(o.target) FROM %s o WHERE o.target > known.target) FROM known WHERE known.target IS NOT NULL)
	SELECT target FROM known WHERE target IS NOT NULL`

// Deliveries is a table of deliveries as a statement names it.
type Deliveries struct {
	Dialect
	// Table is its name.
	Table string
	// Now writes the time of the store, for leases that have run out.
	Now func(*Where) string
	// Before are the values that the statement has bound already.
	Before []any
}

// Where gives the condition of a query; the columns of the table need no prefix.
// It fails with store.ErrPage if After is not a page of a list.
func (d Deliveries) Where(query store.DeliveryQuery) (*Where, error) {
	w := &Where{dialect: d.Dialect, Args: slices.Clone(d.Before)}
	w.text.WriteString("1 = 1")
	switch {
	case query.Target != "":
		w.and("target = " + w.Bind(query.Target))
	case query.Keys != nil:
		// All of a resource's deliveries are found by their key, which begins with
		// the target.
		w.and("target IN (" + strings.ReplaceAll(deliveryTargets, "%s", d.Table) + ")")
	}
	if query.Keys != nil {
		w.and("rid IN (" + w.rids(query.Keys) + ")")
	}
	if query.Member != nil {
		w.and("member = " + w.Bind(*query.Member))
	}
	if query.States != nil {
		states := []string{"1 = 0"}
		for _, state := range query.States {
			states = append(states, d.state(w, state))
		}
		w.and("(" + strings.Join(states, " OR ") + ")")
	}
	if query.Fault != "" {
		w.and("fault = " + w.Bind(query.Fault))
	}
	if query.After == "" {
		return w, nil
	}
	var after deliveryPlace
	text, err := base64.RawURLEncoding.DecodeString(query.After)
	if err != nil || json.Unmarshal(text, &after) != nil {
		return nil, store.ErrPage
	}
	target := w.Bind(after.Target)
	rid := w.rids([]store.Key{{Type: after.Type, ID: after.ID}})
	w.and("(target, rid, member) > (" + target + ", (" + rid + "), " + w.Bind(after.Member) + ")")
	return w, nil
}

// rids finds the rows of resources.
func (w *Where) rids(keys []store.Key) string {
	ids := map[string][]string{}
	var types []string
	for _, key := range keys {
		if ids[key.Type] == nil {
			types = append(types, key.Type)
		}
		ids[key.Type] = append(ids[key.Type], key.ID)
	}
	any := []string{"1 = 0"}
	for _, kind := range types {
		bound := w.Bind(kind)
		any = append(any, "r.type = "+bound+" AND r.id IN ("+w.list(ids[kind])+")")
	}
	return "SELECT r.rid FROM resource r WHERE " + strings.Join(any[min(1, len(types)):], " OR ")
}

// state is the condition of one state, as Delivery.State judges it. What is
// pending or in doubt stands in an index.
func (d Deliveries) state(w *Where, state store.DeliveryState) string {
	const behind = "(wanted <> delivered OR in_doubt = 1)"
	switch state {
	case store.Dropped:
		return "(" + behind + " AND parked = 1 AND dropped = wanted)"
	case store.Parked:
		return "(" + behind + " AND parked = 1 AND dropped <> wanted)"
	case store.InDoubt:
		return "(" + behind + " AND parked = 0 AND " + d.doubt(w) + ")"
	case store.Pending:
		return "(" + behind + " AND parked = 0 AND NOT " + d.doubt(w) + ")"
	case store.Differs:
		return "(wanted = delivered AND in_doubt = 0 AND fault > '')"
	case store.Delivered:
		return "(wanted = delivered AND in_doubt = 0 AND fault = '')"
	}
	return "1 = 0"
}

func (d Deliveries) doubt(w *Where) string {
	return "(in_doubt = 1 OR (begun = 1 AND lease_until <= " + d.Now(w) + "))"
}

// deliveryPlace is the delivery that a page ends with.
type deliveryPlace struct {
	Target string `json:"t"`
	Type   string `json:"r"`
	ID     string `json:"i"`
	Member string `json:"m,omitempty"`
}

// DeliveryOrder is the order of lists.
const DeliveryOrder = " ORDER BY target, rid, member"

// DeliveryPage cuts what was found, one more than the limit where there is more,
// to a page.
func DeliveryPage(found []store.Delivery, limit, total int) store.DeliveryPage {
	page := store.DeliveryPage{Total: total}
	if len(found) > 0 {
		page.Deliveries = found[:min(len(found), limit)]
	}
	if len(found) > limit && limit > 0 {
		last := found[limit-1]
		text, err := json.Marshal(deliveryPlace{last.Target, last.Key.Type, last.Key.ID, last.Member})
		if err == nil { // texts only: it cannot be otherwise
			page.Next = base64.RawURLEncoding.EncodeToString(text)
		}
	}
	return page
}
