package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"

	"golang.org/x/term"

	"tidemark.example/tidemark/config"
)

// account shows findings, as they come to people, at the end as JSON.
type account struct {
	out, progress io.Writer
	asJSON        bool
	coloured      bool
	width         int
	shown         bool
	all           []finding
	fault         error
}

func newAccount(p *program, asJSON bool, targets []config.Target) *account {
	r := &account{out: p.out, asJSON: asJSON, coloured: isTerminal(p.out) && p.getenv("NO_COLOR") == "", width: len("WHERE")}
	if isTerminal(p.err) {
		r.progress = p.err
	}
	for _, t := range targets {
		r.width = max(r.width, len(t.Name))
	}
	if !asJSON {
		r.line("RESULT", "CHECK", "WHERE", "FOUND")
	}
	return r
}

// isTerminal says whether somebody sits at the other end of a stream.
func isTerminal(stream any) bool {
	f, is := stream.(*os.File)
	return is && term.IsTerminal(int(f.Fd()))
}

// begin shows what is looked at now, on a terminal.
func (r *account) begin(check, target string) {
	if r.progress != nil {
		r.shown = true
		fmt.Fprintf(r.progress, "\r\x1b[K%s %s ...", check, target)
	}
}

func (r *account) clear() {
	if r.shown {
		fmt.Fprint(r.progress, "\r\x1b[K")
		r.shown = false
	}
}

// colours are of the verdicts on a terminal; the words say the same.
var colours = map[verdict]string{fine: "32", look: "33", fault: "31", skipped: "2"}

// add shows a finding.
func (r *account) add(f finding) {
	r.all = append(r.all, f)
	if r.asJSON {
		return
	}
	r.clear()
	r.line(string(f.Verdict), f.Check, orDash(f.Target), f.Found)
	if to := toChange(f); to != "" {
		r.line("", "", "", "-> "+to)
	}
}

// toChange says what to change and how, in one line.
func toChange(f finding) string {
	switch {
	case f.Setting != "" && f.Do != "":
		return f.Setting + ": " + f.Do
	case f.Setting != "":
		return "change " + f.Setting
	default:
		return f.Do
	}
}

func (r *account) line(result, check, where, found string) {
	padded := fmt.Sprintf("%-8s", result)
	if colour := colours[verdict(result)]; r.coloured && colour != "" {
		padded = "\x1b[" + colour + "m" + padded + "\x1b[0m"
	}
	if _, err := fmt.Fprintf(r.out, "%s %-12s %-*s  %s\n", padded, check, r.width, where, found); err != nil {
		r.fault = err
	}
}

// end writes what is left to write.
func (r *account) end() error {
	r.clear()
	if !r.asJSON {
		return r.fault
	}
	encoder := json.NewEncoder(r.out)
	encoder.SetIndent("", "  ")
	return encoder.Encode(struct {
		Exit     int       `json:"exit"`
		Findings []finding `json:"findings"`
	}{r.exit(), r.all})
}

// exit is the exit code: what a setting is to be changed for goes before what the
// environment is to blame for, since to wait helps the latter only.
func (r *account) exit() int {
	any := func(of func(finding) bool) bool { return slices.ContainsFunc(r.all, of) }
	switch {
	case any(func(f finding) bool { return f.Verdict == fault && !f.environment }):
		return exitUsage
	case any(func(f finding) bool { return f.Verdict == fault }):
		return exitEnvironment
	case any(func(f finding) bool { return f.Verdict == look }):
		return exitFound
	}
	return exitFine
}
