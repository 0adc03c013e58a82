// Package status is the page for whoever runs the program: at a glance, whether
// every score gets to where it should, and what to see to if not. It is plain HTML
// without scripts, readable by keyboard and screen reader, and says in words what
// it says in colour. It holds counts, names of targets and times, nothing of a
// patient.
package status

import (
	"bytes"
	"context"
	"crypto/sha256"
	_ "embed" // the page and its style
	"encoding/base64"
	"fmt"
	"html/template"
	"net/http"
	"time"
)

// Late is how long a score may be under way before it is worth a word: the
// objective is five minutes from form to chart.
const Late = 5 * time.Minute

// Report is what the page shows.
type Report struct {
	// At is when it was read, Started when this process began.
	At, Started time.Time
	// Version is the program's, Algorithm that of the formula.
	Version, Algorithm string
	// BaseURL is the FHIR base that others know the server under.
	BaseURL  string
	Database Database
	Targets  []Target
	// Endpoints are those that are told of scores.
	Endpoints Endpoints
	// Checks are of certificates and keys.
	Checks []Check
}

// Database is where the data is kept.
type Database struct {
	// Kind is SQLite or PostgreSQL, Durability by what settings a commit is on disk.
	Kind, Durability string
	// Schema is the number of its newest migration, Known of the program's.
	Schema, Known int64
	// Took is how long it took to answer a write, Fault why it did not, "" if it did.
	Took  time.Duration
	Fault string
}

// Target is a server that scores are written back to.
type Target struct {
	Name string
	// Configured is false where deliveries wait for a target that is not there any
	// more.
	Configured bool
	// Mode is how it is written to, "" before that is known; Paused says that
	// nothing but probes is sent to it.
	Mode   string
	Paused bool
	// Pending, InDoubt and Parked count deliveries, Differing the copies that were
	// found to be other than what was delivered.
	Pending, InDoubt, Parked, Differing int
	// Oldest is since when the target has lacked a score, Last when it took one
	// last, whoever brought it; zero for never.
	Oldest, Last time.Time
}

// Endpoints counts subscriptions by how they stand, and the events that wait.
type Endpoints struct {
	Active, Failing, Off int
	Waiting              int64
}

// Check is one finding on certificates and keys.
type Check struct {
	Name, Found string
	// Verdict is ok, look or fault, To what to change and how, "" for nothing.
	Verdict, To string
}

// Matter is something to see to: what, what to do, and the command that helps, ""
// for none.
type Matter struct{ What, Do, Run string }

// Matters are what someone should see to, the most pressing first.
func (r *Report) Matters() []Matter {
	var all []Matter
	if r.Database.Fault != "" {
		all = append(all, Matter{"The database: " + r.Database.Fault + ".", "Nothing is accepted and nothing delivered meanwhile. See why:", "tidemark check"})
	}
	for _, t := range r.Targets {
		all = append(all, t.matters(r.At)...)
	}
	if n := r.Endpoints.Failing; n > 0 {
		all = append(all, Matter{plural(n, "endpoint that is told of scores does", "endpoints that are told of scores do") + " not answer.", "Ask the portal; events are kept, and after a week the subscription is off.", ""})
	}
	for _, c := range r.Checks {
		if c.Verdict == "look" || c.Verdict == "fault" {
			all = append(all, Matter{c.Name + ": " + c.Found + ".", c.To, ""})
		}
	}
	return all
}

// matters are those of one target.
func (t *Target) matters(now time.Time) []Matter {
	var all []Matter
	list := "tidemark deliveries list --target " + t.Name
	if !t.Configured {
		return []Matter{{"Deliveries wait for " + t.Name + ", which is not configured.", "Configure a target of this name again, or give them up:", "tidemark deliveries drop --target " + t.Name}}
	}
	if t.Paused {
		all = append(all, Matter{"Sending to " + t.Name + " is paused: the server as a whole is at fault.", "It is tried again by itself. See its state with the hospital; the log names the fault.", ""})
	}
	if t.Parked > 0 {
		all = append(all, Matter{t.Name + " did not take " + plural(t.Parked, "score", "scores") + ".", "Each waits for a person. See which, and why:", list + " --state parked"})
	}
	if age := now.Sub(t.Oldest); !t.Oldest.IsZero() && age > Late {
		all = append(all, Matter{t.Name + " has lacked a score for " + span(age) + ".", "It is tried again by itself. See why it failed:", list + " --state pending"})
	}
	if t.Differing > 0 {
		all = append(all, Matter{plural(t.Differing, "copy at "+t.Name+" differs", "copies at "+t.Name+" differ") + " from what was delivered.", "See how, and ask who changed them:", list + " --state differs"})
	}
	return all
}

// plural writes a count with its noun.
func plural[N int | int64](n N, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// span is a length of time as people say it.
func span(d time.Duration) string {
	for _, unit := range []struct {
		of   time.Duration
		name string
	}{{24 * time.Hour, "day"}, {time.Hour, "hour"}, {time.Minute, "minute"}} {
		if d >= unit.of {
			return plural(int(d/unit.of), unit.name, unit.name+"s")
		}
	}
	return plural(int(max(d, 0)/time.Second), "second", "seconds")
}

//go:embed page.html
var pageText string

//go:embed style.css
var styleText string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"style":  func() template.CSS { return template.CSS(styleText) }, //nolint:gosec // it is ours
	"things": func(all []Matter) string { return plural(len(all), "thing", "things") + " to see to" },
	"since":  func(now, then time.Time) string { return span(now.Sub(then)) },
	"stamp":  func(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") },
	"iso":    func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
}).Parse(pageText))

// policy lets the page have its own style and nothing else.
var policy = func() string {
	digest := sha256.Sum256([]byte(styleText))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(digest[:]) +
		"'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}()

// Handler serves the page of what read tells.
func Handler(read func(context.Context) Report) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		report := read(request.Context())
		var text bytes.Buffer
		if err := page.Execute(&text, &report); err != nil {
			http.Error(w, "the page cannot be written", http.StatusInternalServerError)
			return
		}
		h := w.Header()
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Security-Policy", policy)
		h.Set("Cache-Control", "no-store")
		// Who went away while it was written has no use for it.
		_, _ = text.WriteTo(w)
	})
}
