package api

import (
	"encoding/json"
	"fmt"
	"math/big"
	"net/http"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
)

// param is one parameter of an answer. It has one value, or parts (R4
// parameters.html, inv-1); the model library would write a value of every type.
type param struct {
	Name      string                  `json:"name"`
	Boolean   *bool                   `json:"valueBoolean,omitempty"`
	Code      string                  `json:"valueCode,omitempty"`
	Date      string                  `json:"valueDate,omitempty"`
	DateTime  string                  `json:"valueDateTime,omitempty"`
	Decimal   json.Number             `json:"valueDecimal,omitempty"`
	Integer   *int64                  `json:"valueInteger,omitempty"`
	String    string                  `json:"valueString,omitempty"`
	Coding    *models.Coding          `json:"valueCoding,omitempty"`
	Concept   *models.CodeableConcept `json:"valueCodeableConcept,omitempty"`
	Quantity  *models.Quantity        `json:"valueQuantity,omitempty"`
	Range     *models.Range           `json:"valueRange,omitempty"`
	Reference *models.Reference       `json:"valueReference,omitempty"`
	Part      params                  `json:"part,omitempty"`
}

// params are parameters, or the parts of one.
type params []param

func (p *params) add(one param) { *p = append(*p, one) }

// parts adds a parameter of parts, unless there are none.
func (p *params) parts(name string, parts params) {
	if len(parts) > 0 {
		p.add(param{Name: name, Part: parts})
	}
}

func (p *params) code(name, code string)   { p.add(param{Name: name, Code: code}) }
func (p *params) text(name, text string)   { p.add(param{Name: name, String: text}) }
func (p *params) count(name string, n int) { p.add(param{Name: name, Integer: ptr(int64(n))}) }
func (p *params) flag(name string, yes bool) {
	p.add(param{Name: name, Boolean: &yes})
}

func (p *params) refer(name, reference string) {
	p.add(param{Name: name, Reference: &models.Reference{Reference: &reference}})
}

// coding adds one of the codes of the score, its parts and methods.
func (p *params) coding(name, code string) {
	display := questionnaire.Display(questionnaire.ScoradSystem, code)
	p.add(param{Name: name, Coding: &models.Coding{System: ptr(questionnaire.ScoradSystem), Code: &code, Display: &display}})
}

// amount adds a value with its unit, unless there is none.
func (p *params) amount(name string, value *big.Rat, unit unit) {
	if value != nil {
		p.add(param{Name: name, Quantity: unit.of(value)})
	}
}

// decimal adds a bare number, unless there is none.
func (p *params) decimal(name string, value *big.Rat) {
	if value != nil {
		p.add(param{Name: name, Decimal: json.Number(rounded(value))})
	}
}

// interval adds both ends of an interval of 95 %, unless there are none.
func (p *params) interval(low, high *big.Rat, unit unit) {
	if low != nil && high != nil {
		p.add(param{Name: "interval-95", Range: &models.Range{Low: unit.of(low), High: unit.of(high)}})
	}
}

// warn adds a typed warning.
func (p *params) warn(code, text string) {
	p.parts("warning", params{{Name: "code", Code: code}, {Name: "text", String: text}})
}

// unit is one of UCUM, with its text.
type unit struct{ text, code string }

// The units of trends and agreement.
var (
	inPoints  = unit{observation.Units[observation.Score], observation.Score}
	inPercent = unit{"%", observation.Percent}
	perWeek   = unit{"score per week", observation.Score + "/wk"}
	inDays    = unit{"days", "d"}
	bare      = unit{"1", "1"}
)

func (u unit) of(value *big.Rat) *models.Quantity {
	written := json.Number(rounded(value))
	return &models.Quantity{Value: &written, Unit: &u.text, System: ptr(ucum), Code: &u.code}
}

// reply answers with the parameters.
func (p params) reply() (reply, error) {
	body, err := json.Marshal(struct {
		ResourceType string `json:"resourceType"`
		Parameter    params `json:"parameter"`
	}{"Parameters", p})
	if err != nil {
		return reply{}, fmt.Errorf("api: writing Parameters: %w", err)
	}
	return reply{status: http.StatusOK, body: body}, nil
}
