package writeback

import (
	"context"
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// A transaction has the score first, whose answer decides, and with it what says
// where it comes from. R4 has no identifier of a Provenance, so that it carries
// one of ours as a tag; it and the Device are created on the condition that they
// are not there, so that a repetition makes no second one.

// deviceNamed parts a reference to a Device of ours, as it is stored, into the base
// before it and its id; ok is false for any other.
func deviceNamed(reference string) (base, id string, ok bool) {
	at := strings.LastIndex(reference, "Device/")
	if at < 0 || at > 0 && reference[at-1] != '/' {
		return "", "", false
	}
	base, id = strings.TrimSuffix(reference[:at], "/"), reference[at+len("Device/"):]
	return base, id, strings.HasPrefix(id, observation.DeviceOf("")) && !strings.Contains(id, "/")
}

// maxProvenances is how many statements on one score are looked through for that
// of the version wanted, the newest first.
const maxProvenances = 20

// provenance is the stored Provenance of a version, nil if there is none.
func (w *Worker) provenance(ctx context.Context, key store.Key, version int64) (map[string]any, error) {
	page, err := w.store.Search(ctx, store.Query{
		Type: "Provenance", Sort: store.ByLastUpdatedDesc, Limit: maxProvenances,
		Tokens: []store.TokenQuery{{Param: "target", Values: []string{key.String()}, Rare: true}},
	})
	if err != nil {
		return nil, err
	}
	about := key.String() + "/_history/" + strconv.FormatInt(version, 10)
	for _, each := range page.Resources {
		tree, err := parseResource(each.Body)
		if err != nil {
			return nil, err
		}
		for _, reference := range references(tree["target"]) {
			if reference["reference"] == about {
				return tree, nil
			}
		}
	}
	return nil, nil
}

// references are the References of a list.
func references(list any) []map[string]any {
	var all []map[string]any
	items, _ := list.([]any)
	for _, each := range items {
		if reference, ok := each.(map[string]any); ok {
			all = append(all, reference)
		}
	}
	return all
}

// entry is one entry of a transaction.
type entry struct {
	FullURL  string          `json:"fullUrl"`
	Resource json.RawMessage `json:"resource"`
	Request  entryRequest    `json:"request"`
}

type entryRequest struct {
	Method      string `json:"method"`
	URL         string `json:"url"`
	IfMatch     string `json:"ifMatch,omitempty"`
	IfNoneExist string `json:"ifNoneExist,omitempty"`
}

// transaction writes the Bundle: with id "" it creates, unless something with
// the identifier is there, else it updates that id with If-Match. The provenance
// may be nil.
func (c content) transaction(id, ifMatch string, provenance map[string]any) ([]byte, error) {
	score := entry{FullURL: c.urn(c.kind), Request: entryRequest{Method: http.MethodPost, URL: c.kind, IfNoneExist: c.identifier.query()}}
	if id != "" {
		score.Request = entryRequest{Method: http.MethodPut, URL: c.kind + "/" + url.PathEscape(id), IfMatch: ifMatch}
	}
	entries := []entry{score}
	linked, named, err := c.linked(id)
	if err != nil {
		return nil, err
	}
	entries[0].Resource = linked
	devices := map[string]bool{}
	if named != "" {
		devices[named] = true
	}
	if provenance != nil {
		body, named, err := c.provenance(provenance, devices)
		if err != nil {
			return nil, err
		}
		entries = append(entries, entry{c.urn("Provenance"), body, entryRequest{
			Method: http.MethodPost, URL: "Provenance", IfNoneExist: "_tag=" + token(identifier{observation.ProvenanceSystem, named}),
		}})
	}
	for _, id := range slices.Sorted(maps.Keys(devices)) {
		body, err := newDevice(id)
		if err != nil {
			return nil, err
		}
		entries = append(entries, entry{c.urn("Device/" + id), body, entryRequest{
			Method: http.MethodPost, URL: "Device", IfNoneExist: identifier{observation.DeviceSystem, id}.query(),
		}})
	}
	return json.Marshal(struct {
		ResourceType string  `json:"resourceType"`
		Type         string  `json:"type"`
		Entry        []entry `json:"entry"`
	}{"Bundle", "transaction", entries})
}

// urn is how the entries of a transaction call one of them. It is the same each
// time that the same score is sent.
func (c content) urn(kind string) string {
	return "urn:uuid:" + uuid.NewSHA1(uuid.NameSpaceURL, []byte(c.identifier.system+"|"+c.identifier.value+"#"+kind)).String()
}

// linked writes the body as encode does, with its reference to our Device replaced
// by that to the entry of the transaction; it gives the id of that Device, "" for
// none.
func (c content) linked(id string) (body []byte, named string, err error) {
	c.spare = nil // the entry is a copy, and the Provenance is made of the tree
	body = c.encode(id)
	made, _ := c.tree()["device"].(map[string]any)
	reference, _ := made["reference"].(string)
	base, named, ok := deviceNamed(reference)
	if !ok || base == "" {
		return body, "", nil
	}
	made = maps.Clone(made)
	made["reference"] = c.urn("Device/" + named)
	raw, err := json.Marshal(made)
	if err != nil {
		return nil, "", err
	}
	members, err := membersOf(body)
	if err != nil {
		return nil, "", err
	}
	for i, m := range members {
		if m.name == "device" {
			members[i].raw = raw
		}
	}
	return encodeMembers(members), named, nil
}

// provenance shapes the stored Provenance for the target, and gives the code of
// the tag that it is known by. It is about the entry of the score, names the
// performer as the score does, or not, and the response by its address here or, as
// the score does, by its identifier. The Devices that it names are added to those of
// the transaction.
func (c content) provenance(stored map[string]any, devices map[string]bool) (body []byte, named string, err error) {
	shaped := maps.Clone(stored)
	named, _ = stored["id"].(string)
	if _, member, found := strings.Cut(c.identifier.value, "."); found {
		// Each member of a score has a statement of its own (observation.MemberIdentifier).
		named += "." + member
	}
	delete(shaped, "id")
	shaped["meta"] = map[string]any{"tag": []any{map[string]any{"system": observation.ProvenanceSystem, "code": named}}}
	shaped["target"] = []any{map[string]any{"reference": c.urn(c.kind)}}
	performer := references(c.tree()["performer"])
	agents := []any{}
	for _, agent := range references(stored["agent"]) {
		agent = maps.Clone(agent)
		who, _ := agent["who"].(map[string]any)
		reference, _ := who["reference"].(string)
		_, id, ours := deviceNamed(reference)
		switch {
		case ours:
			agent["who"], devices[id] = map[string]any{"reference": c.urn("Device/" + id)}, true
		case len(performer) == 0:
			// Whom the score does not name to the target, the Provenance does not either.
			continue
		default:
			agent["who"] = performer[0]
		}
		agents = append(agents, agent)
	}
	shaped["agent"] = agents
	entities, sources := []any{}, c.sources()
	for _, entity := range references(stored["entity"]) {
		entity = maps.Clone(entity)
		what, _ := entity["what"].(map[string]any)
		reference, _ := what["reference"].(string)
		switch {
		case reference == "":
		case len(sources) > 0 && sources[0]["reference"] == nil && entity["role"] == string(observation.Revision):
			entity["what"] = map[string]any{"type": c.kind, "identifier": map[string]any{"system": c.identifier.system, "value": c.identifier.value}}
		case len(sources) > 0 && sources[0]["reference"] == nil:
			// The score names the response by its identifier.
			entity["what"] = sources[0]
		default:
			entity["what"] = map[string]any{"reference": c.absolute(reference)}
		}
		entities = append(entities, entity)
	}
	shaped["entity"] = entities
	body, err = json.Marshal(shaped)
	return body, named, err
}

// absolute gives a reference to something here the base that the score's own
// references have, since the target would take a relative one for its own.
func (c content) absolute(reference string) string {
	if strings.Contains(reference, ":") {
		return reference
	}
	made, _ := c.tree()["device"].(map[string]any)
	text, _ := made["reference"].(string)
	if base, _, ours := deviceNamed(text); ours && base != "" {
		return base + "/" + reference
	}
	for _, source := range c.sources() {
		// A DocumentReference names no Device, but what it is from.
		literal, _ := source["reference"].(string)
		if base, _, found := strings.Cut(literal, "/QuestionnaireResponse/"); found {
			return base + "/" + reference
		}
	}
	return reference
}

// sources are the responses that it was computed from, as it names them.
func (c content) sources() []map[string]any {
	if about, ok := c.tree()["context"].(map[string]any); ok {
		// A DocumentReference has them there.
		return references(about["related"])
	}
	return references(c.tree()["derivedFrom"])
}

// newDevice is a Device of ours as a target gets it.
func newDevice(id string) ([]byte, error) {
	members, err := membersOf(observation.Device(strings.TrimPrefix(id, observation.DeviceOf(""))))
	if err != nil {
		return nil, err
	}
	members = slices.DeleteFunc(members, func(m member) bool { return m.name == "id" || m.name == "meta" })
	return encodeMembers(members), nil
}

// etagForm is what a header may carry as a tag (RFC 9110 section 8.8.3). HL7's
// own example of an answer has one without quotes.
var etagForm = regexp.MustCompile(`^(W/)?"[^"]*"$`)

// unbundle takes the answer to a transaction for that to its first entry.
func (a *answer) unbundle(asked action) {
	entries := references(a.resource["entry"])
	if a.resource["resourceType"] != "Bundle" || a.resource["type"] != "transaction-response" || len(entries) == 0 {
		a.unproved(asked, FaultNotFHIR)
		return
	}
	response, _ := entries[0]["response"].(map[string]any)
	text, _ := response["status"].(string)
	header := http.Header{}
	location, _ := response["location"].(string)
	header.Set("Location", location)
	if tag, _ := response["etag"].(string); etagForm.MatchString(tag) {
		header.Set("ETag", tag)
	}
	a.resource, _ = entries[0]["resource"].(map[string]any)
	a.id, a.etag = named(a.resource, header)
	switch code, _, _ := strings.Cut(text, " "); {
	case code == "201":
	case code == "200" && asked == rebundling:
	case code == "200":
		// It was there already, and the entry was left out.
		a.verdict = verdict{class: conflicting, fault: FaultConflict}
	default:
		a.unproved(asked, FaultNotFHIR)
	}
}
