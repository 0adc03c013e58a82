package receipt_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/receipt"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
)

// noon is when everything happens here; later things are minutes behind.
var noon = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)

func minutes(n int) time.Time { return noon.Add(time.Duration(n) * time.Minute) }

// task is what the tests read of a Task, by a plain decoder.
type task struct {
	ResourceType, ID, Status, Intent, AuthoredOn, LastModified string
	Meta                                                       struct{ LastUpdated, VersionID string }
	Text                                                       struct{ Status, Div string }
	StatusReason                                               struct{ Text string }
	BusinessStatus, Code                                       concept
	Focus                                                      struct{ Reference string }
	For                                                        *struct {
		Reference, Display string
		Identifier         struct{ System, Value string }
	}
	Output []struct {
		Type           concept
		ValueString    string
		ValueReference struct{ Reference, Type, Display string }
	}
}

type concept struct {
	Coding []struct{ System, Code, Display string }
	Text   string
}

// of makes a receipt; it must be sound FHIR, and its codes those published.
func of(t *testing.T, in receipt.Input, response string) task {
	t.Helper()
	document, err := fhir.Decode([]byte(response))
	require.NoError(t, err)
	defer document.Release()
	in.ID, in.Response = "r1", document.Root()
	if in.Accepted.IsZero() {
		in.Accepted, in.Modified = noon, noon
	}
	body := receipt.Task(&in)
	sound, err := fhir.Decode(body)
	require.NoError(t, err, "%s", body)
	sound.Release()
	var found task
	require.NoError(t, json.Unmarshal(body, &found))
	for _, c := range append([]concept{found.Code, found.BusinessStatus}, types(found)...) {
		require.Equal(t, questionnaire.ReceiptSystem, c.Coding[0].System)
		require.Equal(t, questionnaire.Display(questionnaire.ReceiptSystem, c.Coding[0].Code), c.Coding[0].Display)
	}
	return found
}

func types(found task) (all []concept) {
	for _, o := range found.Output {
		all = append(all, o.Type)
	}
	return all
}

const response = `{"resourceType":"QuestionnaireResponse","id":"r1","status":"completed","subject":{"reference":"Patient/oona","display":"Oona Thistledown",` +
	`"identifier":{"system":"https://brindlemoor.example/chart","value":"4711"}}}`

// at is a delivery of the score to a target.
func at(target string, change func(*store.Delivery)) store.Delivery {
	d := store.Delivery{Target: target, Key: store.Key{Type: "Observation", ID: "r1"}, Wanted: 2, WantedSince: minutes(1)}
	change(&d)
	return d
}

func holds(d *store.Delivery) {
	d.Delivered, d.RemoteID, d.ETag, d.WantedSince, d.Changed = 2, "17", `W/"3"`, time.Time{}, minutes(5)
}

var both = []receipt.Target{{Name: "ehr", Base: "https://ehr.example/fhir"}, {Name: "registry"}}

func TestReceipt(t *testing.T) {
	t.Parallel()
	found := of(t, receipt.Input{Score: 2, ScoreModified: minutes(1), Targets: both, Deliveries: []store.Delivery{at("ehr", holds), at("registry", holds)}}, response)
	require.Equal(t, "Task", found.ResourceType)
	require.Equal(t, "r1", found.ID)
	require.Equal(t, "completed", found.Status)
	require.Equal(t, "order", found.Intent)
	require.Equal(t, "delivered", found.BusinessStatus.Coding[0].Code)
	require.Equal(t, "score-and-deliver", found.Code.Coding[0].Code)
	require.Equal(t, "QuestionnaireResponse/r1", found.Focus.Reference)
	require.Equal(t, "Patient/oona", found.For.Reference)
	require.Equal(t, "4711", found.For.Identifier.Value)
	require.Empty(t, found.For.Display, "no name")
	require.Equal(t, "2026-03-04T12:00:00.000Z", found.AuthoredOn)
	require.Equal(t, "2026-03-04T12:05:00.000Z", found.LastModified)
	require.Equal(t, found.LastModified, found.Meta.LastUpdated)
	require.Empty(t, found.Meta.VersionID)
	require.Empty(t, found.StatusReason.Text)
	require.Len(t, found.Output, 3)
	require.Equal(t, "Observation/r1/_history/2", found.Output[0].ValueReference.Reference)
	require.Equal(t, "ehr", found.Output[1].Type.Text)
	require.Equal(t, "https://ehr.example/fhir/Observation/17/_history/3", found.Output[1].ValueReference.Reference)
	require.Equal(t, "Observation", found.Output[1].ValueReference.Type)
	require.Equal(t, "It holds version 2 of the score. Its own reference is Observation/17/_history/3.", found.Output[2].ValueString)
	require.Equal(t, "generated", found.Text.Status)
	require.Contains(t, found.Text.Div, "<li>ehr: It holds version 2 of the score.</li>")
}

