package subscription

import (
	"net/url"
	"slices"
	"strings"

	"tidemark.example/tidemark/fhir"
)

// Score is what a filter is held against: one version of a score.
type Score struct {
	// Patient is what its patient is found by, as Patient/17, another server's
	// reference, or identifier:system|value.
	Patient string
	// Status is that of the Observation.
	Status string
	// Questionnaire gives the canonical of the form that was answered, with its
	// version if the response names one; "" if it is not known. It is asked only
	// where a filter needs it.
	Questionnaire func() string
}

// Filter is one condition: the parameter has any of the values.
type Filter struct {
	Param  string
	Values []string
}

// filterParam is a parameter of the topic. Read takes a value as it was sent and
// gives it as matches compares it, false if it cannot be one.
type filterParam struct {
	name, text string
	read       func(value, base string) (string, bool)
	matches    func(value string, score Score) bool
}

var filterParams = []filterParam{
	{"patient", "The patient that the score is about, as Patient/17 or 17.", readPatient, isPatient},
	{"patient:identifier", "The same, by an identifier that the response names the patient by, as system|value.", readIdentifier, isPatient},
	{"status", "The status of the Observation: final, amended or entered-in-error.", readStatus, func(v string, s Score) bool { return v == s.Status }},
	{"questionnaire", "The form that was answered, by its canonical URL, of any version or of one as url|version.", readCanonical, isQuestionnaire},
}

// statuses are those that a score can have.
var statuses = []string{"final", "amended", "entered-in-error"}

func readPatient(value, base string) (string, bool) {
	if fhir.IsID(value) {
		return "Patient/" + value, true
	}
	reference, ok := fhir.ParseReference([]byte(strings.TrimPrefix(value, base+"/")))
	return reference.String(), ok && reference.Type == "Patient" && reference.Version == ""
}

func readIdentifier(value, _ string) (string, bool) {
	_, code, bar := strings.Cut(value, "|")
	return "identifier:" + value, bar && code != ""
}

func isPatient(value string, score Score) bool { return value == score.Patient }

func readStatus(value, _ string) (string, bool) {
	value = strings.TrimPrefix(value, "http://hl7.org/fhir/observation-status|")
	return value, slices.Contains(statuses, value)
}

func readCanonical(value, _ string) (string, bool) {
	parsed, err := url.Parse(value)
	return value, err == nil && parsed.IsAbs()
}

func isQuestionnaire(value string, score Score) bool {
	full := score.Questionnaire()
	bare, _, _ := strings.Cut(full, "|")
	return full != "" && (value == full || value == bare)
}

// readFilters reads one filter criteria, as Observation?patient=17&status=final;
// each of its parameters is a condition. The fault is "" if there is none.
func readFilters(text, base string) (filters []Filter, fault string) {
	kind, query, found := strings.Cut(text, "?")
	if !found || kind != "Observation" {
		return nil, "Write the filter as a search for the topic's resource, as Observation?status=final."
	}
	values, err := url.ParseQuery(query)
	if err != nil || len(values) == 0 {
		return nil, "What follows Observation? must be the parameters of a search, as status=final, percent-encoded where needed."
	}
	for name, all := range values {
		at := slices.IndexFunc(filterParams, func(p filterParam) bool { return p.name == name })
		if at < 0 {
			return nil, "The topic can be filtered by " + filterNames() + " only."
		}
		for _, each := range all {
			filter := Filter{Param: name}
			for value := range strings.SplitSeq(each, ",") {
				value, ok := filterParams[at].read(value, base)
				if !ok {
					return nil, "A value of " + name + " is not understood. " + filterParams[at].text
				}
				filter.Values = append(filter.Values, value)
			}
			filters = append(filters, filter)
		}
	}
	slices.SortFunc(filters, func(a, b Filter) int { return strings.Compare(a.Param, b.Param) })
	return filters, ""
}

func filterNames() string {
	names := make([]string, len(filterParams))
	for i, p := range filterParams {
		names[i] = p.name
	}
	return strings.Join(names, ", ")
}

// Matches says whether a score passes all filters.
func Matches(filters []Filter, score Score) bool {
	for _, f := range filters {
		if !f.passes(score) {
			return false
		}
	}
	return true
}

func (f Filter) passes(score Score) bool {
	for _, p := range filterParams {
		if p.name == f.Param {
			return slices.ContainsFunc(f.Values, func(v string) bool { return p.matches(v, score) })
		}
	}
	return false
}
