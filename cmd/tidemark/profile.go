package main

import (
	"fmt"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/questionnaire"
)

// profileOf is what a target takes of a score, as it is configured.
func profileOf(t config.Target) (observation.Profile, error) {
	p := observation.Profile{
		Shape: observation.Shape(t.Shape), Systems: t.Codings.Systems,
		WithoutNarrative: !t.Narrative, Logical: t.References == config.ReferLogical,
	}
	if len(t.Codings.Add) > 0 {
		p.Codings = map[string][]questionnaire.Coding{}
	}
	for _, c := range t.Codings.Add {
		p.Codings[c.For] = append(p.Codings[c.For], questionnaire.Coding(c.Coding))
	}
	if t.Category != nil {
		p.Category = []questionnaire.Coding{}
	}
	for _, c := range t.Category {
		p.Category = append(p.Category, questionnaire.Coding(c))
	}
	if err := p.Check(); err != nil {
		return p, fmt.Errorf("%s: %w", t.Setting("codings.add"), err)
	}
	return p, nil
}

// wanted is a target as the API wants scores at it.
func wanted(t config.Target, p observation.Profile) api.Target {
	target := api.Target{Name: t.Name, Base: t.URL}
	if p.Shape != observation.Single {
		target.Members = p.Shape.Members
	}
	return target
}
