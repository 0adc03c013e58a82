package main

import (
	"fmt"
	"net/http"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
)

// panels saves scores as panels: of each form and method, and of one method
// each in every other state.
func (e *emitter) panels() {
	for short, form := range forms {
		for _, method := range methods {
			usual := assessment{form: form, method: method, name: short + "-" + method, percent: "20", itch: "6.5", sleep: "4", grade: "moderate"}
			e.panel(usual, "completed", "completed")
			if method == "hands" {
				e.panel(usual, "amended", "amended")
				usual.sleep = ""
				e.panel(usual, "completed", "no-total")
				e.retractedPanel(usual)
			}
		}
	}
}

// panel has the server extract one.
func (e *emitter) panel(a assessment, status, name string) {
	found := e.call(http.MethodPost, "/QuestionnaireResponse/$extract?shape=panel", e.encode(a.response(status, "")), http.StatusOK)
	e.save("Bundle-panel-"+a.name+"-"+name, found.body)
}

// retractedPanel is made of what the server stores of a retracted score; no
// request answers it, since nothing but what counts is extracted.
func (e *emitter) retractedPanel(a assessment) {
	a.name += "-panel"
	id := e.once(a)
	e.call(http.MethodPut, "/QuestionnaireResponse/"+id, e.encode(a.response("entered-in-error", id)), http.StatusOK)
	stored := e.call(http.MethodGet, "/Observation/"+id, nil, http.StatusOK)
	document, err := fhir.Decode(stored.body)
	if err != nil {
		e.fail(fmt.Errorf("a retracted score does not decode: %w", err))
		return
	}
	defer document.Release()
	e.save("Bundle-panel-"+a.name+"-entered-in-error", observation.PanelBundle(nil, document.Root()))
}
