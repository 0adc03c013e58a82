package test_test

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// event is what a notification tells of: a version of a score.
type event struct{ focus, version string }

// subscriber is a portal that has subscribed to every score (Subscriptions R5
// Backport, rest-hook, id-only). It keeps what it heard before it answers, and
// now and then refuses a call, or hangs up in place of an answer.
type subscriber struct {
	web *httptest.Server
	id  string

	mu     sync.Mutex
	random *rand.Rand
	// heard are the events by their numbers, which begin with 1.
	heard map[int]event
	last  int
	// kind says that nothing is refused any more.
	kind bool
	// calls are how many told of events, and repeated how many events came again.
	calls, repeated int
	// surprises are what a portal must never hear.
	surprises []string
}

// subscriberSettings let the program call a portal on this machine.
var subscriberSettings = []string{"TIDEMARK_SUBSCRIPTION_HOSTS=127.0.0.1:*", "TIDEMARK_SUBSCRIPTION_NETWORKS=127.0.0.0/8"}

// newSubscriber starts a portal; its chance follows from the seed.
func newSubscriber(t testing.TB, seed uint64) *subscriber {
	p := &subscriber{heard: map[int]event{}, random: rand.New(rand.NewPCG(seed, 77))} //nolint:gosec // chance, not secrecy
	p.web = httptest.NewServer(p)
	t.Cleanup(p.web.Close)
	return p
}

// notification is what a portal reads of one (the guide, notifications.html).
type notification struct {
	Type  string
	Entry []struct {
		FullURL  string
		Response struct{ Etag string }
		Resource struct{ Parameter []parameter }
	}
}

type parameter struct {
	Name, ValueCode, ValueString string
	ValueReference               struct{ Reference string }
	Part                         []parameter
}

// ServeHTTP implements http.Handler.
func (p *subscriber) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return // whoever called has died
	}
	var n notification
	if err := json.Unmarshal(body, &n); err != nil || n.Type != "history" || len(n.Entry) == 0 {
		p.surprise("what is no notification: %s", body)
		return
	}
	kind, events := told(n)
	p.mu.Lock()
	chance, pause := p.random.IntN(12), time.Duration(p.random.IntN(30))*time.Millisecond
	if p.kind {
		chance = -1
	}
	p.mu.Unlock()
	time.Sleep(pause)
	switch {
	case kind != "event-notification": // a handshake has one chance
	case chance == 0:
		w.WriteHeader(http.StatusServiceUnavailable)
	default:
		p.hear(events)
		if chance == 1 {
			panic(http.ErrAbortHandler)
		}
	}
}

// numbered is an event with its number.
type numbered struct {
	number int
	event
}

// told gives the kind of a notification and its events. The entry of each focus
// says which version it was.
func told(n notification) (kind string, events []numbered) {
	for _, p := range n.Entry[0].Resource.Parameter {
		switch p.Name {
		case "type":
			kind = p.ValueCode
		case "notification-event":
			one := numbered{}
			for _, part := range p.Part {
				switch part.Name {
				case "event-number":
					one.number, _ = strconv.Atoi(part.ValueString) // 0 is none
				case "focus":
					one.focus = part.ValueReference.Reference
				}
			}
			if at := len(events) + 1; at < len(n.Entry) && n.Entry[at].FullURL == one.focus {
				one.version = strings.Trim(n.Entry[at].Response.Etag, `W/"`)
			}
			one.focus = path.Base(one.focus)
			events = append(events, one)
		}
	}
	return kind, events
}

func (p *subscriber) surprise(format string, args ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.surprises = append(p.surprises, fmt.Sprintf(format, args...))
}

// hear keeps events: each number follows the one before, or is one that was heard
// already and tells the same.
func (p *subscriber) hear(events []numbered) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.calls++
	for _, e := range events {
		before, known := p.heard[e.number]
		switch {
		case known && before != e.event:
			p.surprises = append(p.surprises, fmt.Sprintf("event %d is %v, and was %v", e.number, e.event, before))
		case known:
			p.repeated++
		case e.number != p.last+1:
			p.surprises = append(p.surprises, fmt.Sprintf("event %d comes after %d", e.number, p.last))
		}
		p.heard[e.number] = e.event
		p.last = max(p.last, e.number)
	}
}

// fewAtOnce asks for ten events in one call at most, so that there are many calls.
const fewAtOnce = `"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-max-count","valuePositiveInt":10}],`

// subscribes asks for every score, for the first time or again: then what it has
// not accepted is sent at once, whatever a dead process was about to send.
func (p *subscriber) subscribes(t testing.TB, base string) {
	t.Helper()
	method, url, id := http.MethodPost, base+"/Subscription", ""
	if p.id != "" {
		method, url, id = http.MethodPut, url+"/"+p.id, `"id":"`+p.id+`",`
	}
	r, err := call(method, url, []byte(`{"resourceType":"Subscription",`+id+`"status":"requested","reason":"Fernway Portal shows scores as they come",`+
		`"criteria":"https://tidemark.example/fhir/SubscriptionTopic/score","channel":{`+fewAtOnce+`"type":"rest-hook","endpoint":"`+p.web.URL+
		`/hook","payload":"application/fhir+json","_payload":{"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/`+
		`backport-payload-content","valueCode":"id-only"}]}}}`))
	require.NoError(t, err)
	require.Less(t, r.status, 300, "%s", r.body)
	p.id = parse(t, r.body).ID
}

