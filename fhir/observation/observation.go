package observation

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// IdentifierSystem is that of the Observation's stable business identifier.
const IdentifierSystem = questionnaire.Base + "/sid/score"

// ResponseIdentifierSystem is that of a response without an identifier of its own.
const ResponseIdentifierSystem = questionnaire.Base + "/sid/response"

// CanarySystem is that of the identifier of what `tidemark check` writes to a target
// to try it out. It is not that of scores, so that nothing that looks for scores
// finds it.
const CanarySystem = questionnaire.Base + "/sid/canary"

// recallDays is how many days before authored the rating speaks of.
const recallDays = 3

// Input is what an Observation is made of.
type Input struct {
	Response *questionnaire.Response
	// ID and Version are the Observation's own; "" and 0 where nothing is stored.
	ID      string
	Version int64
	// LastUpdated is written to meta when Version is not 0.
	LastUpdated time.Time
	// Base is the FHIR base that holds the Device, so that the reference can be
	// followed from another server too; "" refers to it by identifier.
	Base string
	// Identifier is the value of the identifier, from Identifier.
	Identifier string
	// Status is final or amended; what is taken back is AppendRetracted.
	Status string
	// Issued is when this version was made available; zero leaves it out.
	Issued time.Time
	// DerivedFrom is the reference to the response, versioned where it is
	// stored; "" refers to it by its identifier, or by a digest of what it says
	// if it has none.
	DerivedFrom string
	// Bands is the set the score is interpreted by.
	Bands *scoring.BandSet
	// Rescored says that the same answers were computed again, which a note then
	// tells.
	Rescored bool
	// Remarks are the warnings that the response does not show by itself, in their
	// order.
	Remarks []questionnaire.Quality
}

// Identifier makes the stable identifier of a response's score: a digest of
// the response's own identifier, else of what names it here.
func Identifier(system, value string) string {
	sum := sha256.Sum256([]byte(system + "|" + value))
	return hex.EncodeToString(sum[:16])
}

// Append writes the Observation to the end of dst: what people read of it in the
// language of the response, if it is one of ours, else in English. Displays of
// codings stay those of their code systems, and units UCUM's.
func Append(dst []byte, in *Input) []byte {
	r := in.Response
	w := wordsIn(r.Root.Get("language"))
	dst = append(dst, `{"resourceType":"Observation"`...)
	if in.ID != "" {
		dst = append(dst, `,"id":"`...)
		dst = append(dst, in.ID...)
		dst = append(dst, '"')
	}
	dst = append(dst, `,"meta":{`...)
	if in.Version != 0 {
		dst = append(dst, `"versionId":"`...)
		dst = strconv.AppendInt(dst, in.Version, 10)
		dst = append(dst, `","lastUpdated":"`...)
		dst = appendInstant(dst, in.LastUpdated)
		dst = append(dst, `",`...)
	}
	dst = append(dst, `"profile":["`+scoreProfile+`"]},`...)
	dst = appendNarrative(dst, in, w)
	dst = append(dst, `,"identifier":[{"system":"`+IdentifierSystem+`","value":"`...)
	dst = append(dst, in.Identifier...)
	dst = append(dst, `"}],"status":"`...)
	dst = append(dst, in.Status...)
	dst = append(dst, w.categories[r.Form.Rater]...)
	dst = append(dst, r.Subject.Raw()...)
	dst = appendEffective(dst, r)
	if !in.Issued.IsZero() {
		dst = append(dst, `,"issued":"`...)
		dst = appendInstant(dst, in.Issued)
		dst = append(dst, '"')
	}
	if r.Performer.Exists() {
		dst = append(dst, `,"performer":[`...)
		dst = append(dst, r.Performer.Raw()...)
		dst = append(dst, ']')
	}
	dst = appendValue(dst, in, w)
	dst = appendNotes(dst, in, w)
	dst = append(dst, w.methodOf[r.Form.Rater][r.Assessment.Method]...)
	dst = appendDevice(dst, in.Base, r.Algorithm)
	dst = append(dst, w.bands[in.Bands.Name].ranges...)
	dst = appendDerivedFrom(dst, in)
	dst = appendComponents(dst, r, w)
	return append(dst, '}')
}

// appendEffective writes the recall window: from the calendar date of authored
// in its own offset, three days back, to authored as the sender wrote it.
func appendEffective(dst []byte, r *questionnaire.Response) []byte {
	dst = append(dst, `,"effectivePeriod":{"start":"`...)
	dst = Window(r.Authored).AppendFormat(dst, time.DateOnly)
	dst = append(dst, `","end":`...)
	dst = append(dst, r.Root.Get("authored").Raw()...)
	return append(dst, '}')
}

// Window is the first day the rating speaks of: the calendar date of authored in
// its own offset, three days back, whatever the clocks did in between.
func Window(authored fhir.DateTime) time.Time { return authored.Time.AddDate(0, 0, -recallDays) }

// appendInstant writes a time of ours, in UTC to the millisecond.
func appendInstant(dst []byte, t time.Time) []byte {
	return t.AppendFormat(dst, "2006-01-02T15:04:05.000Z07:00")
}

