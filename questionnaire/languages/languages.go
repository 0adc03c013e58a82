// Package languages has what people read of the forms and the scores in other
// languages than English: one table for each, authored beside the English texts
// so that a clinician can review it by itself. The English text is the key: one
// that is reworded loses its translations until they are written anew, and never
// keeps one that says what it said before.
//
// The published resources carry the tables as translation extensions and
// designations; questionnaire/languages/merge writes them there.
package languages

import (
	"embed"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"go.yaml.in/yaml/v3"
	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"
)

//go:embed *.yaml
var tables embed.FS

// Codes are the languages of the tables (BCP 47), in the order in which a form
// has them.
var Codes = []string{"de", "es", "fr", "it", "nl", "pl", "pt"}

// Language is one in which texts can be given.
type Language struct {
	// Code is its BCP 47 tag, Name what it calls itself.
	Code, Name string
	// Status is draft until a clinician has signed the table off; signed for
	// English, in which the texts are written.
	Status string

	tag     language.Tag
	decimal string
	texts   map[string]string
	bands   map[string]string
	plurals map[string]map[plural.Form]string
}

// English is what everything falls back to. Of its plurals it has the forms that
// differ from the sentence by which they are known.
var English = sync.OnceValue(func() *Language {
	return &Language{
		Code: "en", Name: "English", Status: "signed", tag: language.English, decimal: separator(language.English),
		plurals: map[string]map[plural.Form]string{
			"{n} points": {plural.One: "{n} point"}, "{n} palms": {plural.One: "{n} palm"}, "{n} days ago": {plural.One: "{n} day ago"},
		},
	}
})

// All lists the languages, English first.
var All = sync.OnceValue(func() []*Language {
	all := []*Language{English()}
	for _, code := range Codes {
		data, err := tables.ReadFile(code + ".yaml")
		if err != nil {
			panic(fmt.Errorf("languages: %w", err))
		}
		l, err := parse(code, data)
		if err != nil {
			panic(fmt.Errorf("languages: %s.yaml: %w", code, err))
		}
		all = append(all, l)
	}
	return all
})

// table is the file of a language. A row has the English text under en and the
// translation under the language's own code.
type table struct {
	Language, Name, Status string
	Forms, Bands, Scores   []map[string]string
	Report, Cards          []map[string]string
	Plurals                []map[string]yaml.Node
}

func parse(code string, data []byte) (*Language, error) {
	decoder := yaml.NewDecoder(strings.NewReader(string(data)))
	decoder.KnownFields(true)
	var t table
	if err := decoder.Decode(&t); err != nil {
		return nil, err
	}
	tag, err := language.Parse(code)
	if err != nil || t.Language != code || t.Name == "" {
		return nil, fmt.Errorf("language must be %s, with its name", code)
	}
	if t.Status != "draft" && !strings.HasPrefix(t.Status, "signed") {
		return nil, fmt.Errorf("status is draft, or signed with who and when")
	}
	l := &Language{Code: code, Name: t.Name, Status: t.Status, tag: tag, decimal: separator(tag),
		texts: map[string]string{}, bands: map[string]string{}, plurals: map[string]map[plural.Form]string{}}
	for _, rows := range [][]map[string]string{t.Forms, t.Scores, t.Report, t.Cards} {
		if err := l.read(l.texts, rows); err != nil {
			return nil, err
		}
	}
	if err := l.read(l.bands, t.Bands); err != nil {
		return nil, err
	}
	return l, l.readPlurals(t.Plurals)
}

func (l *Language) read(into map[string]string, rows []map[string]string) error {
	for _, row := range rows {
		english, translated := row["en"], row[l.Code]
		switch {
		case len(row) != 2 || english == "" || translated == "":
			return fmt.Errorf("a row has a text under en and one under %s, not %q", l.Code, row)
		case into[english] != "":
			return fmt.Errorf("%q is there twice", english)
		}
		into[english] = translated
	}
	return nil
}

// forms of plurals by their names in CLDR.
var forms = map[string]plural.Form{
	"other": plural.Other, "zero": plural.Zero, "one": plural.One, "two": plural.Two, "few": plural.Few, "many": plural.Many,
}

