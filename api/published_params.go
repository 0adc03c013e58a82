package api

import (
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// fixedParam is a search parameter of fixed resources.
type fixedParam struct {
	name, kind, text string
	// definition is the canonical URL of the SearchParameter.
	definition string
	// values are what a resource has.
	values func(root fhir.Node) []string
	// match makes the comparison with one value asked for; modified those of the
	// modifiers.
	match    matcher
	modified map[string]matcher
}

// matcher makes a comparison with a value asked for, or says why it cannot.
type matcher func(param, wanted string) (func(has string) bool, error)

// fixedParams are those of each type of fixed resource.
var fixedParams = map[string][]fixedParam{
	"Questionnaire": slicesOf(publishedParams("Questionnaire-"), []fixedParam{
		{"subject-type", "token", "Type of who the answers are about", coreParam + "Questionnaire-subject-type", texts("subjectType"), sameToken("http://hl7.org/fhir/resource-types"), nil},
		{"questionnaire-code", "token", "Code of the whole form", sdcParam + "Questionnaire-questionnaire-code", codings("code"), token, nil},
		{"code", "token", "Code of an item", coreParam + "Questionnaire-code", itemCodes, token, nil},
		{"combo-code", "token", "Code of the whole form or of an item", sdcParam + "Questionnaire-combo-code", both(codings("code"), itemCodes), token, nil},
		{"effective", "date", "When the form is meant to be used", coreParam + "Questionnaire-effective", periods("effectivePeriod"), date, nil},
	}),
	"CodeSystem": slicesOf(publishedParams("conformance-"), []fixedParam{
		{"system", "uri", "URL of the codes", coreParam + "CodeSystem-system", texts("url"), exactly, nil},
		{"code", "token", "A code of the system", coreParam + "CodeSystem-code", conceptCodes, token, nil},
	}),
	"ValueSet": slicesOf(publishedParams("conformance-"), []fixedParam{
		{"reference", "uri", "A code system that codes are taken from", coreParam + "ValueSet-reference", includedSystems, exactly, nil},
	}),
	"StructureDefinition": slicesOf(publishedParams("conformance-"), []fixedParam{
		{"type", "uri", "Type that is constrained", coreParam + "StructureDefinition-type", texts("type"), exactly, nil},
		{"base", "reference", "Definition that is constrained", coreParam + "StructureDefinition-base", texts("baseDefinition"), exactly, nil},
	}),
	"OperationDefinition": slicesOf(slices.DeleteFunc(publishedParams("conformance-"), func(p fixedParam) bool { return p.name == "identifier" }), []fixedParam{
		{"code", "token", "Name by which the operation is called", coreParam + "OperationDefinition-code", texts("code"), exactly, nil},
	}),
	"Device": {
		{"identifier", "token", "The device's identifier", coreParam + "Device-identifier", identifiers("identifier"), token, nil},
		{"_id", "token", "Logical id", coreParam + "Resource-id", texts("id"), exactly, nil},
	},
	"Basic": {
		{"code", "token", "What the Basic stands for", coreParam + "Basic-code", concepts("code"), token, nil},
		{"_id", "token", "Logical id", coreParam + "Resource-id", texts("id"), exactly, nil},
	},
	"Subscription": {
		{"_id", "token", "Logical id", coreParam + "Resource-id", texts("id"), exactly, nil},
		{"status", "token", "requested, active, error or off", coreParam + "Subscription-status", texts("status"), sameToken("http://hl7.org/fhir/subscription-status"), nil},
		{"criteria", "string", "The topic", coreParam + "Subscription-criteria", texts("criteria"), startsWith, map[string]matcher{"exact": exactly, "contains": contains}},
		{"url", "uri", "The endpoint", coreParam + "Subscription-url", channelTexts("endpoint"), exactly, nil},
		{"type", "token", "The type of channel", coreParam + "Subscription-type", channelTexts("type"), sameToken("http://hl7.org/fhir/subscription-channel-type"), nil},
		{"payload", "token", "The media type of the payload", coreParam + "Subscription-payload", channelTexts("payload"), exactly, nil},
	},
}

// channelTexts are texts of Subscription.channel.
func channelTexts(name string) func(fhir.Node) []string {
	return func(root fhir.Node) []string { return texts(name)(root.Get("channel")) }
}

const (
	coreParam = "http://hl7.org/fhir/SearchParameter/"
	sdcParam  = "http://hl7.org/fhir/uv/sdc/SearchParameter/"
)

// publishedParams are those of all that is published, whose definitions R4 names
// by a prefix.
func publishedParams(prefix string) []fixedParam {
	define := func(name string) string { return coreParam + prefix + name }
	text := map[string]matcher{"exact": exactly, "contains": contains}
	return []fixedParam{
		{"_id", "token", "Logical id", coreParam + "Resource-id", texts("id"), exactly, nil},
		{"url", "uri", "Canonical URL, alone or as url|version", define("url"), canonical, sameCanonical, map[string]matcher{"below": below}},
		{"version", "token", "Version", define("version"), texts("version"), exactly, nil},
		{"status", "token", "Status", define("status"), texts("status"), sameToken("http://hl7.org/fhir/publication-status"), nil},
		{"experimental", "token", "Whether it is for trial only", sdcParam + "canonical-experimental", flags("experimental"), exactly, nil},
		{"name", "string", "Start of the name", define("name"), texts("name"), startsWith, text},
		{"title", "string", "Start of the title", define("title"), texts("title"), startsWith, text},
		{"description", "string", "Start of the description", define("description"), texts("description"), startsWith, text},
		{"publisher", "string", "Start of the publisher's name", define("publisher"), texts("publisher"), startsWith, text},
		{"date", "date", "When it last changed", define("date"), dates("date"), date, nil},
		{"identifier", "token", "Identifier beside the URL", define("identifier"), identifiers("identifier"), token, nil},
		{"jurisdiction", "token", "Where it is meant to be used", define("jurisdiction"), concepts("jurisdiction"), token, nil},
		{"context-type", "token", "Kind of use context", define("context-type"), contextTypes, token, nil},
		{"context", "token", "Use context", define("context"), contexts, token, nil},
		{"context-type-value", "composite", "Kind and value of a use context, as type$value", define("context-type-value"), contextPairs, pair, nil},
	}
}

func slicesOf(lists ...[]fixedParam) []fixedParam {
	var all []fixedParam
	for _, list := range lists {
		all = append(all, list...)
	}
	return all
}

// Values of resources. A token is system|code, a date first|last instant.

func texts(name string) func(fhir.Node) []string {
	return func(root fhir.Node) (all []string) {
		for n := range root.Each(name) {
			all = append(all, n.Text())
		}
		return all
	}
}

func flags(name string) func(fhir.Node) []string {
	return func(root fhir.Node) []string {
		if n := root.Get(name); n.Exists() {
			return []string{string(n.Raw())}
		}
		return nil
	}
}

func canonical(root fhir.Node) []string {
	return []string{root.Get("url").Text() + "|" + root.Get("version").Text()}
}

func identifiers(name string) func(fhir.Node) []string {
	return func(root fhir.Node) (all []string) {
		for n := range root.Each(name) {
			all = append(all, n.Get("system").Text()+"|"+n.Get("value").Text())
		}
		return all
	}
}

func codings(name string) func(fhir.Node) []string {
	return func(root fhir.Node) (all []string) {
		for n := range root.Each(name) {
			all = append(all, n.Get("system").Text()+"|"+n.Get("code").Text())
		}
		return all
	}
}

func concepts(name string) func(fhir.Node) []string {
	return func(root fhir.Node) (all []string) {
		for n := range root.Each(name) {
			all = append(all, codings("coding")(n)...)
		}
		return all
	}
}

func both(a, b func(fhir.Node) []string) func(fhir.Node) []string {
	return func(root fhir.Node) []string { return append(a(root), b(root)...) }
}

func itemCodes(parent fhir.Node) (all []string) {
	for item := range parent.Each("item") {
		all = append(append(all, codings("code")(item)...), itemCodes(item)...)
	}
	return all
}

func conceptCodes(root fhir.Node) []string {
	return conceptsUnder(root, root.Get("url").Text())
}

func conceptsUnder(parent fhir.Node, system string) (all []string) {
	for concept := range parent.Each("concept") {
		all = append(append(all, system+"|"+concept.Get("code").Text()), conceptsUnder(concept, system)...)
	}
	return all
}

func includedSystems(root fhir.Node) (all []string) {
	for include := range root.Get("compose").Each("include") {
		all = append(all, include.Get("system").Text())
	}
	return all
}

func contextTypes(root fhir.Node) (all []string) {
	for use := range root.Each("useContext") {
		all = append(all, codings("code")(use)...)
	}
	return all
}

func contexts(root fhir.Node) (all []string) {
	for use := range root.Each("useContext") {
		all = append(all, codings("coding")(use.Get("valueCodeableConcept"))...)
	}
	return all
}

// contextPairs join each type with each of its values.
func contextPairs(root fhir.Node) (all []string) {
	for use := range root.Each("useContext") {
		for _, kind := range codings("code")(use) {
			for _, value := range codings("coding")(use.Get("valueCodeableConcept")) {
				all = append(all, kind+"$"+value)
			}
		}
	}
	return all
}

func dates(name string) func(fhir.Node) []string {
	return func(root fhir.Node) []string {
		d, err := fhir.ParseDateTime(root.Get(name).Bytes())
		if err != nil {
			return nil
		}
		return []string{span(d.Range())}
	}
}

// The bounds of what has none (R4 search.html 3.1.1.4.7).
var (
	beginning = time.Unix(0, 0).AddDate(-1969, 0, 0)
	end       = time.Unix(0, 0).AddDate(8029, 0, 0)
)

func periods(name string) func(fhir.Node) []string {
	return func(root fhir.Node) []string {
		period := root.Get(name)
		if !period.Exists() {
			return nil
		}
		low, high := beginning, end
		if d, err := fhir.ParseDateTime(period.Get("start").Bytes()); err == nil {
			low, _ = d.Range()
		}
		if d, err := fhir.ParseDateTime(period.Get("end").Bytes()); err == nil {
			_, high = d.Range()
		}
		return []string{span(low, high)}
	}
}

func span(low, high time.Time) string {
	return low.UTC().Format(time.RFC3339Nano) + "|" + high.UTC().Format(time.RFC3339Nano)
}

// Comparisons.

func exactly(_, wanted string) (func(string) bool, error) {
	return func(has string) bool { return has == wanted }, nil
}

func sameCanonical(_, wanted string) (func(string) bool, error) {
	return func(has string) bool {
		url, _, _ := strings.Cut(has, "|")
		return wanted == has || wanted == url
	}, nil
}

func below(_, wanted string) (func(string) bool, error) {
	return func(has string) bool { return strings.HasPrefix(has, wanted) }, nil
}

// startsWith ignores case, as string parameters do (R4 search.html 3.1.1.4.8).
func startsWith(_, wanted string) (func(string) bool, error) {
	return func(has string) bool {
		return len(has) >= len(wanted) && strings.EqualFold(has[:len(wanted)], wanted)
	}, nil
}

func contains(_, wanted string) (func(string) bool, error) {
	wanted = strings.ToLower(wanted)
	return func(has string) bool { return strings.Contains(strings.ToLower(has), wanted) }, nil
}

// sameToken compares a code of the one system that its element has.
func sameToken(system string) matcher {
	return func(_, wanted string) (func(string) bool, error) {
		code, ok := codeOf(wanted, system)
		return func(has string) bool { return ok && (code == has || code == "") }, nil
	}
}

// token compares system|code with code, system|code, |code or system| (R4
// search.html 3.1.1.4.10).
func token(_, wanted string) (func(string) bool, error) {
	system, code, qualified := strings.Cut(wanted, "|")
	if !qualified {
		code = wanted
	}
	return func(has string) bool {
		s, c, _ := strings.Cut(has, "|")
		return (!qualified || s == system) && (c == code || qualified && code == "" && system != "")
	}, nil
}

// pair compares both parts of a composite value.
func pair(param, wanted string) (func(string) bool, error) {
	kind, value, ok := strings.Cut(wanted, "$")
	if !ok {
		return nil, badParam(param, "two codes with a dollar sign between them")
	}
	matchKind, _ := token(param, kind)
	matchValue, _ := token(param, value)
	return func(has string) bool {
		k, v, _ := strings.Cut(has, "$")
		return matchKind(k) && matchValue(v)
	}, nil
}

func date(param, wanted string) (func(string) bool, error) {
	asked, err := timeRange(param, wanted)
	if err != nil {
		return nil, err
	}
	return func(has string) bool {
		first, last, _ := strings.Cut(has, "|")
		low, errLow := time.Parse(time.RFC3339Nano, first)
		high, errHigh := time.Parse(time.RFC3339Nano, last)
		return errLow == nil && errHigh == nil && within(asked, low, high)
	}, nil
}

// within compares a range with the one asked for (R4 search.html 3.1.1.4.7);
// about is any overlap.
func within(asked store.TimeRange, low, high time.Time) bool {
	equal := !low.Before(asked.Low) && !high.After(asked.High)
	switch asked.Prefix {
	case store.NotEqual:
		return !equal
	case store.GreaterThan:
		return high.After(asked.High)
	case store.LessThan:
		return low.Before(asked.Low)
	case store.GreaterOrEqual:
		return equal || high.After(asked.High)
	case store.LessOrEqual:
		return equal || low.Before(asked.Low)
	case store.StartsAfter:
		return low.After(asked.High)
	case store.EndsBefore:
		return high.Before(asked.Low)
	case store.Approximately:
		return !low.After(asked.High) && !high.Before(asked.Low)
	}
	return equal
}
