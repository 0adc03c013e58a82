package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"tidemark.example/tidemark/api"
)

// rescoreReport writes what a rescoring comes to while it is found, so that it needs
// no more memory for more scores. It has ids and counts, and no value of anybody.
type rescoreReport struct {
	out    io.Writer
	asJSON bool
	err    error
	listed int

	Algorithm string `json:"algorithm"`
	Bands     string `json:"bands"`
	rescoreCounts
	moves map[[2]string]int
}

type rescoreCounts struct {
	Looked  int `json:"looked"`
	Differ  int `json:"differ"`
	Stay    int `json:"stay"`
	Failed  int `json:"failed"`
	Written int `json:"-"`
}

// move counts scores that go from one band to another, or keep theirs.
type move struct {
	From   string `json:"from"`
	To     string `json:"to"`
	Scores int    `json:"scores"`
}

// ownAlgorithm stands for a plan that names no version.
const ownAlgorithm = "as each score names it"

func newRescoreReport(out io.Writer, f *verifyFlags) *rescoreReport {
	r := &rescoreReport{out: out, asJSON: f.json, Algorithm: cmp.Or(f.algorithm, ownAlgorithm), Bands: f.set.Name, moves: map[[2]string]int{}}
	if r.asJSON {
		r.printf(`{"algorithm":%s,"bands":%s,"scores":[`, inJSON(r.Algorithm), inJSON(r.Bands))
	}
	return r
}

// printf writes unless writing failed before.
func (r *rescoreReport) printf(format string, args ...any) {
	if r.err == nil {
		_, r.err = fmt.Fprintf(r.out, format, args...)
	}
}

func inJSON(value any) string {
	text, err := json.Marshal(value)
	if err != nil {
		panic(fmt.Errorf("tidemark: a report that is no JSON: %w", err)) // it is of texts and numbers
	}
	return string(text)
}

// add counts a score, and lists it if it differs or cannot be computed again.
func (r *rescoreReport) add(found api.Rescored) {
	r.Looked++
	switch {
	case found.Cause != "":
		r.Failed++
	case len(found.Differs) == 0:
		r.Stay++
		return
	default:
		r.Differ++
		r.moves[[2]string{found.From, found.To}]++
	}
	r.list(found)
}

func (r *rescoreReport) list(found api.Rescored) {
	if r.listed++; r.asJSON {
		separator := ","
		if r.listed == 1 {
			separator = ""
		}
		r.printf("%s\n%s", separator, inJSON(struct {
			Score   string   `json:"score"`
			Version int64    `json:"version"`
			Differs []string `json:"differs,omitempty"`
			Cause   string   `json:"cause,omitempty"`
		}{found.Key.String(), found.Version, found.Differs, found.Cause}))
		return
	}
	if r.listed == 1 {
		r.printf("%-50s %7s  %s\n", "SCORE", "VERSION", "WOULD DIFFER IN")
	}
	what := strings.Join(found.Differs, ", ")
	if found.Cause != "" {
		what = "cannot be computed again: " + found.Cause
	}
	r.printf("%-50s %7d  %s\n", found.Key, found.Version, what)
}

// totals ends the list with what it comes to.
func (r *rescoreReport) totals() {
	moves := make([]move, 0, len(r.moves))
	for bands, scores := range r.moves {
		moves = append(moves, move{bands[0], bands[1], scores})
	}
	slices.SortFunc(moves, func(a, b move) int { return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To)) })
	if r.asJSON {
		counts := strings.TrimSuffix(inJSON(r.rescoreCounts), "}")
		r.printf("\n],%s,\"moves\":%s", strings.TrimPrefix(counts, "{"), inJSON(moves))
		return
	}
	r.printf("algorithm %s, band set %s: %d scores computed again, %d differ, %d stay as they are, %d cannot be computed again\n",
		r.Algorithm, r.Bands, r.Looked, r.Differ, r.Stay, r.Failed)
	if len(moves) == 0 {
		return
	}
	var table bytes.Buffer
	columns := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(columns, "BAND NOW\tBAND THEN\tSCORES")
	for _, m := range moves {
		fmt.Fprintf(columns, "%s\t%s\t%d\n", m.From, m.To, m.Scores)
	}
	_ = columns.Flush() // into memory
	r.printf("%s", table.String())
}

// end says what was written.
func (r *rescoreReport) end(write bool) {
	switch {
	case r.asJSON:
		r.printf(",\"written\":%d}\n", r.Written)
	case write || r.Differ == 0:
		r.printf("%d amended scores written\n", r.Written)
	default:
		r.printf("Nothing was written; --write writes what differs\n")
	}
}
