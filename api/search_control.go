package api

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// control is how results are to be given, not which (R4 search.html 3.1.1.5).
type control struct {
	// summary is _summary, "" if not asked for; elements are those of _elements.
	summary  string
	elements []string
	// includes and revIncludes are the joins asked for.
	includes, revIncludes []join
}

// sorts are the orders of each type, by the name of a search parameter.
var sorts = map[string]map[string][2]store.Sort{
	"QuestionnaireResponse": {"authored": byTime, "status": byStatus, "_id": byID, "_lastUpdated": byLastUpdated},
	"Observation":           {"date": byTime, "status": byStatus, "_id": byID, "_lastUpdated": byLastUpdated},
	"Provenance":            {"_id": byID, "_lastUpdated": byLastUpdated},
	"Task":                  {"_id": byID},
	"DiagnosticReport":      {"date": byTime, "_id": byID},
}

// Each order, ascending and descending.
var (
	byTime        = [2]store.Sort{store.ByTime, store.ByTimeDesc}
	byStatus      = [2]store.Sort{store.ByStatus, store.ByStatusDesc}
	byID          = [2]store.Sort{store.ByID, store.ByIDDesc}
	byLastUpdated = [2]store.Sort{store.ByLastUpdated, store.ByLastUpdatedDesc}
)

// controls takes a parameter of the result into account; known is false if it is
// none of them, used is false where it names something that is not offered.
func (p *parsed) controls(name, value string) (used, known bool, err error) {
	reader, known := map[string]func(string) (bool, error){
		"_count": p.readCount, "_sort": p.readSort, "_total": p.readTotal, "_summary": p.readSummary,
		"_elements": p.readElements, "_include": p.readInclude, "_revinclude": p.readRevInclude,
		cursorParam: func(value string) (bool, error) { p.query.After = value; return true, nil },
		"_format":   func(string) (bool, error) { return true, nil },
		"_pretty":   func(string) (bool, error) { return true, nil },
	}[name]
	if !known || value == "" {
		return false, known, nil
	}
	used, err = reader(value)
	return used, true, err
}

// written is how the self link gives a parameter: as sent, but _count as it was
// cut.
func (p *parsed) written(name, value string) string {
	if name == "_count" {
		return strconv.Itoa(p.query.Limit)
	}
	return value
}

func (p *parsed) readCount(value string) (bool, error) {
	n, err := countParam(value)
	p.query.Limit = min(n, pageOf(p.resource, maxCount))
	return true, err
}

// countParam reads _count; more than the most is cut to it.
func countParam(value string) (int, error) {
	n, err := strconv.Atoi(value)
	if err != nil || n < 0 {
		return 0, badParam("_count", "a whole number")
	}
	return min(n, maxCount), nil
}

// readSort reads a list of orders, the first of which decides.
func (p *parsed) readSort(value string) (bool, error) {
	var all []store.Sort
	for name := range strings.SplitSeq(value, ",") {
		bare, down := strings.CutPrefix(name, "-")
		order, known := sorts[p.resource][bare]
		if !known {
			return false, badParam("_sort", "of "+sortNames(p.resource)+", each with a minus before it for the reverse, separated by commas")
		}
		if down {
			all = append(all, order[1])
		} else {
			all = append(all, order[0])
		}
	}
	p.query.Sort, p.query.Then = all[0], all[1:]
	return true, nil
}

// sortNames lists what a type is sorted by.
func sortNames(resource string) string {
	var names []string
	for name := range sorts[resource] {
		names = append(names, name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

// readTotal reads _total. An estimate would cost as much as the number itself.
func (p *parsed) readTotal(value string) (bool, error) {
	if !slices.Contains([]string{"none", "estimate", "accurate"}, value) {
		return false, badParam("_total", "none, estimate or accurate")
	}
	p.query.Total = value != "none"
	return true, nil
}

func (p *parsed) readSummary(value string) (bool, error) {
	if !slices.Contains([]string{"true", "text", "data", "count", "false"}, value) {
		return false, badParam("_summary", "true, text, data, count or false")
	}
	p.summary = value
	return true, nil
}

// readElements reads names of elements of the type, as R4 or as others write
// them (Observation.status).
func (p *parsed) readElements(value string) (bool, error) {
	for name := range strings.SplitSeq(value, ",") {
		name = strings.TrimPrefix(strings.TrimSpace(name), p.resource+".")
		if !fhir.HasElement(p.resource, name) {
			return false, badParam("_elements", "a list of names of elements of "+p.resource+", separated by commas")
		}
		p.elements = append(p.elements, name)
	}
	return true, nil
}

// check refuses what does not go together.
func (p *parsed) check() error {
	if p.summary == "count" {
		p.query.Limit, p.query.Total = 0, true
	}
	joined := len(p.includes) > 0 || len(p.revIncludes) > 0
	switch {
	case p.summary == "text" && joined:
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "_summary=text does not go with _include or _revinclude (R4 search.html 3.1.1.5.9).")
	case p.summary != "" && p.summary != "false" && p.elements != nil:
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "Use either _summary or _elements.")
	}
	return nil
}
