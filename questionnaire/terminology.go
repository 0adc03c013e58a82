package questionnaire

import (
	"encoding/json"
	"fmt"
	"sync"
)

// Coding is a code of a code system with its display.
type Coding struct{ System, Code, Display string }

var displays = sync.OnceValue(func() map[string]map[string]string {
	all := map[string]map[string]string{}
	for _, p := range All() {
		if p.Type != "CodeSystem" {
			continue
		}
		var system struct{ Concept []Coding }
		if err := json.Unmarshal(p.JSON, &system); err != nil {
			panic(fmt.Errorf("questionnaire: %s: %w", p.ID, err))
		}
		all[p.URL] = map[string]string{}
		for _, c := range system.Concept {
			all[p.URL][c.Code] = c.Display
		}
	}
	return all
})

// Display gives the display of one of our own codes. An unknown one is a fault
// of the build and panics.
func Display(system, code string) string {
	display, ok := displays()[system][code]
	if !ok {
		panic("questionnaire: " + system + " has no code " + code)
	}
	return display
}

// Known says whether a published code system has a code.
func Known(system, code string) bool {
	_, known := displays()[system][code]
	return known
}

// Codings are those of an item: ours first, then the ones that ride beside it.
func (f *Form) Codings(linkID string) []Coding {
	index, ok := f.byLink[linkID]
	if !ok {
		panic("questionnaire: " + f.Canonical + " has no item " + linkID)
	}
	return f.items[index].codings
}
