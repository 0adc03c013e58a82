package questionnaire

import (
	"slices"
	"sync"
)

// synonyms gives our own code for each coding that an item of a published form
// carries, ours included, and for each of our result codes.
var synonyms = sync.OnceValue(func() map[Coding]string {
	all := map[Coding]string{}
	for code := range displays()[ScoradSystem] {
		all[Coding{System: ScoradSystem, Code: code}] = code
	}
	for _, form := range Forms() {
		for _, item := range form.items {
			for _, c := range item.codings {
				all[Coding{System: c.System, Code: c.Code}] = item.codings[0].Code
			}
		}
	}
	return all
})

// OwnCodes gives the codes of ScoradSystem that a coding of an item or a result
// stands for, sorted: of any system if the system is "", and all of a system if
// the code is "".
func OwnCodes(system, code string) []string {
	var own []string
	for coding, ours := range synonyms() {
		if (system == "" || coding.System == system) && (code == "" || coding.Code == code) {
			own = append(own, ours)
		}
	}
	slices.Sort(own)
	return slices.Compact(own)
}
