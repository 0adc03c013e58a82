// Package searchsql turns a store.Query into the conditions of an SQL statement
// over the tables resource, token and number, which both databases have alike.
// Values are always bound, never written into the text.
package searchsql

import (
	"strconv"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// The bounds of an open period, in milliseconds: before and after every date
// that FHIR can write (year 0001 to 9999).
const (
	MinMillis int64 = -1 << 62
	MaxMillis int64 = 1 << 62
)

// Dialect is what the databases write differently.
type Dialect struct {
	// Numbered placeholders are written $1, $2 rather than ?.
	Numbered bool
}

// Where is the condition of a query and the values bound in it.
type Where struct {
	dialect Dialect
	text    strings.Builder
	// Args are the values of the placeholders, in order.
	Args []any
}

// Conditions gives the condition on the table resource, which must be called r
// in the statement. Now is the store's clock, for approximate dates.
func Conditions(query store.Query, now time.Time, dialect Dialect) *Where {
	w := &Where{dialect: dialect}
	w.text.WriteString("r.type = ")
	w.bind(query.Type)
	w.text.WriteString(" AND r.deleted = 0")
	w.oneOf("r.id", query.IDs)
	w.oneOf("r.patient", query.Patients)
	w.oneOf("r.status", query.Statuses)
	if len(query.NotStatuses) > 0 {
		w.and("coalesce(r.status, '') NOT IN (" + w.list(query.NotStatuses) + ")")
	}
	for _, times := range query.Times {
		w.and("r.period_end IS NOT NULL")
		w.period(times, now, "r.period_start", "r.period_end")
	}
	for _, times := range query.LastUpdated {
		w.period(times, now, "r.last_updated", "r.last_updated")
	}
	w.limits(query.Limits)
	begun := len(query.IDs) > 0 || len(query.Patients) > 0 || len(query.Limits) == 1 && query.Limits[0].Patient != ""
	for _, token := range query.Tokens {
		if token.Rare && !token.Not && !begun && len(token.Values) > 0 {
			w.begin(token)
			begun = true
		}
		w.and(w.token(token))
	}
	for _, number := range query.Numbers {
		w.number(number)
	}
	return w
}

// String is the text of the condition.
func (w *Where) String() string { return w.text.String() }

// Bind adds a value and gives its placeholder.
func (w *Where) Bind(value any) string {
	w.Args = append(w.Args, value)
	if w.dialect.Numbered {
		return "$" + strconv.Itoa(len(w.Args))
	}
	return "?"
}

// And adds a further condition.
func (w *Where) And(condition string) { w.and(condition) }

func (w *Where) and(condition string) {
	w.text.WriteString(" AND ")
	w.text.WriteString(condition)
}

// bind writes the placeholder of a value.
func (w *Where) bind(value any) { w.text.WriteString(w.Bind(value)) }

// oneOf asks for a column to have one of the values, if any are given.
func (w *Where) oneOf(column string, values []string) {
	if len(values) > 0 {
		w.and(column + " IN (" + w.list(values) + ")")
	}
}

// list binds values and gives their placeholders, separated by commas.
func (w *Where) list(values []string) string {
	marks := make([]string, len(values))
	for i, value := range values {
		marks[i] = w.Bind(value)
	}
	return strings.Join(marks, ", ")
}

// begin lets a search begin with the resources that have a rare value, in any
// version. Asked by EXISTS alone, SQLite tries every resource of the type.
func (w *Where) begin(token store.TokenQuery) {
	param := w.Bind(token.Param)
	w.and("r.rid IN (SELECT b.rid FROM token b WHERE b.param = " + param + " AND b.value IN (" + w.list(token.Values) + "))")
}

// limits keeps to what the asker may see; nil sees everything.
func (w *Where) limits(limits []store.Limit) {
	if limits == nil {
		return
	}
	any := make([]string, len(limits))
	for i, limit := range limits {
		all := []string{"1 = 1"}
		if limit.Patient != "" {
			all[0] = "r.patient = " + w.Bind(limit.Patient)
		}
		for _, token := range limit.Tokens {
			all = append(all, w.token(token))
		}
		any[i] = strings.Join(all, " AND ")
	}
	if len(any) == 0 {
		any = []string{"1 = 0"}
	}
	w.and("(" + strings.Join(any, " OR ") + ")")
}

// token is the condition for a value of a token parameter. No values at all:
// nothing has one of them, and everything has none.
func (w *Where) token(token store.TokenQuery) string {
	if len(token.Values) == 0 {
		if !token.Not {
			return "1 = 0"
		}
		return "1 = 1"
	}
	exists := "EXISTS"
	if token.Not {
		exists = "NOT EXISTS"
	}
	param := w.Bind(token.Param)
	return exists + " (SELECT 1 FROM token t WHERE t.param = " + param + " AND t.value IN (" + w.list(token.Values) +
		") AND t.rid = r.rid AND t.version = r.version)"
}

// number asks for a value of a quantity parameter in any of the ranges, or in
// none of them.
func (w *Where) number(number store.NumberQuery) {
	exists := "EXISTS"
	if number.Not {
		exists = "NOT EXISTS"
	}
	ranges := make([]string, len(number.Any))
	for i, each := range number.Any {
		ranges[i] = w.numberRange(each)
	}
	if len(ranges) == 0 {
		ranges = []string{"1 = 0"}
	}
	w.and(exists + " (SELECT 1 FROM number n WHERE n.rid = r.rid AND n.version = r.version AND (" +
		strings.Join(ranges, " OR ") + "))")
}

// numberRange is the condition of one range. What begins with a text that ends
// in a bar lies between it and the same with the character behind the bar.
func (w *Where) numberRange(number store.NumberRange) string {
	var param string
	if prefix, open := strings.CutSuffix(number.Param, "|"); open {
		param = "n.param > " + w.Bind(number.Param) + " AND n.param < " + w.Bind(prefix+"}")
	} else {
		param = "n.param = " + w.Bind(number.Param)
	}
	low, high := w.Bind(number.Low), w.Bind(number.High)
	if number.Not {
		return "(" + param + " AND (n.value < " + low + " OR n.value > " + high + "))"
	}
	return "(" + param + " AND n.value BETWEEN " + low + " AND " + high + ")"
}

// period compares the range between two columns with the range searched for, as
// R4 search.html 3.1.1.4.5 and 3.1.1.4.7 define the prefixes, but for ge and le:
// there a range that reaches into the date is found too, so that a rating of the
// last three days is found from the day it was given on. An instant is a range
// whose ends are one column.
func (w *Where) period(times store.TimeRange, now time.Time, start, end string) {
	low, high := Millis(times.Low), Millis(times.High)
	within := func() string {
		return "(" + start + " >= " + w.Bind(low) + " AND " + end + " <= " + w.Bind(high) + ")"
	}
	switch times.Prefix {
	case store.Equal, "":
		w.and(within())
	case store.NotEqual:
		w.and("NOT " + within())
	case store.GreaterThan:
		w.and(end + " > " + w.Bind(high))
	case store.LessThan:
		w.and(start + " < " + w.Bind(low))
	case store.GreaterOrEqual:
		w.and(end + " >= " + w.Bind(low))
	case store.LessOrEqual:
		w.and(start + " <= " + w.Bind(high))
	case store.StartsAfter:
		w.and(start + " > " + w.Bind(high))
	case store.EndsBefore:
		w.and(end + " < " + w.Bind(low))
	case store.Approximately:
		slack := approximation(low, high, now.UnixMilli())
		w.and("(" + start + " <= " + w.Bind(high+slack) + " AND " + end + " >= " + w.Bind(low-slack) + ")")
	default:
		w.and("1 = 0")
	}
}

// approximation is how far an approximate date reaches on either side: a tenth
// of the gap between it and now, as R4 recommends; a range that holds now has
// no gap.
func approximation(low, high, now int64) int64 {
	switch {
	case high < now:
		return (now - high) / 10
	case low > now:
		return (low - now) / 10
	default:
		return 0
	}
}

// Millis is a time as the databases keep it, in milliseconds since 1970 UTC,
// rounded down.
func Millis(t time.Time) int64 { return t.UnixMilli() }
