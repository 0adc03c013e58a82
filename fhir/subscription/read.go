package subscription

import (
	"encoding/base64"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/net/http/httpguts"

	"tidemark.example/tidemark/fhir"
)

// Limits of what a client may ask for (our own figures; the guide has none).
const (
	// MinHeartbeat and MaxHeartbeat bound the longest silence.
	MinHeartbeat = 10 * time.Second
	MaxHeartbeat = 7 * 24 * time.Hour
	// MaxTimeout and DefaultTimeout are for one call.
	MaxTimeout     = time.Minute
	DefaultTimeout = 20 * time.Second
	// MaxCount and DefaultCount are how many events one notification tells of.
	MaxCount     = 1000
	DefaultCount = 100
	// MaxLife is how long one lasts that is not written again.
	MaxLife = 366 * 24 * time.Hour

	minSecret, maxSecret             = 32, 256
	maxHeaders, maxHeader, maxFilter = 10, 4096, 20
)

// Content is how much a notification tells (the guide's payload content).
type Content string

// The contents offered; full-resource is not, since it would put patient data
// into the call.
const (
	Empty  Content = "empty"
	IDOnly Content = "id-only"
)

// Withheld stands in a stored Subscription for the value of a header. Sent again,
// it keeps the value that is stored.
const Withheld = "(withheld)"

// SecretExtension is the extension of channel by which a client gives the key
// that notifications are signed with, 32 to 256 bytes in base64. What is stored
// has valueBoolean true instead; sent again, it keeps the key that is stored.
const SecretExtension = base + "/StructureDefinition/subscription-signing-key"

// Header is one header of the calls to the endpoint.
type Header struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// Subscription is what a client asks for.
type Subscription struct {
	// On is whether its status asks for notifications (requested) or for none
	// (off).
	On       bool
	Filters  []Filter
	Endpoint *url.URL
	Content  Content
	// Heartbeat is the longest silence, 0 for any; Timeout is for one call.
	Heartbeat, Timeout time.Duration
	// MaxCount is the most events of one notification.
	MaxCount int
	// End is when it ends, zero where that is not said.
	End time.Time
	// Headers are those of the calls; a Value may be Withheld.
	Headers []Header
	// Key is the signing key; nil if none is given. Keep says that it is the one
	// stored.
	Key  []byte
	Keep bool
}

// reader collects the faults.
type reader struct {
	base   string
	now    time.Time
	issues fhir.Issues
}

func (r *reader) fault(at fhir.Node, code fhir.IssueType, text string) {
	r.issues = append(r.issues, fhir.Issue{Severity: fhir.Error, Code: code, Expression: at.Path(), Text: text})
}

// Read reads a Subscription that a client sent, or one that is stored, at the
// server of a base. The error is fhir.Issues with every fault.
func Read(root fhir.Node, base string, now time.Time) (Subscription, error) {
	r := &reader{base: base, now: now}
	var s Subscription
	switch root.Get("status").Text() {
	case "requested":
		s.On = true
	case "off":
	default:
		r.fault(root.Get("status"), fhir.IssueValue, "A client asks with status requested, or off to be told nothing; active and error are the server's to set (R4 Subscription.status).")
	}
	r.criteria(root, &s)
	r.end(root, &s)
	channel := root.Get("channel")
	r.channel(channel, &s)
	r.extensions(channel, &s)
	for header := range channel.Each("header") {
		r.header(header, &s)
	}
	if r.issues != nil {
		return Subscription{}, r.issues
	}
	return s, nil
}

// criteria reads the topic and the filters on it.
func (r *reader) criteria(root fhir.Node, s *Subscription) {
	criteria := root.Get("criteria")
	if topic := criteria.Text(); topic != Topic && topic != Topic+"|"+TopicVersion {
		r.fault(criteria, fhir.IssueNotSupported, "The one topic here is "+Topic+"; filters go into the extension backport-filter-criteria of criteria.")
	}
	for each := range root.Get("_criteria").Each("extension") {
		if !each.Get("url").Is(guide + "backport-filter-criteria") {
			continue
		}
		filters, fault := readFilters(each.Choice("value[x]").Text(), r.base)
		s.Filters = append(s.Filters, filters...)
		if fault == "" && len(s.Filters) > maxFilter {
			fault = "There are more than " + strconv.Itoa(maxFilter) + " conditions; several values of one go behind commas."
		}
		if fault != "" {
			r.fault(each, fhir.IssueValue, fault)
		}
	}
}

