package receipt

import (
	"fmt"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// standing is where the score stands at one target.
type standing struct {
	target Target
	status string
	// words say it, with what someone has to change where someone has to.
	words string
	// held is the target's own name of what it holds, "" if it is not known.
	held, kind string
	// differs says that it does not hold what it was brought.
	differs bool
}

// at puts the deliveries to one target together, of which there are several
// where it gets a score in parts.
func (in *Input) at(deliveries []store.Delivery) standing {
	s := standing{target: Target{Name: deliveries[0].Target}}
	configured := slices.IndexFunc(in.Targets, func(t Target) bool { return t.Name == s.target.Name })
	if configured >= 0 {
		s.target = in.Targets[configured]
	}
	whole := leading(deliveries)
	s.kind, s.held, s.differs = observation.MemberType(whole.Member), remote(whole), whole.State() == store.Differs
	var words []string
	for i := range deliveries {
		status, text := judged(&deliveries[i])
		if urgency[status] > urgency[s.status] {
			s.status, words = status, nil
		}
		if status == s.status && !slices.Contains(words, text) {
			words = append(words, text)
		}
	}
	s.words = strings.Join(words, " ")
	switch holds := in.holds(whole); {
	case s.status != delivered && configured < 0:
		s.words = "The server is not among those that scores are delivered to any more, so nothing is sent to it. " + holds
	case s.status == delivered && s.words != "":
		s.words = holds + " " + s.words
	case s.status == delivered:
		s.words = holds
	case whole.Delivered > 0:
		s.words += " " + holds
	}
	s.words = strings.TrimSpace(s.words)
	return s
}

// leading is the delivery that a target's copy is named by: the score itself, or
// what it gets in its place, and not a part that it gets no more.
func leading(deliveries []store.Delivery) *store.Delivery {
	for i := range deliveries {
		if !deliveries[i].Retract {
			return &deliveries[i]
		}
	}
	return &deliveries[0]
}

// judged is the status of one delivery, and why it has it.
func judged(d *store.Delivery) (status, words string) {
	switch d.State() {
	case store.Delivered, store.Differs:
		return delivered, d.Reason
	case store.Parked:
		return parked, d.Reason
	case store.Dropped:
		return givenUp, "Given up: " + d.Reason
	case store.InDoubt:
		return waiting, strings.TrimSpace("It was sent, and whether it arrived is being found out. " + d.Reason)
	}
	if d.Reason == "" {
		return waiting, fmt.Sprintf("Version %d of the score is to be sent.", d.Wanted)
	}
	return waiting, fmt.Sprintf("Version %d of the score is sent again by itself. %s", d.Wanted, d.Reason)
}

// holds says what the target is known to hold.
func (in *Input) holds(d *store.Delivery) string {
	switch {
	case d.Delivered == 0:
		return ""
	case d.State() == store.Differs:
		return fmt.Sprintf("Version %d of the score was delivered.", d.Delivered)
	case d.Retract && d.Delivered == d.Wanted && d.RemoteID == "":
		return "The score was taken back before it was delivered, so nothing was sent."
	case d.Retract && d.Delivered == d.Wanted:
		return fmt.Sprintf("It holds version %d of the score, which says that it was entered in error.", d.Delivered)
	}
	return fmt.Sprintf("It holds version %d of the score.", d.Delivered)
}

// remote is the target's own relative reference to what it holds, with the
// version if it tells.
func remote(d *store.Delivery) string {
	if d.RemoteID == "" || d.Delivered == 0 {
		return ""
	}
	held := observation.MemberType(d.Member) + "/" + d.RemoteID
	if tag := strings.Trim(strings.TrimPrefix(d.ETag, "W/"), `"`); fhir.IsID(tag) {
		held += "/_history/" + tag
	}
	return held
}

// output is what the receipt says of the target: a reference to what it holds
// once that is what it should hold, and words before, or where it is not any more.
func (s *standing) output() output {
	o := output{Type: conceptOf(s.status, s.target.Name)}
	switch {
	case s.differs:
		o.String = s.words
	case s.status == delivered && s.held != "" && s.target.Base != "":
		o.Reference = &reference{Reference: s.target.Base + "/" + s.held, Type: s.kind, Display: s.words}
	case s.status == delivered && s.held != "":
		o.String = s.words + " Its own reference is " + s.held + "."
	default:
		o.String = s.words
	}
	return o
}
