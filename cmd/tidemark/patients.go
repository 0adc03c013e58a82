package main

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// demoPatient is an invented patient with twelve weeks of answers.
type demoPatient struct {
	id, name, course string
	// years and months are the age on the day of the demo.
	years, months int
	// source answers the form.
	source string
	method string
	weeks  []week
}

// week is one set of answers, with the six grades in the order of the form.
type week struct {
	extent      string
	grades      string
	itch, sleep string
}

// demoPatients: a winter flare, a slow recovery and a steady mild course.
var demoPatients = []*demoPatient{
	{"oona-thistledown", "Oona Thistledown, 5", "a winter flare", 5, 2, "RelatedPerson/oona-parent", "direct", []week{
		{"8", "110101", "2", "1"}, {"9.5", "111111", "1", "1"}, {"12", "111112", "3", "2"}, {"20", "211112", "6", "4"},
		{"29.5", "221212", "5", "4"}, {"45", "221222", "7.5", "5.5"}, {"60", "322322", "8.3", "6.9"}, {"45", "221222", "7.5", "5.5"},
		{"36", "210211", "4.2", "3.1"}, {"20", "211112", "6", "4"}, {"18.5", "211211", "5.7", "2.4"}, {"10", "110100", "3", "2"},
	}},
	{"casper-quillfeather", "Casper Quillfeather, 7 months", "a slow recovery", 0, 7, "RelatedPerson/casper-parent", "hands", []week{
		{"60", "322322", "8.3", "6.9"}, {"55", "322222", "8", "6.5"}, {"52", "222222", "7.5", "6"}, {"45", "221222", "7.5", "5.5"},
		{"40", "221212", "6.5", "5"}, {"36", "210211", "4.2", "3.1"}, {"30", "221212", "5", "4"}, {"29.5", "221212", "5", "4"},
		{"20", "211112", "6", "4"}, {"18.5", "211211", "5.7", "2.4"}, {"14", "111111", "3", "2"}, {"10", "111111", "1", "1"},
	}},
	{"mirren-ashby-vale", "Mirren Ashby-Vale, 17", "steady and mild", 17, 4, "Patient/mirren-ashby-vale", "direct", []week{
		{"5", "110101", "1", "0"}, {"4.5", "110101", "1", "0.5"}, {"5", "110101", "0", "0"}, {"6", "110101", "1.5", "0"},
		{"5.5", "100101", "1", "0"}, {"5", "110101", "1", "0"}, {"4", "100001", "0.5", "0"}, {"5", "110101", "1", "0.5"},
		{"2.3", "100000", "0.7", "0"}, {"5", "110101", "1", "0"}, {"4.5", "110001", "1", "0"}, {"5", "110101", "0", "0"},
	}},
}

// resource is the patient as the hospital knows it.
func (p *demoPatient) resource(now time.Time) []byte {
	born := now.AddDate(-p.years, -p.months, -9).Format(time.DateOnly)
	name, _, _ := strings.Cut(p.name, ",")
	given, family, _ := strings.Cut(name, " ")
	return fmt.Appendf(nil, `{"resourceType":"Patient","id":%q,"name":[{"family":%q,"given":[%q]}],"birthDate":%q}`, p.id, family, given, born)
}

func (p *demoPatient) responseID(i int) string { return p.id + "-week-" + strconv.Itoa(i+1) }

func (p *demoPatient) response(now time.Time, i int) []byte {
	return p.withStatus(now, i, "completed", "")
}

// withStatus writes the answers of a week as a portal sends them.
func (p *demoPatient) withStatus(now time.Time, i int, status, id string) []byte {
	w := p.weeks[i]
	authored := now.AddDate(0, 0, -7*(len(p.weeks)-1-i)).Format(time.RFC3339)
	var b strings.Builder
	b.WriteString(`{"resourceType":"QuestionnaireResponse"`)
	if id != "" {
		fmt.Fprintf(&b, `,"id":%q`, id)
	}
	fmt.Fprintf(&b, `,"identifier":{"system":"https://fernway-portal.example/responses","value":%q},"questionnaire":"%s/Questionnaire/%s|1.0.0","status":%q`,
		p.responseID(i), questionnaire.Base, questionnaire.SelfAssessment, status)
	fmt.Fprintf(&b, `,"subject":{"reference":"Patient/%s"},"authored":%q,"source":{"reference":%q},"item":[`, p.id, authored, p.source)
	fmt.Fprintf(&b, `{"linkId":"extent","item":[{"linkId":"extent.method","answer":[{"valueCoding":{"system":%q,"code":%q}}]},{"linkId":"extent.%s","answer":[{"valueDecimal":%s}]}]}`,
		questionnaire.ScoradSystem, p.method, p.method, w.extent)
	b.WriteString(`,{"linkId":"intensity","item":[`)
	for sign := range scoring.SignCount {
		if sign > 0 {
			b.WriteByte(',')
		}
		grade := [...]string{"absent", "mild", "moderate", "severe"}[w.grades[sign]-'0']
		fmt.Fprintf(&b, `{"linkId":"intensity.%s","answer":[{"valueCoding":{"system":%q,"code":%q}}]}`, scoring.Sign(sign), questionnaire.GradeSystem, grade)
	}
	fmt.Fprintf(&b, `]},{"linkId":"symptoms","item":[{"linkId":"symptoms.itch","answer":[{"valueDecimal":%s}]},{"linkId":"symptoms.sleep-loss","answer":[{"valueDecimal":%s}]}]}]}`, w.itch, w.sleep)
	if !json.Valid([]byte(b.String())) {
		panic("demo: a response is not JSON")
	}
	return []byte(b.String())
}