func (r *reader) end(root fhir.Node, s *Subscription) {
	end := root.Get("end")
	if !end.Exists() {
		return
	}
	at, err := fhir.ParseDateTime(end.Bytes())
	switch {
	case err != nil:
		r.fault(end, fhir.IssueValue, "The end is no instant.")
	case s.On && !at.Time.After(r.now):
		r.fault(end, fhir.IssueBusinessRule, "The end lies in the past.")
	}
	s.End = at.Time
}

func (r *reader) channel(channel fhir.Node, s *Subscription) {
	if kind := channel.Get("type"); !kind.Is("rest-hook") {
		r.fault(kind, fhir.IssueNotSupported, "The one channel offered is rest-hook.")
	}
	for each := range channel.Get("_type").Each("extension") {
		if each.Get("url").Is(guide + "backport-channel-type") {
			r.fault(each, fhir.IssueNotSupported, "The one channel offered is rest-hook, without another type beside it.")
		}
	}
	r.endpoint(channel, s)
	payload := channel.Get("payload")
	if !payload.Is("application/fhir+json") {
		at := payload
		if !at.Exists() {
			at = channel
		}
		r.fault(at, fhir.IssueNotSupported, "The payload must be application/fhir+json, with the extension backport-payload-content.")
		return
	}
	for each := range channel.Get("_payload").Each("extension") {
		if each.Get("url").Is(guide + "backport-payload-content") {
			s.Content = Content(each.Choice("value[x]").Text())
		}
	}
	if s.Content != Empty && s.Content != IDOnly {
		r.fault(payload, fhir.IssueNotSupported, "The extension backport-payload-content must be id-only or empty; what a score says is read from here, with a token.")
	}
}

func (r *reader) endpoint(channel fhir.Node, s *Subscription) {
	endpoint := channel.Get("endpoint")
	if !endpoint.Exists() {
		r.fault(channel, fhir.IssueRequired, "A rest-hook needs an endpoint to call.")
		return
	}
	u, err := url.Parse(endpoint.Text())
	if err != nil || u.Host == "" || u.User != nil || u.Fragment != "" || u.Scheme != "https" && u.Scheme != "http" {
		r.fault(endpoint, fhir.IssueValue, "The endpoint must be an absolute https URL without user and fragment; what it is to authenticate by goes into channel.header.")
		return
	}
	s.Endpoint = u
}

// extensions reads what the guide and we add to a channel.
func (r *reader) extensions(channel fhir.Node, s *Subscription) {
	s.Timeout, s.MaxCount = DefaultTimeout, DefaultCount
	for each := range channel.Each("extension") {
		value := each.Choice("value[x]")
		number, err := strconv.ParseInt(value.Text(), 10, 32)
		seconds := time.Duration(number) * time.Second
		switch name, _ := strings.CutPrefix(each.Get("url").Text(), guide); name {
		case "backport-heartbeat-period":
			if err != nil || seconds != 0 && (seconds < MinHeartbeat || seconds > MaxHeartbeat) {
				r.fault(each, fhir.IssueValue, "The heartbeat period must be 10 to 604800 seconds, or 0 for none.")
			}
			s.Heartbeat = seconds
		case "backport-timeout":
			if err != nil || seconds < time.Second || seconds > MaxTimeout {
				r.fault(each, fhir.IssueValue, "The timeout must be 1 to 60 seconds.")
			}
			s.Timeout = seconds
		case "backport-max-count":
			if err != nil || number < 1 || number > MaxCount {
				r.fault(each, fhir.IssueValue, "The maximum count must be 1 to 1000 events of one notification.")
			}
			s.MaxCount = int(number)
		case SecretExtension:
			r.key(each, value, s)
		}
	}
}