// begins subscribes, and waits until the subscription is active.
func (p *subscriber) begins(t testing.TB, base string) {
	t.Helper()
	p.subscribes(t, base)
	require.Eventually(t, func() bool { return parse(t, get(t, base+"/Subscription/"+p.id)).Status == "active" }, patience, 20*time.Millisecond)
}

// comesBack is what the portal does when the program is there again: now and then
// it asks for what it may have missed, else it waits.
func (p *subscriber) comesBack(t testing.TB, base string) {
	t.Helper()
	p.mu.Lock()
	again := p.random.IntN(2) == 0
	p.mu.Unlock()
	if again {
		p.subscribes(t, base)
	}
}

// settlesDown is what the portal does at the end of a few cycles: it asks for what
// it missed and takes whatever comes, since each refusal costs ten seconds and more,
// and a call that a dead process was making a minute and a half. The long campaign
// waits for both.
func (p *subscriber) settlesDown(t testing.TB, base string) {
	t.Helper()
	if os.Getenv("TIDEMARK_CAMPAIGN") != "" {
		return
	}
	p.mu.Lock()
	p.kind = true
	p.mu.Unlock()
	p.subscribes(t, base)
}

// count is how many events were heard.
func (p *subscriber) count() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.heard)
}

// silence is how long a portal may hear nothing: a call that a dead process was
// making is one of another after 90 s, and one that failed is made again after
// 10 s and more.
const silence = 4 * time.Minute

// audit waits until the portal has heard as much as is stored, and holds it to
// the books: an event for each version of each score, under one number.
func (p *subscriber) audit(t testing.TB, l *load) {
	t.Helper()
	wanted := map[event]bool{}
	for _, s := range l.senders {
		for _, f := range s.forms {
			for i := range f.acknowledged {
				wanted[event{f.id, strconv.Itoa(i + 1)}] = true
			}
		}
	}
	for heard, since := -1, time.Now(); p.count() < len(wanted); time.Sleep(50 * time.Millisecond) {
		if n := p.count(); n > heard {
			heard, since = n, time.Now()
		}
		require.Less(t, time.Since(since), silence, "%d events of %d were heard, seed %d", heard, len(wanted), l.seed)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.judge(wanted)
	require.Empty(t, p.surprises[:min(len(p.surprises), 10)], "%d surprises, TIDEMARK_CAMPAIGN_SEED=%d", len(p.surprises), l.seed)
	t.Logf("%d events in %d calls, %d of them more than once", len(p.heard), p.calls, p.repeated)
}

// judge compares what was heard with what must have been, in the order of the
// versions of each score; what is wanted and was heard it strikes out.
func (p *subscriber) judge(wanted map[event]bool) {
	newest := map[string]int{}
	for number := 1; number <= p.last; number++ {
		e, heard := p.heard[number]
		version, _ := strconv.Atoi(e.version)
		switch {
		case !heard:
			p.surprises = append(p.surprises, fmt.Sprintf("event %d is missing", number))
			continue
		case !wanted[e]:
			p.surprises = append(p.surprises, fmt.Sprintf("event %d is %v, which is not stored or came before", number, e))
		case version != newest[e.focus]+1:
			p.surprises = append(p.surprises, fmt.Sprintf("event %d is version %d of a score, after %d", number, version, newest[e.focus]))
		}
		newest[e.focus] = version
		delete(wanted, e)
	}
	for e := range wanted {
		p.surprises = append(p.surprises, fmt.Sprintf("nothing was heard of %v", e))
	}
}

// TestTheSubscriberFinds plants each defect that the portal looks for.
func TestTheSubscriberFinds(t *testing.T) {
	t.Parallel()
	one, two, other := event{"one", "1"}, event{"one", "2"}, event{"other", "1"}
	for finding, c := range map[string]struct {
		calls  [][]numbered
		wanted []event
	}{
		"nothing":                           {[][]numbered{{{1, one}, {2, other}}, {{2, other}, {3, two}}}, []event{one, two, other}},
		"event 3 comes after 1":             {[][]numbered{{{1, one}}, {{3, two}}}, []event{one, two}},
		"event 2 is missing":                {[][]numbered{{{1, one}}, {{3, two}}}, []event{one, two}},
		"event 1 is {other 1}, and was":     {[][]numbered{{{1, one}}, {{1, other}}}, []event{one, other}},
		"event 2 is {one 1}, which is not":  {[][]numbered{{{1, one}, {2, one}}}, []event{one}},
		"event 2 is {other 1}, which":       {[][]numbered{{{1, one}, {2, other}}}, []event{one}},
		"event 1 is version 2 of a score":   {[][]numbered{{{1, two}, {2, one}}}, []event{one, two}},
		"nothing was heard of {other 1}":    {[][]numbered{{{1, one}}}, []event{one, other}},
		"event 0 comes after 0":             {[][]numbered{{{0, one}}}, []event{one}},
		"event 1 is {one }, which is not s": {[][]numbered{{{1, event{"one", ""}}}}, []event{one}},
	} {
		t.Run(finding, func(t *testing.T) {
			t.Parallel()
			p := newSubscriber(t, 1)
			for _, events := range c.calls {
				p.hear(events)
			}
			wanted := map[event]bool{}
			for _, e := range c.wanted {
				wanted[e] = true
			}
			p.judge(wanted)
			if finding == "nothing" {
				require.Empty(t, p.surprises)
				return
			}
			require.Contains(t, strings.Join(p.surprises, "\n"), finding)
		})
	}
}
