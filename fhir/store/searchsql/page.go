package searchsql

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Statement is the text of a statement and the values bound in it.
type Statement struct {
	Text string
	Args []any
	// Backward says that the rows come in the reverse of the order asked for.
	Backward bool
}

// Row is what a page ends with: a resource and what it is sorted by.
type Row struct {
	store.Resource
	Start  int64
	Status string
}

// RowColumns are what a Row needs beside its resource: Start and Status.
const RowColumns = "r.period_start, coalesce(r.status, '')"

// key is one expression that results are sorted by, and what a row has there.
type key struct {
	expression string
	down       bool
	value      func(Row) string
	// read turns the value of a cursor back.
	read func(string) (any, error)
}

func number(text string) (any, error) { return strconv.ParseInt(text, 36, 64) }
func word(text string) (any, error)   { return text, nil }

var (
	byUpdated = key{expression: "r.last_updated", read: number, value: func(r Row) string { return strconv.FormatInt(Millis(r.LastUpdated), 36) }}
	byStart   = key{expression: "r.period_start", read: number, value: func(r Row) string { return strconv.FormatInt(r.Start, 36) }}
	byStatus  = key{expression: "coalesce(r.status, '')", read: word, value: func(r Row) string { return r.Status }}
	byID      = key{expression: "r.id", read: word, value: func(r Row) string { return r.ID }}
)

// down is a key in descending order.
func (k key) descending() key { k.down = true; return k }

// orders names the key of each order.
var orders = map[store.Sort]key{
	store.ByLastUpdatedDesc: byUpdated.descending(),
	store.ByLastUpdated:     byUpdated,
	store.ByTimeDesc:        byStart.descending(),
	store.ByTime:            byStart,
	store.ByStatusDesc:      byStatus.descending(),
	store.ByStatus:          byStatus,
	store.ByIDDesc:          byID.descending(),
	store.ByID:              byID,
}

// keys are all that a query sorts by, to the id, which no two share.
func keys(query store.Query) ([]key, error) {
	var all []key
	for _, sort := range append([]store.Sort{query.Sort}, query.Then...) {
		k, known := orders[sort]
		if !known {
			return nil, fmt.Errorf("store: no order %d", sort)
		}
		all = append(all, k)
		if k.expression == byID.expression {
			return all, nil
		}
	}
	return append(all, byID), nil
}

// Select gives the statement that reads one page, one row more than the limit.
// The source is the table resource, called r, with whatever is joined to it. It
// fails with store.ErrPage if the page token is not one of this search.
func Select(columns, source string, query store.Query, now time.Time, dialect Dialect) (Statement, error) {
	sorted, err := keys(query)
	if err != nil {
		return Statement{}, err
	}
	where := Conditions(query, now, dialect)
	from := cursor{}
	if query.After != "" {
		if from, err = readCursor(query, len(sorted)); err != nil {
			return Statement{}, err
		}
	}
	if from.Back {
		for i := range sorted {
			sorted[i].down = !sorted[i].down
		}
	}
	if from.Values != nil {
		if err := where.beyond(sorted, from.Values); err != nil {
			return Statement{}, err
		}
	}
	text := "SELECT " + columns + " FROM " + source + " WHERE " + where.String() + " ORDER BY " + orderBy(sorted) +
		" LIMIT " + where.Bind(query.Limit+1)
	return Statement{Text: text, Args: where.Args, Backward: from.Back}, nil
}

// orderBy writes the order of results.
func orderBy(sorted []key) string {
	parts := make([]string, len(sorted))
	for i, k := range sorted {
		parts[i] = k.expression
		if k.down {
			parts[i] += " DESC"
		}
	}
	return strings.Join(parts, ", ")
}

// beyond continues behind the row that has these values: it is behind in the
// first key, or alike there and behind in the second, and so on. That the first
// is not before is said once more by itself, for the sake of the indexes.
func (w *Where) beyond(sorted []key, texts []string) error {
	values := make([]any, len(sorted))
	for i, k := range sorted {
		var err error
		if values[i], err = k.read(texts[i]); err != nil {
			return store.ErrPage
		}
	}
	w.and(sorted[0].expression + " " + sorted[0].beyond() + "= " + w.Bind(values[0]))
	var text strings.Builder
	for i, k := range sorted {
		if i > 0 {
			text.WriteString(" OR (" + sorted[i-1].expression + " = " + w.Bind(values[i-1]) + " AND ")
		}
		text.WriteString("(" + k.expression + " " + k.beyond() + " " + w.Bind(values[i]))
	}
	w.and(text.String() + strings.Repeat(")", 2*len(sorted)-1))
	return nil
}

// beyond is the comparison that holds for what comes later.
func (k key) beyond() string {
	if k.down {
		return "<"
	}
	return ">"
}

// cursor is the place a page begins at. All of it is in the page the client has
// seen already.
type cursor struct {
	// Sorts are those of the search, which must be the same.
	Sorts []store.Sort `json:"s"`
	// Back says that the page ends before the place.
	Back bool `json:"b,omitempty"`
	// Values are those of the row at the place; none is either end.
	Values []string `json:"v,omitempty"`
}

// token writes a cursor as text.
func (c cursor) token() string {
	text, err := json.Marshal(c)
	if err != nil {
		return "" // numbers and texts only: it cannot be
	}
	return base64.RawURLEncoding.EncodeToString(text)
}

// sorts are the orders of a query as a cursor names them.
func sorts(query store.Query) []store.Sort { return append([]store.Sort{query.Sort}, query.Then...) }

// Links sets the places before and behind the rows of a page, which are in the
// order asked for. More says that the statement found a row beyond the limit.
func Links(page *store.Page, query store.Query, first, last Row, backward, more bool) error {
	sorted, err := keys(query)
	if err != nil {
		return err
	}
	at := func(row Row, back bool) string {
		c := cursor{Sorts: sorts(query), Back: back}
		for _, k := range sorted {
			c.Values = append(c.Values, k.value(row))
		}
		return c.token()
	}
	if more && !backward || backward && query.After != EndOf(query) {
		page.Next = at(last, false)
	}
	if more && backward || !backward && query.After != "" {
		page.Prev = at(first, true)
	}
	if page.Next != "" || page.Prev != "" {
		page.Last = EndOf(query)
	}
	return nil
}

// EndOf is the place of the last page.
func EndOf(query store.Query) string { return cursor{Sorts: sorts(query), Back: true}.token() }

// readCursor is the reverse of token, for a search with so many keys.
func readCursor(query store.Query, count int) (cursor, error) {
	var c cursor
	text, err := base64.RawURLEncoding.DecodeString(query.After)
	if err != nil || json.Unmarshal(text, &c) != nil {
		return cursor{}, store.ErrPage
	}
	if !slices.Equal(c.Sorts, sorts(query)) || c.Values != nil && len(c.Values) != count || c.Values == nil && !c.Back {
		return cursor{}, store.ErrPage
	}
	return c, nil
}
