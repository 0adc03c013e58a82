package test_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

func unmarshal(body []byte, into any) error { return json.Unmarshal(body, into) }

// itchAnswer is where the itch stands in a response of responseOf.
var itchAnswer = regexp.MustCompile(`("symptoms.itch","answer":\[\{"valueDecimal":)[0-9.]+`)

func withItch(body []byte, itch string) []byte {
	return itchAnswer.ReplaceAll(body, []byte("${1}"+itch))
}

// auditor compares the ledger of a load with what a server has stored, and that
// with what a hospital has taken. What it finds wrong it lists.
type auditor struct {
	base     string
	mu       sync.Mutex
	findings []string
	// at is put before what is found at a hospital.
	at string
	// wanted is what the store holds of each score, by its identifier.
	wanted map[string]scoreKept
}

func (a *auditor) find(format string, args ...any) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.findings = append(a.findings, a.at+fmt.Sprintf(format, args...))
}

// require fails the test if anything was found, with the seed.
func (a *auditor) require(t testing.TB, seed uint64) {
	t.Helper()
	require.Empty(t, a.findings[:min(len(a.findings), 10)], "%d findings, TIDEMARK_CAMPAIGN_SEED=%d", len(a.findings), seed)
}

// audit reads every form of a load that was not checked before, and closes the
// books on them: they change no more.
func audit(t testing.TB, base string, l *load) *auditor {
	t.Helper()
	a := &auditor{base: base, wanted: map[string]scoreKept{}}
	var auditing sync.WaitGroup
	for _, s := range l.senders {
		auditing.Go(func() {
			for _, f := range s.forms[s.checked:] {
				a.form(f)
			}
			s.checked = len(s.forms)
		})
	}
	auditing.Wait()
	return a
}

// auditAll reads every form anew, and counts, so that there is nothing that nobody
// asked for.
func auditAll(t testing.TB, base string, l *load) *auditor {
	t.Helper()
	for _, s := range l.senders {
		s.checked = 0
	}
	a := audit(t, base, l)
	stored := 0
	for _, s := range l.senders {
		for _, f := range s.forms {
			if f.id != "" && f.last().status != deleted {
				stored++
			}
		}
	}
	if found := parse(t, get(t, base+"/QuestionnaireResponse?_count=0")).Total; found != stored {
		a.find("%d responses are stored, and %d known to their senders or found", found, stored)
	}
	return a
}

// entry is one version in a history.
type entry struct {
	Request  struct{ Method string }
	Resource json.RawMessage
}

// history reads all versions of a resource, oldest first; nil if there is none.
func (a *auditor) history(kind, id string) []entry {
	r, err := call(http.MethodGet, a.base+"/"+kind+"/"+id+"/_history?_count=200", nil)
	if err != nil || r.status != http.StatusOK {
		a.find("the history of %s %s cannot be read: %d %v", kind, id, r.status, err)
		return nil
	}
	var bundle struct{ Entry []entry }
	if err := unmarshal(r.body, &bundle); err != nil {
		a.find("the history of %s %s is no Bundle", kind, id)
	}
	slices.Reverse(bundle.Entry)
	return bundle.Entry
}

// form holds one form to the ledger.
func (a *auditor) form(f *form) {
	if f.id == "" && !a.appeared(f) {
		return
	}
	stored := a.contents(f)
	ways := f.ways()
	at := slices.IndexFunc(ways, func(way []content) bool { return slices.Equal(way, stored) })
	if at < 0 {
		a.find("%s: acknowledged %v, stored %v, open %v", f.identifier, f.acknowledged, stored, f.open)
		return
	}
	if at > 0 { // what nobody got an answer to was done
		f.acknowledged, f.open, f.answer = ways[at], nil, nil
	}
	a.current(f)
	a.score(f, stored)
}

// appeared looks for a form whose create nobody answered: it may be there, once.
func (a *auditor) appeared(f *form) bool {
	r, err := call(http.MethodGet, a.base+"/QuestionnaireResponse?identifier=https://fernway-portal.example/responses|"+f.identifier, nil)
	var bundle struct {
		Total int
		Entry []struct{ Resource resource }
	}
	if err != nil || r.status != http.StatusOK || unmarshal(r.body, &bundle) != nil {
		a.find("%s cannot be looked for: %d %v", f.identifier, r.status, err)
		return false
	}
	if bundle.Total > 1 || f.open == nil && bundle.Total > 0 {
		a.find("%s is there %d times", f.identifier, bundle.Total)
	}
	if bundle.Total == 0 || f.open == nil {
		return false
	}
	f.id, f.acknowledged, f.open = bundle.Entry[0].Resource.ID, []content{*f.open}, nil
	f.answer = nil
	return true
}

// stored is what the tests read of a stored response.
type stored struct {
	Status     string
	Identifier struct{ Value string }
	Item       []struct {
		LinkID string
		Answer []struct {
			ValueDecimal json.Number
			ValueBoolean bool
		}
	}
}

// contents reads the history of a form as contents.
func (a *auditor) contents(f *form) []content {
	var all []content
	for _, e := range a.history("QuestionnaireResponse", f.id) {
		if e.Request.Method == http.MethodDelete {
			all = append(all, content{all[len(all)-1].number, deleted})
			continue
		}
		var s stored
		if err := unmarshal(e.Resource, &s); err != nil || s.Identifier.Value != f.identifier {
			a.find("%s: another's version is in its history", f.identifier)
		}
		all = append(all, s.content())
	}
	return all
}

// content reads what was stored, with the number -1 if its optional answers are
// not those of its number.
func (s stored) content() content {
	answers, bleeds := map[string]int{}, false
	for _, item := range s.Item {
		if len(item.Answer) == 1 && item.Answer[0].ValueDecimal != "" {
			answers[item.LinkID] = inTenths(item.Answer[0].ValueDecimal.String())
		}
		bleeds = bleeds || item.LinkID == "also-seen.bleeding" && len(item.Answer) == 1 && item.Answer[0].ValueBoolean
	}
	c := content{answers["extent.direct"] + 1001*answers["symptoms.itch"], s.Status}
	if _, sleeps := answers["symptoms.sleep-loss"]; sleeps != c.sleeps() || bleeds != c.bleeds() {
		c.number = -1
	}
	return c
}

// inTenths reads a decimal with one place, -1 if it is none.
func inTenths(text string) int {
	if len(text) < 3 || text[len(text)-2] != '.' {
		return -1
	}
	n, err := strconv.Atoi(text[:len(text)-2] + text[len(text)-1:])
	if err != nil {
		return -1
	}
	return n
}

// current reads the form itself: the very bytes that were acknowledged.
func (a *auditor) current(f *form) {
	r, err := call(http.MethodGet, a.base+"/QuestionnaireResponse/"+f.id, nil)
	want := http.StatusOK
	if f.last().status == deleted {
		want = http.StatusGone
	}
	if err != nil || r.status != want {
		a.find("%s: %s, but reading answers %d %v", f.identifier, f.last().status, r.status, err)
		return
	}
	if want == http.StatusOK && f.answer != nil && !bytes.Equal(r.body, f.answer) {
		a.find("%s: it does not read as it was acknowledged", f.identifier)
	}
}