// appendValue writes the total with its band, or why there is none.
func appendValue(dst []byte, in *Input, w *words) []byte {
	total := in.Response.Result.Scorad
	if !total.Answered {
		dst = append(dst, `,"dataAbsentReason":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/data-absent-reason","code":"unknown","display":"Unknown"}],"text":"`...)
		dst = append(dst, w.absent...)
		return append(dst, `"}`...)
	}
	dst = append(dst, `,"valueQuantity":{"value":`...)
	dst = total.Value.Append(dst)
	dst = append(dst, `,"unit":"score","system":"http://unitsofmeasure.org","code":"{score}"}`...)
	return append(dst, w.interpretation(in.Bands.Band(total.Value), in.Bands.Name)...)
}

// appendNotes writes the warnings about the data, and the caution.
func appendNotes(dst []byte, in *Input, w *words) []byte {
	dst = append(dst, `,"note":[`...)
	note := func(text string) {
		dst = append(dst, `{"text":"`...)
		dst = append(dst, text...)
		dst = append(dst, `"},`...)
	}
	if in.Rescored {
		note(languages.Fill(w.language.Text(rescoredSays), "algorithm", in.Response.Algorithm, "set", in.Bands.Name))
	}
	for i := range in.Response.Issues {
		if issue := &in.Response.Issues[i]; issue.DetailSystem == questionnaire.DataQualitySystem {
			note(w.language.Text(issue.Text))
		}
	}
	for _, q := range in.Remarks {
		note(w.language.Text(q.Warning().Definition))
	}
	dst = append(dst, `{"text":"`...)
	dst = append(dst, w.caution...)
	return append(dst, `"}]`...)
}

// RemarksOf are the Remarks of an Observation that Append wrote, each once and in
// their order, however its notes stand.
func RemarksOf(stored fhir.Node) (found []questionnaire.Quality) {
	l := wordsIn(stored.Get("language")).language
	for _, q := range questionnaire.HistoryWarnings {
		text := l.Text(q.Warning().Definition)
		for note := range stored.Each("note") {
			if note.Get("text").Is(text) {
				found = append(found, q)
				break
			}
		}
	}
	return found
}

func appendNarrative(dst []byte, in *Input, w *words) []byte {
	r := in.Response
	dst = append(dst, w.begin...)
	dst = append(dst, w.titles[r.Form.Rater]...)
	dst = append(dst, `: `...)
	if total := r.Result.Scorad; total.Answered {
		dst = w.number(dst, w.bands[in.Bands.Name].said[in.Bands.Band(total.Value)], total.Value)
	} else {
		dst = append(dst, w.noTotal...)
	}
	if objective := r.Result.Objective; objective.Answered {
		dst = append(dst, `; `...)
		dst = w.number(dst, w.objective, objective.Value)
	}
	dst = append(dst, `. `...)
	dst = append(dst, w.caution...)
	return append(dst, `</p></div>"}`...)
}

func appendDerivedFrom(dst []byte, in *Input) []byte {
	if in.DerivedFrom != "" {
		dst = append(dst, `,"derivedFrom":[{"reference":"`...)
		dst = append(dst, in.DerivedFrom...)
		return append(dst, `"}]`...)
	}
	if identifier := in.Response.Root.Get("identifier"); identifier.Exists() {
		dst = append(dst, `,"derivedFrom":[{"type":"QuestionnaireResponse","identifier":`...)
		dst = append(dst, identifier.Raw()...)
		return append(dst, `}]`...)
	}
	dst = append(dst, `,"derivedFrom":[{"type":"QuestionnaireResponse","identifier":{"system":"`+ResponseIdentifierSystem+`","value":"`...)
	dst = append(dst, in.Response.Root.Digest()...)
	return append(dst, `"}}]`...)
}

// AppendRetracted writes a stored Observation again as entered in error: its
// values stay, for readers must see what was taken back (R4 lifecycle.html
// 2.2.7), and its narrative says not to use it. An empty derivedFrom leaves what
// it derives from as it is.
func AppendRetracted(dst []byte, stored fhir.Node, stamp fhir.Stamp, derivedFrom string) []byte {
	issued := stamp.LastUpdated.Format(fhir.InstantFormat)
	l := wordsIn(stored.Get("language")).language
	replace := map[string]string{
		"status": `"entered-in-error"`,
		"issued": `"` + issued + `"`,
		"text":   strings.TrimPrefix(narrative(l.Code), `"text":`) + `SCORAD: ` + l.Text(retractedSays) + `.</p></div>"}`,
	}
	if derivedFrom != "" {
		replace["derivedFrom"] = `[{"reference":"` + derivedFrom + `"}]`
	}
	return fhir.AppendStamped(dst, stored, stamp, replace)
}

func appendDevice(dst []byte, base, algorithm string) []byte {
	dst = append(dst, `,"device":{`...)
	if base != "" {
		dst = append(dst, `"reference":"`...)
		dst = append(dst, base...)
		dst = append(dst, `/Device/`+devicePrefix...)
		dst = append(dst, algorithm...)
		dst = append(dst, `",`...)
	}
	dst = append(dst, `"identifier":{"system":"`+DeviceSystem+`","value":"`+devicePrefix...)
	dst = append(dst, algorithm...)
	dst = append(dst, `"},"display":"`+deviceDisplay...)
	dst = append(dst, algorithm...)
	return append(dst, `"}`...)
}