// TestStandings: each state of a delivery as the sender reads it.
func TestStandings(t *testing.T) {
	t.Parallel()
	const busy = "The target is not available."
	for name, c := range map[string]struct {
		change           func(*store.Delivery)
		status, business string
		reason, words    string
	}{
		"to be sent":          {func(*store.Delivery) {}, "in-progress", "waiting", "", "Version 2 of the score is to be sent."},
		"sent again":          {func(d *store.Delivery) { d.Reason, d.Attempts = busy, 3 }, "in-progress", "waiting", "", "Version 2 of the score is sent again by itself. " + busy},
		"behind":              {func(d *store.Delivery) { d.Delivered, d.RemoteID = 1, "17" }, "in-progress", "waiting", "", "Version 2 of the score is to be sent. It holds version 1 of the score."},
		"in doubt":            {func(d *store.Delivery) { d.InDoubt, d.Reason = true, busy }, "in-progress", "waiting", "", "It was sent, and whether it arrived is being found out. " + busy},
		"in doubt for longer": {func(d *store.Delivery) { d.InDoubt = true }, "in-progress", "waiting", "", "It was sent, and whether it arrived is being found out."},
		"parked":              {func(d *store.Delivery) { d.Parked, d.Reason = true, "Register <her>." }, "on-hold", "parked", "ehr: Register <her>.", "Register <her>."},
		"parked and behind":   {func(d *store.Delivery) { d.Parked, d.Reason, d.Delivered = true, "No.", 1 }, "on-hold", "parked", "ehr: No. It holds version 1 of the score.", "No. It holds version 1 of the score."},
		"parked in doubt":     {func(d *store.Delivery) { d.Parked, d.InDoubt, d.Reason = true, true, "No." }, "on-hold", "parked", "ehr: No.", "No."},
		"given up":            {func(d *store.Delivery) { d.Parked, d.Dropped, d.Reason = true, true, "Moved." }, "failed", "given-up", "ehr: Given up: Moved.", "Given up: Moved."},
		"arrived in part":     {func(d *store.Delivery) { holds(d); d.Reason = "Delivered, but the target has dropped: component." }, "completed", "delivered", "", "It holds version 2 of the score. Delivered, but the target has dropped: component."},
		"changed since": {func(d *store.Delivery) {
			holds(d)
			d.Fault, d.Reason = "changed", "The target's copy is not what was delivered. It has changed: status."
		}, "completed", "delivered", "", "Version 2 of the score was delivered. The target's copy is not what was delivered. It has changed: status."},
		"taken back, but there again": {func(d *store.Delivery) {
			holds(d)
			d.Retract, d.Fault, d.Reason = true, "not-retracted", "The target shows the score as valid."
		}, "completed", "delivered", "", "Version 2 of the score was delivered. The target shows the score as valid."},
		"arrived namelessly": {func(d *store.Delivery) { holds(d); d.RemoteID = "" }, "completed", "delivered", "", "It holds version 2 of the score."},
		"taken back":         {func(d *store.Delivery) { holds(d); d.Retract = true }, "completed", "delivered", "", "It holds version 2 of the score, which says that it was entered in error."},
		"taken back before":  {func(d *store.Delivery) { holds(d); d.Retract, d.RemoteID = true, "" }, "completed", "delivered", "", "The score was taken back before it was delivered, so nothing was sent."},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			found := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: []store.Delivery{at("ehr", c.change)}}, response)
			require.Equal(t, c.status, found.Status)
			require.Equal(t, c.business, found.BusinessStatus.Coding[0].Code)
			require.Equal(t, c.reason, found.StatusReason.Text)
			require.Equal(t, c.words, found.Output[1].ValueString+found.Output[1].ValueReference.Display)
			if strings.HasPrefix(c.words, "Version 2 of the score was delivered.") {
				require.Empty(t, found.Output[1].ValueReference.Reference, "it is not what is held there")
			}
			require.NotContains(t, found.Text.Div, "<her>", "what is text stays text")
		})
	}
}