func (l *Language) readPlurals(rows []map[string]yaml.Node) error {
	for _, row := range rows {
		var english string
		var named map[string]string
		from, to := row["en"], row[l.Code]
		if err := from.Decode(&english); err != nil {
			return err
		}
		if err := to.Decode(&named); err != nil {
			return err
		}
		l.plurals[english] = map[plural.Form]string{}
		for name, text := range named {
			form, known := forms[name]
			if !known {
				return fmt.Errorf("%q: there is no plural form %q", english, name)
			}
			l.plurals[english][form] = text
		}
		if l.plurals[english][plural.Other] == "" {
			return fmt.Errorf("%q has no form other", english)
		}
	}
	return nil
}

// separator is the decimal separator of a language.
func separator(tag language.Tag) string {
	text := message.NewPrinter(tag).Sprint(number.Decimal(1.5, number.Scale(1)))
	return strings.TrimSuffix(strings.TrimPrefix(text, "1"), "5")
}

// longest is how much of a list of languages is read.
const longest = 200

var matcher = sync.OnceValue(func() language.Matcher {
	var tags []language.Tag
	for _, l := range All() {
		tags = append(tags, l.tag)
	}
	return language.NewMatcher(tags)
})

// Match finds the language for a tag (a resource's language) or for a list of
// them with weights (RFC 9110 Accept-Language), English if none is ours: de-AT is
// German, pt-BR Portuguese. Neighbours are not taken for each other: CLDR would
// give French to readers of Kinyarwanda, and a chart is no place to guess.
func Match(list string) *Language {
	if len(list) > longest {
		return English()
	}
	wanted, _, err := language.ParseAcceptLanguage(list)
	if err != nil {
		return English()
	}
	for _, tag := range wanted {
		_, index, _ := matcher().Match(tag)
		found := All()[index]
		if base, _ := tag.Base(); base.String() == found.Code {
			return found
		}
	}
	return English()
}

// Translated is the translation of an English text; ok is false if there is none.
func (l *Language) Translated(english string) (text string, ok bool) {
	text, ok = l.texts[english]
	return text, ok
}

// Text is the translation, or the English itself where there is none.
func (l *Language) Text(english string) string {
	if text, ok := l.texts[english]; ok {
		return text
	}
	return english
}

// TranslatedBand is that of a severity band, whose words may differ from those
// of grades.
func (l *Language) TranslatedBand(english string) (text string, ok bool) {
	text, ok = l.bands[english]
	return text, ok
}

// Band is the translation of a severity band, or the English itself.
func (l *Language) Band(english string) string {
	if text, ok := l.bands[english]; ok {
		return text
	}
	return english
}

// Fill puts values into the places of a sentence that are named in braces: name,
// value, name, value.
func Fill(sentence string, values ...string) string {
	pairs := make([]string, len(values))
	for i, value := range values {
		if pairs[i] = value; i%2 == 0 {
			pairs[i] = "{" + value + "}"
		}
	}
	return strings.NewReplacer(pairs...).Replace(sentence)
}

// AppendNumber writes a decimal as R4 has it (39.80) with the separator of the
// language; its digits stay as they are.
func (l *Language) AppendNumber(dst, decimal []byte) []byte {
	for _, c := range decimal {
		if c == '.' {
			dst = append(dst, l.decimal...)
		} else {
			dst = append(dst, c)
		}
	}
	return dst
}

// Number is AppendNumber for texts.
func (l *Language) Number(decimal string) string { return string(l.AppendNumber(nil, []byte(decimal))) }

// Plural fills a decimal into the place {n} of a sentence, in the plural form
// that goes with it: 1 punkt, 2 punkty, 2,5 punktu. A form that a table does not
// have is that of other.
func (l *Language) Plural(english, decimal string) string {
	named := l.plurals[english]
	for _, form := range []plural.Form{l.form(decimal), plural.Other} {
		if sentence, ok := named[form]; ok {
			return Fill(sentence, "n", l.Number(decimal))
		}
	}
	return Fill(english, "n", l.Number(decimal))
}

// form is the plural form of a decimal, by CLDR's operands: integer part, number
// of decimals with and without zeros at the end, and these decimals.
func (l *Language) form(decimal string) plural.Form {
	whole, decimals, _ := strings.Cut(decimal, ".")
	bare := strings.TrimRight(decimals, "0")
	return plural.Cardinal.MatchPlural(l.tag, operand(whole), len(decimals), len(bare), operand(decimals), operand(bare))
}

// operand reads digits of ours; none is 0.
func operand(digits string) int {
	n, err := strconv.Atoi("0" + digits)
	if err != nil {
		panic(fmt.Errorf("languages: %w", err)) // scores have few digits
	}
	return n
}
