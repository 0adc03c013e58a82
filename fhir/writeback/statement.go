package writeback

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
)

// maxStatement is how much of a CapabilityStatement is read, in bytes. Those of
// general servers have one to two MB (from memory).
const maxStatement = 8 << 20

// said is what a statement says of an ability. What R4 leaves out is not said,
// which is neither yes nor no (capabilitystatement.html gives no default).
type said uint8

const (
	silent said = iota
	no
	yes
)

// abilities are what a CapabilityStatement says that a target can do (R4
// capabilitystatement.html); the zero value is that of a target without one.
type abilities struct {
	// read says that there was a statement at all.
	read bool
	// version is the FHIR version.
	version string
	// conditionalUpdate, conditionalCreate and updateCreate are those of the type.
	conditionalUpdate, conditionalCreate, updateCreate said
	// create, update, fetch and search are interactions with the type, and
	// transaction that with the system.
	create, update, fetch, search, transaction said
	// identifier says that the type is searched by identifier.
	identifier said
	// versioning is no-version, versioned or versioned-update, "" if not said.
	versioning string
}

// guarded says that If-Match can be relied on: only versioned-update promises to
// look at it. While nothing is said, an ETag is taken for a promise.
func (a abilities) guarded() bool { return a.versioning == "" || a.versioning == "versioned-update" }

// need is something that a mode cannot do without.
type need struct {
	ability said
	name    string
}

// lacks lists what the statement does not say and a mode needs, in words.
func (a abilities) lacks(m Mode) []string {
	needs := map[Mode][]need{
		ConditionalUpdate: {{a.update, "update"}, {a.conditionalUpdate, "conditional update"}},
		ConditionalCreate: {{a.create, "create"}, {a.conditionalCreate, "conditional create"}, {a.update, "update"}},
		SearchThenWrite:   {{a.create, "create"}, {a.update, "update"}},
		Transaction:       {{a.transaction, "transaction"}, {a.conditionalCreate, "conditional create"}},
	}[m]
	needs = append(needs, need{a.fetch, "read"}, need{min(a.search, a.identifier), "search by identifier"})
	var missing []string
	for _, n := range needs {
		if n.ability != yes {
			missing = append(missing, n.name)
		}
	}
	return missing
}

// best is the first mode that the target says it can do, "" if none.
func (a abilities) best() Mode {
	for _, w := range ways {
		if len(a.lacks(w.mode)) == 0 {
			return w.mode
		}
	}
	return ""
}

// statement is what is read of a CapabilityStatement.
type statement struct {
	ResourceType string `json:"resourceType"`
	FHIRVersion  string `json:"fhirVersion"`
	Rest         []rest `json:"rest"`
}

type rest struct {
	Mode        string        `json:"mode"`
	Interaction []interaction `json:"interaction"`
	Resource    []stated      `json:"resource"`
}

type interaction struct {
	Code string `json:"code"`
}

type stated struct {
	Type              string        `json:"type"`
	Interaction       []interaction `json:"interaction"`
	Versioning        string        `json:"versioning"`
	UpdateCreate      *bool         `json:"updateCreate"`
	ConditionalCreate *bool         `json:"conditionalCreate"`
	ConditionalUpdate *bool         `json:"conditionalUpdate"`
	SearchParam       []struct {
		Name string `json:"name"`
	} `json:"searchParam"`
}

// errStatement says that an answer is no CapabilityStatement.
var errStatement = errors.New("writeback: the answer is no CapabilityStatement")

// parseAbilities reads what a statement says of a type.
func parseAbilities(body []byte, kind string) (abilities, error) {
	var s statement
	if err := json.Unmarshal(body, &s); err != nil || s.ResourceType != "CapabilityStatement" {
		return abilities{}, errStatement
	}
	a := abilities{read: true, version: s.FHIRVersion}
	at := slices.IndexFunc(s.Rest, func(r rest) bool { return r.Mode == "server" })
	if at < 0 {
		return a, nil
	}
	a.transaction = has(s.Rest[at].Interaction, "transaction")
	for _, r := range s.Rest[at].Resource {
		if r.Type == kind {
			a.take(r)
		}
	}
	return a, nil
}

// take reads what is said of the type.
func (a *abilities) take(r stated) {
	a.create, a.update = has(r.Interaction, "create"), has(r.Interaction, "update")
	a.fetch, a.search = has(r.Interaction, "read"), has(r.Interaction, "search-type")
	a.updateCreate, a.conditionalCreate, a.conditionalUpdate = saidOf(r.UpdateCreate), saidOf(r.ConditionalCreate), saidOf(r.ConditionalUpdate)
	a.versioning, a.identifier = r.Versioning, no
	for _, p := range r.SearchParam {
		if p.Name == "identifier" {
			a.identifier = yes
		}
	}
}

// has says whether an interaction is listed; what is not listed is not offered.
func has(all []interaction, code string) said {
	if slices.Contains(all, interaction{code}) {
		return yes
	}
	return no
}

func saidOf(value *bool) said {
	switch {
	case value == nil:
		return silent
	case *value:
		return yes
	default:
		return no
	}
}

// abilities asks the target for its CapabilityStatement (R4 http.html 3.1.0.6).
// The fault says why there is none.
func (c *client) abilities(ctx context.Context) (abilities, Fault) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, c.base+"/metadata?mode=full", nil)
	if err != nil {
		return abilities{}, FaultNotSent
	}
	request.Header.Set("Accept", mediaType)
	request.Header.Set("User-Agent", "tidemark")
	response, err := c.http.Do(request)
	if err != nil {
		return abilities{}, networkFault(err)
	}
	defer func() { _ = response.Body.Close() }()
	if v := classifyStatus(reading, response.StatusCode); v.class != done {
		return abilities{}, v.fault
	}
	body, err := io.ReadAll(io.LimitReader(response.Body, maxStatement+1))
	switch {
	case err != nil:
		return abilities{}, networkFault(err)
	case len(body) > maxStatement:
		return abilities{}, FaultTooLarge
	}
	a, err := parseAbilities(body, c.kind)
	if err != nil {
		return abilities{}, FaultNotFHIR
	}
	return a, FaultNone
}

// inWords joins what is missing for the log.
func inWords(missing []string) string { return strings.Join(missing, ", ") }