// TestTheWorstIsSaidFirst: of several targets, and of several parts at one.
func TestTheWorstIsSaidFirst(t *testing.T) {
	t.Parallel()
	parked := func(d *store.Delivery) { d.Parked, d.Reason = true, "No." }
	dropped := func(d *store.Delivery) { d.Parked, d.Dropped, d.Reason = true, true, "Moved." }
	pending := func(*store.Delivery) {}
	part := func(name string, change func(*store.Delivery)) store.Delivery {
		return at("registry", func(d *store.Delivery) { d.Member = name; change(d) })
	}
	for name, c := range map[string]struct {
		deliveries []store.Delivery
		business   string
		reason     string
	}{
		"parked before waiting":     {[]store.Delivery{at("ehr", pending), at("registry", parked)}, "parked", "registry: No."},
		"waiting before given up":   {[]store.Delivery{at("ehr", pending), at("registry", dropped)}, "waiting", "registry: Given up: Moved."},
		"given up before delivered": {[]store.Delivery{at("ehr", holds), at("registry", dropped)}, "given-up", "registry: Given up: Moved."},
		"both parked":               {[]store.Delivery{at("ehr", parked), at("registry", parked)}, "parked", "ehr: No. registry: No."},
		"a part that is parked":     {[]store.Delivery{at("ehr", holds), part("", holds), part("extent", holds), part("itch", parked)}, "parked", "registry: No."},
		"parts that all are there":  {[]store.Delivery{part("", holds), part("extent", holds)}, "delivered", ""},
		"parts with one reason":     {[]store.Delivery{part("", pending), part("extent", parked), part("itch", parked)}, "parked", "registry: No."},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			found := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: c.deliveries}, response)
			require.Equal(t, c.business, found.BusinessStatus.Coding[0].Code)
			require.True(t, strings.HasPrefix(found.StatusReason.Text, c.reason), found.StatusReason.Text)
			names := map[string]bool{}
			for _, o := range found.Output[1:] {
				require.False(t, names[o.Type.Text], "one output for each target")
				names[o.Type.Text] = true
			}
		})
	}
}

// TestReceiptNamesWhatIsHeld: of a score in parts the score itself, and what the
// target is to hold rather than what was taken back there.
func TestReceiptNamesWhatIsHeld(t *testing.T) {
	t.Parallel()
	part := func(name string, retract bool) store.Delivery {
		return at("ehr", func(d *store.Delivery) { holds(d); d.Member, d.Retract, d.RemoteID = name, retract, "id-"+name })
	}
	for want, deliveries := range map[string][]store.Delivery{
		"Observation/id-":               {part("", false), part("extent", false), part("panel", true)},
		"DocumentReference/id-document": {part("", true), part("document", false)},
		"Observation/id-extent":         {part("extent", false)},
	} {
		found := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: deliveries}, response)
		require.Equal(t, "https://ehr.example/fhir/"+want+"/_history/3", found.Output[1].ValueReference.Reference)
		require.Equal(t, strings.Split(want, "/")[0], found.Output[1].ValueReference.Type)
	}
	taken := of(t, receipt.Input{Score: 2, Targets: both, Deliveries: []store.Delivery{part("", true), part("panel", true)}}, response)
	require.Contains(t, taken.Output[1].ValueReference.Display, "entered in error")
}

func TestReceiptOfATargetThatIsNoMore(t *testing.T) {
	t.Parallel()
	found := of(t, receipt.Input{Score: 2, Deliveries: []store.Delivery{at("old", func(d *store.Delivery) { d.Delivered = 1 })}}, response)
	require.Equal(t, "waiting", found.BusinessStatus.Coding[0].Code)
	require.Contains(t, found.Output[1].ValueString, "not among those that scores are delivered to any more")
	require.Contains(t, found.Output[1].ValueString, "It holds version 1 of the score.")
	found = of(t, receipt.Input{Score: 2, Deliveries: []store.Delivery{at("old", holds)}}, response)
	require.Equal(t, "delivered", found.BusinessStatus.Coding[0].Code)
}

// TestReceiptWithoutAScore, and of whom nothing is known.
func TestReceiptWithoutAScore(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		response string
		in       receipt.Input
		status   string
		over     bool
	}{
		"in progress":      {`{"resourceType":"QuestionnaireResponse","status":"in-progress"}`, receipt.Input{}, "received", false},
		"stopped":          {`{"resourceType":"QuestionnaireResponse","status":"stopped"}`, receipt.Input{}, "completed", true},
		"entered in error": {`{"resourceType":"QuestionnaireResponse","status":"entered-in-error"}`, receipt.Input{}, "completed", true},
		"deleted":          {`{"resourceType":"QuestionnaireResponse","status":"in-progress"}`, receipt.Input{Deleted: true}, "completed", true},
		"contained":        {`{"resourceType":"QuestionnaireResponse","status":"in-progress","contained":[{"resourceType":"Patient","id":"p"}],"subject":{"reference":"#p"}}`, receipt.Input{}, "received", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			found := of(t, c.in, c.response)
			require.Equal(t, c.status, found.Status)
			require.Equal(t, "received", found.BusinessStatus.Coding[0].Code)
			require.Equal(t, c.over, found.StatusReason.Text != "")
			require.Nil(t, found.For)
			require.Empty(t, found.Output)
		})
	}
	found := of(t, receipt.Input{Score: 1, ScoreModified: minutes(2)}, response)
	require.Equal(t, "completed", found.Status)
	require.Equal(t, "scored", found.BusinessStatus.Coding[0].Code)
	require.Equal(t, "2026-03-04T12:02:00.000Z", found.LastModified)
}
