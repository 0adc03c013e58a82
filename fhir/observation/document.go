package observation

import (
	"encoding/base64"
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// loinc is the system of a document's type.
const loinc = "http://loinc.org"

// documentType is LOINC 34109-9, Note (from public implementations that use it
// so), and the score: R4 and US Core take what a DocumentReference is from LOINC,
// in which no SCORAD was found.
var documentType = `{"coding":[` + coding(questionnaire.Coding{System: loinc, Code: "34109-9", Display: "Note"}) + `,` +
	coding(questionnaire.Coding{System: questionnaire.ScoradSystem, Code: Total, Display: questionnaire.Display(questionnaire.ScoradSystem, Total)}) +
	`],"text":` + quote(questionnaire.Display(questionnaire.ScoradSystem, Total)) + `}`

// documentCategory is the one that US Core's clients look for notes under (US
// Core 8.0.0, us-core-documentreference).
const documentCategory = `,"category":[{"coding":[{"system":"http://hl7.org/fhir/us/core/CodeSystem/us-core-documentreference-category","code":"clinical-note","display":"Clinical Note"}]}]`

// appendDocument writes a score as a DocumentReference (R4
// documentreference.html) whose attachment says in plain text, in the language
// of the score, what was rated, what it came to and what to bear in mind.
func appendDocument(dst []byte, score fhir.Node) []byte {
	w := wordsIn(score.Get("language"))
	identifier := MemberIdentifier(score.Get("identifier").Get("value").Text(), DocumentMember)
	title := w.titleOf(score)
	status, says := "current", languages.Fill(w.language.Text(plainSays), "form", title)
	retracted := score.Get("status").Is("entered-in-error")
	if retracted {
		status, says = "entered-in-error", title+": "+w.language.Text(retractedSays)+"."
	}
	dst = append(dst, `{"resourceType":"DocumentReference",`...)
	dst = append(dst, w.begin...)
	dst = append(dst, says...)
	dst = append(dst, `</p></div>"},"identifier":[{"system":"`+IdentifierSystem+`","value":"`...)
	dst = append(dst, identifier...)
	dst = append(dst, `"}],"status":"`+status+`","docStatus":`...)
	// final, amended and entered-in-error are codes of composition-status too.
	dst = append(dst, score.Get("status").Raw()...)
	dst = append(dst, `,"type":`...)
	dst = append(dst, documentType...)
	dst = append(dst, documentCategory...)
	dst = copied(dst, score, "subject")
	dst = appendAs(dst, "date", score.Get("issued"))
	if performer := score.Get("performer"); performer.Exists() {
		dst = append(dst, `,"author":[`...)
		dst = append(dst, performer.Raw()...)
		dst = append(dst, ']')
	}
	text := w.documentText(score, title)
	dst = append(dst, `,"content":[{"attachment":{"contentType":"text/plain; charset=utf-8","language":"`...)
	dst = append(dst, w.language.Code...)
	dst = append(dst, `","data":"`...)
	dst = base64.StdEncoding.AppendEncode(dst, text)
	dst = append(dst, `","size":`...)
	dst = strconv.AppendInt(dst, int64(len(text)), 10)
	dst = append(dst, `,"title":`...)
	dst = append(dst, quote(title)...)
	dst = appendAs(dst, "creation", score.Get("issued"))
	dst = append(dst, `}}],"context":{"period":`...)
	dst = append(dst, score.Get("effectivePeriod").Raw()...)
	if source := copied(nil, score, "derivedFrom"); len(source) > 0 {
		dst = append(dst, `,"related":`...)
		dst = append(dst, source[len(`,"derivedFrom":`):]...)
	}
	return append(dst, `}}`...)
}

// appendAs writes an element under another name, if there is one.
func appendAs(dst []byte, name string, value fhir.Node) []byte {
	if !value.Exists() {
		return dst
	}
	dst = append(dst, `,"`+name+`":`...)
	return append(dst, value.Raw()...)
}

// titleOf is the title of the form that a score is of.
func (w *words) titleOf(score fhir.Node) string {
	if strings.HasPrefix(ourCode(score.Get("method")), scoring.RatedByClinician.String()+"-") {
		return w.titles[scoring.RatedByClinician]
	}
	return w.titles[scoring.RatedBySelf]
}

// sleepLossToRaise is the sleep loss, in tenths, from which on the team is asked to
// speak of sleep and mood. The threshold is ours; that both suffer is Ronnstad ATM
// et al., J Am Acad Dermatol 2018;79:448.
const sleepLossToRaise = 70

// What a document says beside what its score says.
const (
	plainSays         = "{form}, in plain text."
	retractedHeading  = "ENTERED IN ERROR, NOT TO BE USED"
	totalLine         = "{score} of 103 points, {band}"
	objectiveLine     = "{score} of 83 points"
	noneLine          = "none."
	daysLine          = "Days rated: {start} to {end}"
	methodLine        = "How: {method}"
	versionLine       = "Version: {status}, of {time}"
	answersHeading    = "Answers and parts"
	cautionsHeading   = "To bear in mind"
	gradeSays         = "{n} of 3"
	symptomSays       = "{n} of 10"
	sleepAndMoodLine  = "Sleep loss is 7 or more of 10: speak with the family of sleep and of mood."
	objectiveSCORAD   = "Objective SCORAD"
	statusOfRetracted = "entered-in-error"
)

// documentCautions are the sentences that every document has. That redness is
// harder to see: Zhao CY et al., Int J Womens Dermatol 2015;1:150-154; the others
// are common practice.
var documentCautions = []string{
	"The score describes eczema that is already diagnosed. A low score is no proof that all is well: whoever is worried, or worse than the score suggests, contacts the team.",
	"Nobody may have been watching when this was sent.",
	"Redness is harder to see on dark skin, and a score that counts it can understate how severe eczema is there.",
}

// told is an answer or a part with what it is out of.
func (w *words) told(component fhir.Node) string {
	code, number := ourCode(component.Get("code")), string(component.Get("valueQuantity").Get("value").Raw())
	switch {
	case strings.HasPrefix(code, "intensity-") && code != "intensity-part":
		return languages.Fill(w.language.Text(gradeSays), "n", number)
	case strings.HasPrefix(code, "symptoms-"):
		return languages.Fill(w.language.Text(symptomSays), "n", w.language.Number(number))
	}
	return w.said(component.Choice("value[x]"))
}

// documentText writes a score in plain text, lines that end with a line feed.
func (w *words) documentText(score fhir.Node, title string) []byte {
	var b strings.Builder
	line := func(parts ...string) { b.WriteString(strings.Join(parts, "") + "\n") }
	fill := func(english string, values ...string) { line(languages.Fill(w.language.Text(english), values...)) }
	if score.Get("status").Is(statusOfRetracted) {
		fill(retractedHeading)
		line()
	}
	line(title)
	line()
	w.results(score, line)
	period := score.Get("effectivePeriod")
	fill(daysLine, "start", period.Get("start").Text(), "end", period.Get("end").Text())
	fill(methodLine, "method", textOf(score.Get("method")))
	fill(versionLine, "status", w.language.Text(score.Get("status").Text()), "time", score.Get("issued").Text())
	line()
	fill(answersHeading)
	for component := range score.Each("component") {
		line("- ", textOf(component.Get("code")), ": ", w.told(component))
	}
	line()
	fill(cautionsHeading)
	for note := range score.Each("note") {
		line("- ", note.Get("text").Text())
	}
	for _, caution := range documentCautions {
		line("- ", w.language.Text(caution))
	}
	if sleep, ok := fhir.ParseDecimal(componentOf(score, "symptoms-sleep-loss").Get("valueQuantity").Get("value").Raw()); ok {
		if tenths, exact := sleep.At(1); exact && tenths >= sleepLossToRaise {
			line("- ", w.language.Text(sleepAndMoodLine))
		}
	}
	return []byte(b.String())
}

// results writes the total, or why there is none, and the objective score.
func (w *words) results(score fhir.Node, line func(parts ...string)) {
	number := func(quantity fhir.Node) string { return w.language.Number(string(quantity.Get("value").Raw())) }
	if total := score.Get("valueQuantity"); total.Exists() {
		line("SCORAD: ", languages.Fill(w.language.Text(totalLine), "score", number(total), "band", textOf(score.Get("interpretation"))))
	} else {
		line("SCORAD: ", w.language.Text(noneLine), " ", textOf(score.Get("dataAbsentReason")))
	}
	if objective := componentOf(score, "objective"); objective.Exists() {
		line(w.language.Text(objectiveSCORAD), ": ", languages.Fill(w.language.Text(objectiveLine), "score", number(objective.Get("valueQuantity"))))
	}
}