func (r *reader) key(at, value fhir.Node, s *Subscription) {
	if value.Name() == "valueBoolean" && value.Text() == "true" {
		s.Keep = true
		return
	}
	key, err := base64.StdEncoding.DecodeString(value.Text())
	if value.Name() != "valueBase64Binary" || err != nil || len(key) < minSecret || len(key) > maxSecret {
		r.fault(at, fhir.IssueValue, "The signing key must be 32 to 256 random bytes as valueBase64Binary.")
	}
	s.Key = key
}

// ours are the headers that a call has by itself, or that belong to the
// connection.
var ours = []string{
	"Accept", "Accept-Encoding", "Connection", "Content-Digest", "Content-Encoding", "Content-Length", "Content-Type", "Expect", "Host",
	"Keep-Alive", "Proxy-Authorization", "Proxy-Connection", "Signature", "Signature-Input", "Te", "Trailer", "Transfer-Encoding", "Upgrade", "User-Agent",
}

// header reads one, as "Authorization: Bearer abc".
func (r *reader) header(at fhir.Node, s *Subscription) {
	name, value, found := strings.Cut(at.Text(), ":")
	value = strings.TrimSpace(value)
	canonical := http.CanonicalHeaderKey(name)
	switch {
	case !found || !httpguts.ValidHeaderFieldName(name) || !httpguts.ValidHeaderFieldValue(value) || len(at.Text()) > maxHeader:
		r.fault(at, fhir.IssueValue, "A header is written as Name: value, with a value of printable characters and at most 4096 in all.")
	case slices.Contains(ours, canonical):
		r.fault(at, fhir.IssueBusinessRule, "This header is set by the call itself.")
	case len(s.Headers) == maxHeaders:
		r.fault(at, fhir.IssueTooCostly, "There are more than 10 headers.")
	}
	s.Headers = append(s.Headers, Header{canonical, value})
}

// Stored is the resource as it may be stored and shown: without its secrets, and
// without what the server sets, which is status, end and error.
func Stored(document *fhir.Document, end time.Time) []byte {
	var edits []fhir.Edit
	channel := document.Root().Get("channel")
	for at := channel.First(); at.Exists(); at = at.Next() {
		switch at.Name() {
		case "header":
			name, _, _ := strings.Cut(at.Text(), ":")
			edits = append(edits, at.Rewrite(strconv.Quote(http.CanonicalHeaderKey(name)+": "+Withheld)))
		case "extension":
			if at.Get("url").Is(SecretExtension) {
				edits = append(edits, at.Rewrite(`{"url":"`+SecretExtension+`","valueBoolean":true}`))
			}
		}
	}
	edited, err := fhir.Decode(document.Edited(edits))
	if err != nil {
		panic("subscription: a resource without its secrets does not decode: " + err.Error()) // it did with them
	}
	defer edited.Release()
	return set(edited.Root(), fhir.Stamp{ID: "0", Version: 1}, `,"status":"requested","end":"`+instant(end)+`"`)
}

// Current is a stored resource with what it is now.
func Current(stored []byte, stamp fhir.Stamp, status, fault string) []byte {
	document, err := fhir.Decode(stored)
	if err != nil {
		panic("subscription: a stored resource does not decode: " + err.Error()) // it was written by Stored
	}
	defer document.Release()
	members := `,"status":"` + status + `","end":` + string(document.Root().Get("end").Raw())
	if fault != "" {
		members += `,"error":` + string(write(fault))
	}
	return set(document.Root(), stamp, members)
}

// set writes a resource with other status, end and error.
func set(root fhir.Node, stamp fhir.Stamp, members string) []byte {
	out := fhir.AppendStamped(nil, root, stamp, map[string]string{
		"status": "", "_status": "", "end": "", "_end": "", "error": "", "_error": "",
	})
	return append(append(out[:len(out)-1], members...), '}')
}
