package writeback

import (
	"slices"
	"strings"
)

// Mode is how scores are written to a target. All modes keep the same promise;
// they differ in what the target must be able to do, and in what is left to
// chance where it can do little (see the package comment).
type Mode string

// The modes.
const (
	// Auto chooses by the target's CapabilityStatement, ConditionalCreate if it
	// offers that, and is ConditionalUpdate while there is none.
	Auto Mode = "auto"
	// ConditionalUpdate creates by PUT on the identifier with If-None-Match: *.
	ConditionalUpdate Mode = "conditional-update"
	// ConditionalCreate creates by POST with If-None-Exist on the identifier.
	ConditionalCreate Mode = "conditional-create-then-update"
	// SearchThenWrite searches by the identifier before it creates by POST. It is
	// for servers without conditional interactions.
	SearchThenWrite Mode = "search-then-write"
	// Transaction writes the score with its Provenance and Device in one
	// transaction.
	Transaction Mode = "transaction"
)

// Modes lists what a Target may be told, Auto first.
func Modes() []Mode {
	return []Mode{Auto, ConditionalUpdate, ConditionalCreate, SearchThenWrite, Transaction}
}

// modeNames lists them for a message.
func modeNames() string {
	var names []string
	for _, m := range Modes() {
		names = append(names, string(m))
	}
	return strings.Join(names, ", ")
}

// way is what a mode does with a delivery.
type way struct {
	mode Mode
	// create is the request for what the target does not hold, update that for
	// what it holds under a known id.
	create, update action
	// looks says that the target is searched before anything is created.
	looks bool
}

// ways are the modes in the order in which Auto prefers them. A conditional
// create leaves nothing to chance at a target that does what it states; a
// conditional update needs that it looks at If-None-Match as well, of which R4
// says nothing for writes, and HAPI FHIR 8.8 does not. A transaction is for those
// who ask for it, and for servers that write by nothing else.
var ways = []way{
	{mode: ConditionalCreate, create: adding, update: updating},
	{mode: ConditionalUpdate, create: creating, update: updating},
	{mode: SearchThenWrite, create: posting, update: updating, looks: true},
	{mode: Transaction, create: bundling, update: rebundling},
}

// untold is what Auto does while nothing is known: a target that knows nothing of
// a conditional update refuses it, where one that does not know If-None-Exist
// makes a second resource.
const untold = ConditionalUpdate

// wayOf is what a mode does.
func wayOf(m Mode) way {
	if m == Auto || m == "" {
		m = untold
	}
	return ways[slices.IndexFunc(ways, func(w way) bool { return w.mode == m })]
}
