package main

import (
	"encoding/json"
	"maps"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// object is a JSON object under construction.
type object = map[string]any

// assessment is one set of invented answers.
type assessment struct {
	form, method string
	// name goes into the identifier and the names of files.
	name string
	// percent is the extent: of every region, in palms, or of the body.
	percent     json.Number
	itch, sleep json.Number
	grade       string
	// language is that of the response; "" for none.
	language string
	// bare leaves out the optional answers and the identifier.
	bare bool
}

// methods are the ways to measure the extent.
var methods = []string{"regions", "hands", "direct"}

// forms are both forms, by the short names used for files.
var forms = map[string]string{"self": questionnaire.SelfAssessment, "clinician": questionnaire.ClinicianAssessment}

// patient is one of the invented patients of the demo.
const patient = "Patient/oona-thistledown"

// response writes the answers as a portal sends them; id is "" for a new one.
func (a assessment) response(status, id string) object {
	who := object{"reference": "RelatedPerson/oona-parent", "display": "Oona's parent"}
	if a.form == questionnaire.ClinicianAssessment {
		who = object{"reference": "Practitioner/ilse-varnholt", "display": "Dr. Ilse Varnholt"}
	}
	r := object{
		"resourceType":  "QuestionnaireResponse",
		"questionnaire": questionnaire.Base + "/Questionnaire/" + a.form + "|1.0.0",
		"status":        status,
		"subject":       object{"reference": patient, "display": "Oona Thistledown"},
		"authored":      "2026-03-04T19:30:00+01:00",
		"author":        who, "source": who,
		"item": a.items(),
	}
	if id != "" {
		r["id"] = id
	}
	if a.language != "" {
		r["language"] = a.language
	}
	if !a.bare {
		r["identifier"] = object{"system": "https://fernway-portal.example/responses", "value": a.name}
	}
	return r
}

func (a assessment) items() []object {
	items := []object{
		group("extent", a.extent()...),
		group("intensity", a.intensity()...),
	}
	if symptoms := a.symptoms(); len(symptoms) > 0 {
		items = append(items, group("symptoms", symptoms...))
	}
	if a.bare {
		return items
	}
	yes := object{"valueBoolean": true}
	items = append(items, group("also-seen", item("also-seen.bleeding", yes), item("also-seen.scaling", yes)))
	if a.form == questionnaire.ClinicianAssessment {
		items = append(items, group("bonus", item("bonus.face-hands", yes)))
	}
	return items
}

func (a assessment) extent() []object {
	items := []object{item("extent.method", coding(questionnaire.ScoradSystem, a.method))}
	if a.method != "regions" {
		return append(items, item("extent."+a.method, object{"valueDecimal": a.percent}))
	}
	items = append(items, item("extent.age-group", coding(questionnaire.ScoradSystem, "2-and-over")))
	for region := range scoring.RegionCount {
		items = append(items, item("extent."+scoring.Region(region).String(), object{"valueInteger": a.percent}))
	}
	return items
}

func (a assessment) intensity() []object {
	var items []object
	for sign := range scoring.SignCount {
		items = append(items, item("intensity."+scoring.Sign(sign).String(), coding(questionnaire.GradeSystem, a.grade)))
	}
	return items
}

func (a assessment) symptoms() []object {
	var items []object
	if a.itch != "" {
		items = append(items, item("symptoms.itch", object{"valueDecimal": a.itch}))
	}
	if a.sleep != "" {
		items = append(items, item("symptoms.sleep-loss", object{"valueDecimal": a.sleep}))
	}
	return items
}

func group(linkID string, items ...object) object {
	return object{"linkId": linkID, "item": items}
}

func item(linkID string, value object) object {
	return object{"linkId": linkID, "answer": []object{maps.Clone(value)}}
}

func coding(system, code string) object {
	return object{"valueCoding": object{"system": system, "code": code}}
}
