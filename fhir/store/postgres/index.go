package postgres

import (
	"cmp"
	"slices"
	"strconv"

	"tidemark.example/tidemark/fhir/store"
)

// tokenRow is one row of token.
type tokenRow struct {
	param, value string
	rid, version int64
}

// numbersRow is one row of numbers: all that a version has.
type numbersRow struct {
	rid, version int64
	numbers      []store.Number
}

// addIndex adds the search values of a new version.
func (t *tx) addIndex(index store.Index, rid, version int64) {
	for _, token := range tokenRows(index.Tokens, rid, version) {
		t.rows.tokens.add(token)
	}
	if len(index.Numbers) > 0 {
		t.rows.numbers.add(numbersRow{rid, version, index.Numbers})
	}
}

// tokenRows are the rows of a version, each once.
func tokenRows(tokens []store.Token, rid, version int64) []tokenRow {
	rows := make([]tokenRow, len(tokens))
	for i, token := range tokens {
		rows[i] = tokenRow{indexed(token.Param), indexed(token.Value), rid, version}
	}
	slices.SortFunc(rows, func(a, b tokenRow) int { return cmp.Or(cmp.Compare(a.param, b.param), cmp.Compare(a.value, b.value)) })
	return slices.Compact(rows)
}

// tokenColumns are the arguments of a statement that inserts tokens.
func tokenColumns(n []tokenRow) []any {
	return []any{
		column(n, func(r *tokenRow) string { return r.param }), column(n, func(r *tokenRow) string { return r.value }),
		column(n, func(r *tokenRow) int64 { return r.rid }), column(n, func(r *tokenRow) int64 { return r.version }),
	}
}

// numberColumns are the arguments of a statement that inserts numbers. Arrays in
// an array would have to be of one length; as texts they need not.
func numberColumns(n []numbersRow) []any {
	return []any{
		column(n, func(r *numbersRow) int64 { return r.rid }), column(n, func(r *numbersRow) int64 { return r.version }),
		column(n, (*numbersRow).params), column(n, (*numbersRow).values),
	}
}

// params and values are the texts of arrays (PostgreSQL, 8.15.2).
func (r *numbersRow) params() string {
	dst := make([]byte, 0, 2+40*len(r.numbers))
	dst = append(dst, '{')
	for i, number := range r.numbers {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendElement(dst, indexed(number.Param))
	}
	return string(append(dst, '}'))
}

func (r *numbersRow) values() string {
	dst := make([]byte, 0, 2+8*len(r.numbers))
	dst = append(dst, '{')
	for i, number := range r.numbers {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = strconv.AppendInt(dst, number.Value, 10)
	}
	return string(append(dst, '}'))
}

// appendElement writes a text as an element of an array.
func appendElement(dst []byte, text string) []byte {
	dst = append(dst, '"')
	for i := range len(text) {
		if text[i] == '"' || text[i] == '\\' {
			dst = append(dst, '\\')
		}
		dst = append(dst, text[i])
	}
	return append(dst, '"')
}

// The statements that index a version again: what it has already stays.
const (
	addTokens  = insertTokens + " ON CONFLICT DO NOTHING"
	addNumbers = insertNumbers + ` ON CONFLICT (rid, version) DO UPDATE SET (params, vals) = (
		SELECT array_agg(param), array_agg(value) FROM (
			SELECT * FROM unnest(numbers.params, numbers.vals) UNION SELECT * FROM unnest(excluded.params, excluded.vals)
		) AS n (param, value))`
)
