package subscription

import (
	"encoding/json"
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir"
)

// Kind is a code of http://hl7.org/fhir/ValueSet/subscription-notification-type.
type Kind string

// The kinds of R5, which the guide takes over.
const (
	Handshake    Kind = "handshake"
	Heartbeat    Kind = "heartbeat"
	Notification Kind = "event-notification"
	QueryStatus  Kind = "query-status"
	QueryEvent   Kind = "query-event"
)

// Event is one event as a notification tells it.
type Event struct {
	// Number counts from 1 within the subscription.
	Number int64
	// At is when it happened.
	At time.Time
	// Focus is the relative reference of the score, as Observation/17; "" tells
	// nothing of it. Version is which one it was.
	Focus   string
	Version int64
	// Context are further references, such as that of the response.
	Context []string
}

// Message is what a notification Bundle tells.
type Message struct {
	// Base is that of the server; Subscription the id.
	Base, Subscription string
	// ID is that of the Bundle, StatusID that of its first entry: UUIDs.
	ID, StatusID string
	Kind         Kind
	// Status is that of the subscription, Fault its error, "" for none.
	Status, Fault string
	// Total is the number of events since it began, whether or not they are told
	// of here.
	Total   int64
	Content Content
	Events  []Event
	At      time.Time
}

type reference struct {
	Reference string `json:"reference"`
}

type concept struct {
	Text string `json:"text"`
}

// parameter is one of Parameters, with one value or with parts.
type parameter struct {
	Name      string      `json:"name"`
	Canonical string      `json:"valueCanonical,omitempty"`
	Code      string      `json:"valueCode,omitempty"`
	Concept   *concept    `json:"valueCodeableConcept,omitempty"`
	Instant   string      `json:"valueInstant,omitempty"`
	Reference *reference  `json:"valueReference,omitempty"`
	Text      string      `json:"valueString,omitempty"`
	Part      []parameter `json:"part,omitempty"`
}

type meta struct {
	Profile []string `json:"profile"`
}

// status is the SubscriptionStatus of R5 as R4's Parameters.
type status struct {
	Type      string      `json:"resourceType"`
	ID        string      `json:"id"`
	Meta      meta        `json:"meta"`
	Parameter []parameter `json:"parameter"`
}

type request struct {
	Method string `json:"method"`
	URL    string `json:"url"`
}

type response struct {
	Status       string `json:"status"`
	Etag         string `json:"etag,omitempty"`
	LastModified string `json:"lastModified,omitempty"`
}

type entry struct {
	FullURL  string   `json:"fullUrl"`
	Resource *status  `json:"resource,omitempty"`
	Request  request  `json:"request"`
	Response response `json:"response"`
}

type bundle struct {
	Type      string  `json:"resourceType"`
	ID        string  `json:"id"`
	Meta      meta    `json:"meta"`
	Kind      string  `json:"type"`
	Timestamp string  `json:"timestamp"`
	Entry     []entry `json:"entry"`
}

// Bundle writes the notification: a history whose first entry is the status (the
// guide, notifications.html). With id-only each event has its focus and an entry
// that says which version it was; with empty neither.
func (m Message) Bundle() []byte {
	b := bundle{
		Type: "Bundle", ID: m.ID, Meta: meta{[]string{guide + "backport-subscription-notification-r4"}},
		Kind: "history", Timestamp: instant(m.At),
		Entry: []entry{{
			FullURL: "urn:uuid:" + m.StatusID, Resource: m.status(),
			Request:  request{"GET", m.Base + "/Subscription/" + m.Subscription + "/$status"},
			Response: response{Status: "200"},
		}},
	}
	for _, e := range m.Events {
		if m.Content == IDOnly && e.Focus != "" {
			b.Entry = append(b.Entry, m.entry(e))
		}
	}
	return write(b)
}

// StatusResource writes the status alone, as $status answers it.
func (m Message) StatusResource() []byte { return write(m.status()) }

// entry says which version of the focus an event was. A score is first written
// under the id of its response, and so by PUT only later.
func (m Message) entry(e Event) entry {
	url := m.Base + "/" + e.Focus
	out := entry{
		FullURL: url, Request: request{"PUT", e.Focus},
		Response: response{Status: "200", Etag: `W/"` + strconv.FormatInt(e.Version, 10) + `"`, LastModified: instant(e.At)},
	}
	if e.Version == 1 {
		out.Request, out.Response.Status = request{"POST", "Observation"}, "201"
	}
	return out
}

func (m Message) status() *status {
	s := &status{Type: "Parameters", ID: m.StatusID, Meta: meta{[]string{guide + "backport-subscription-status-r4"}}}
	add := func(p parameter) { s.Parameter = append(s.Parameter, p) }
	add(parameter{Name: "subscription", Reference: &reference{m.Base + "/Subscription/" + m.Subscription}})
	if m.Content != Empty {
		add(parameter{Name: "topic", Canonical: Topic})
	}
	add(parameter{Name: "status", Code: m.Status})
	add(parameter{Name: "type", Code: string(m.Kind)})
	add(parameter{Name: "events-since-subscription-start", Text: strconv.FormatInt(m.Total, 10)})
	for _, e := range m.Events {
		add(parameter{Name: "notification-event", Part: m.event(e)})
	}
	if m.Fault != "" {
		add(parameter{Name: "error", Concept: &concept{m.Fault}})
	}
	return s
}

func (m Message) event(e Event) []parameter {
	parts := []parameter{{Name: "event-number", Text: strconv.FormatInt(e.Number, 10)}, {Name: "timestamp", Instant: instant(e.At)}}
	if m.Content != IDOnly || e.Focus == "" {
		return parts
	}
	parts = append(parts, parameter{Name: "focus", Reference: &reference{m.Base + "/" + e.Focus}})
	for _, c := range e.Context {
		parts = append(parts, parameter{Name: "additional-context", Reference: &reference{m.Base + "/" + c}})
	}
	return parts
}

func instant(t time.Time) string { return t.UTC().Format(fhir.InstantFormat) }

func write(v any) []byte {
	body, err := json.Marshal(v)
	if err != nil {
		panic("subscription: a notification cannot be written: " + err.Error()) // it is texts and numbers
	}
	return body
}
