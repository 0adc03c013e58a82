package observation

import (
	"strings"
	"sync"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// What a score says, in English; languages has the translations. Names in braces
// are filled in.
const (
	// Caution is the note that every score carries.
	Caution = "The score supports, and never replaces, the judgement of a clinician; local guidance and licensed practice prevail. It neither diagnoses nor chooses a treatment."

	totalSays     = "{score} of 103 points ({band}, set {set})"
	objectiveSays = "objective {score} of 83 points"
	noTotalSays   = "no total, since itch or sleep loss was not answered"
	absentSays    = "Itch or sleep loss was not answered, so there is no SCORAD."
	bandSays      = "{band} (band set {set})"
	retractedSays = "entered in error, not to be used"
	rescoredSays  = "Computed again from the same answers by SCORAD algorithm {algorithm} and band set {set}; the answers have not changed."
	membersSay    = "{n} observations, the total among them"
	pointsSay     = "{n} points"
	palmsSay      = "{n} palms"
	yesSays       = "yes"
	noSays        = "no"
)

// sentence is one with a number in it.
type sentence struct{ before, after string }

// around cuts a sentence at its number.
func around(says string) sentence {
	before, after, _ := strings.Cut(says, "{score}")
	return sentence{before, after}
}

// words is everything that scores say in one language, prepared. None of it needs
// escaping in JSON or XHTML; tests hold that.
type words struct {
	language *languages.Language
	// begin runs from the language to the words of the narrative.
	begin                    string
	objective                sentence
	noTotal, caution, absent string
	// titles are those of the forms, by who rates.
	titles     [2]string
	categories [2]string
	methodOf   [2][4]string
	fragments  map[*questionnaire.Form]*fragments
	bands      map[string]*bandFragments
}

var allWords = sync.OnceValue(func() map[string]*words {
	all := map[string]*words{}
	for _, l := range languages.All() {
		all[l.Code] = newWords(l)
	}
	return all
})

// wordsIn are those of a language, given as the language of a resource; English
// for none, and for one that we have not.
func wordsIn(node fhir.Node) *words {
	all := allWords()
	if !node.Exists() {
		return all["en"]
	}
	if w, ok := all[string(node.Bytes())]; ok {
		return w
	}
	return all[languages.Match(node.Text()).Code]
}

func newWords(l *languages.Language) *words {
	w := &words{language: l, begin: beginning(l.Code), objective: around(l.Text(objectiveSays)), noTotal: l.Text(noTotalSays),
		caution: l.Text(Caution), absent: l.Text(absentSays), fragments: map[*questionnaire.Form]*fragments{}}
	for _, form := range questionnaire.Forms() {
		w.titles[form.Rater] = l.Text(form.Title)
		w.fragments[form] = w.prepare(form)
	}
	w.categories, w.methodOf, w.bands = w.category(), w.methods(), w.bandSets()
	return w
}

// beginning is the language of a resource and its narrative up to the words.
func beginning(code string) string {
	return `"language":"` + code + `",` + narrative(code)
}

// narrative is the narrative of a resource up to the words.
func narrative(code string) string {
	return `"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\" lang=\"` + code + `\" xml:lang=\"` + code + `\"><p>`
}

// interpretation is the band, in a set.
func (w *words) interpretation(band scoring.Band, set string) string {
	return w.bands[set].interpretations[band]
}

// number writes a sentence around a number.
func (w *words) number(dst []byte, says sentence, points scoring.Points) []byte {
	var digits [8]byte
	dst = append(dst, says.before...)
	dst = w.language.AppendNumber(dst, points.Append(digits[:0]))
	return append(dst, says.after...)
}
