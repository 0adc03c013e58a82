package api

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// Page sizes of a search.
const (
	defaultCount = 20
	maxCount     = 200
)

// The most that one search may ask: conditions, and values in all of them
// together. A database has such limits too, and meets them with an error.
const (
	maxCriteria = 50
	maxValues   = 1000
)

// cursorParam carries where the next page goes on; its value is opaque.
const cursorParam = "_cursor"

// search finds stored resources of a type.
func (s *Server) search(resource string) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		asked, err := s.asked(c)
		if err != nil {
			return reply{}, err
		}
		found, err := s.parseSearch(resource, asked.values, strict(c))
		if err != nil {
			return reply{}, err
		}
		page := store.Page{}
		if !found.none {
			if page, err = s.options.Store.Search(c.Request.Context(), found.query); err != nil {
				return reply{}, stored(c.Request.Context(), err)
			}
		}
		return s.results(c, &found, page, asked)
	}
}

// queryOf reads the parameters of a URL. One that is not well-formed is refused:
// to drop it would find more than was asked for.
func queryOf(raw string) (url.Values, error) {
	values, err := url.ParseQuery(raw)
	if err != nil {
		return nil, fail(http.StatusBadRequest, fhir.IssueValue, "The query is not well-formed: a percent sign is followed by two hexadecimal digits, and a semicolon is written %3B.")
	}
	return values, nil
}

// strict says whether unknown parameters are to be refused, not ignored (R4
// search.html 3.1.1.3).
func strict(c *gin.Context) bool { return strings.Contains(prefer(c), "handling=strict") }

// handled is the preference of handling that was followed, "" if none was named.
func handled(c *gin.Context) string {
	if handling := preference(prefer(c), "handling"); handling == "strict" || handling == "lenient" {
		return handling
	}
	return ""
}

// parsed is a search that was understood.
type parsed struct {
	resource string
	// path follows the base: that of the type, or of an operation on it.
	path  string
	query store.Query
	// none says that the conditions cannot be met.
	none bool
	// statusAsked says that some status was asked for by its name.
	statusAsked bool
	// used are the parameters that were taken into account, for the self link;
	// criteria is how many of them select.
	used     url.Values
	criteria int
	// values counts their alternatives.
	values int
	// ignored are the parameters that were not.
	ignored []string
	control
}

// narrow is what must be in both of two lists of alternatives; before is nil
// when there was none.
func (p *parsed) narrow(before, more []string) []string {
	if before == nil {
		return more
	}
	both := slices.DeleteFunc(more, func(v string) bool { return !slices.Contains(before, v) })
	p.none = p.none || len(both) == 0
	return both
}

// parseSearch reads the parameters of a search.
func (s *Server) parseSearch(resource string, values url.Values, strict bool) (parsed, error) {
	p := parsed{resource: resource, path: resource, query: store.Query{Type: resource, Limit: pageOf(resource, defaultCount), Total: true}, used: url.Values{}}
	for _, name := range slices.Sorted(maps.Keys(values)) {
		for _, value := range values[name] {
			used, err := s.applyParam(&p, name, value)
			switch {
			case err != nil:
				return p, err
			case used:
				p.used.Add(name, p.written(name, value))
			case value != "" && strict:
				return p, unsupported(resource, name)
			case value != "" && !slices.Contains(p.ignored, name):
				p.ignored = append(p.ignored, name)
			}
		}
	}
	if (resource == "Observation" || resource == "DiagnosticReport") && !p.statusAsked {
		p.query.NotStatuses = append(p.query.NotStatuses, retracted)
	}
	return p, p.check()
}

// retracted is the status of a score that was taken back. No list has such a
// score unless it is asked for by status, so that nobody takes it for valid (R4
// safety.html).
const retracted = "entered-in-error"

// checkModifier refuses modifiers and chains where none is offered: to leave one
// out would find something else than was asked for (R4 search.html 3.1.1.4.5).
func checkModifier(name string) error {
	switch {
	case strings.Contains(name, ":"):
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "The search parameter "+clipName(name)+" has a modifier that is not supported.")
	case strings.Contains(name, "."):
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "The search parameter "+clipName(name)+" is chained, which is not supported.")
	}
	return nil
}

func unsupported(resource, name string) error {
	return fail(http.StatusBadRequest, fhir.IssueNotSupported, "The search parameter "+clipName(name)+" is not supported for "+resource+".")
}

// applyParam takes one value into account and says whether it did.
func (s *Server) applyParam(p *parsed, name, value string) (bool, error) {
	if used, known, err := p.controls(name, value); known {
		return used, err
	}
	bare, modifier, modified := strings.Cut(name, ":")
	param := paramNamed(p.resource, bare)
	if param == nil || modified && !param.takes(modifier) {
		return false, checkModifier(name)
	}
	if value == "" {
		return false, nil
	}
	p.criteria++
	p.values += 1 + strings.Count(value, ",")
	if p.criteria > maxCriteria || p.values > maxValues {
		return false, fail(http.StatusUnprocessableEntity, fhir.IssueTooCostly, "A search may have "+strconv.Itoa(maxCriteria)+" conditions and "+strconv.Itoa(maxValues)+" values in all; ask for less at once.")
	}
	if modifier == "missing" {
		return true, p.missing(param, value)
	}
	return true, param.apply(s, p, criterion{param: param, modifier: modifier, value: value})
}

// criterion is one value of a parameter, with its modifier.
type criterion struct {
	param           *searchParam
	modifier, value string
}

// not says whether the modifier :not is there.
func (c criterion) not() bool { return c.modifier == "not" }

// takes says whether a modifier is offered: those the table names, and on a
// reference any type of resource.
func (q *searchParam) takes(modifier string) bool {
	if slices.Contains(strings.Fields(q.modifiers), modifier) {
		return true
	}
	return q.kind == "reference" && fhir.IsResource(modifier) && slices.Contains(strings.Fields(q.modifiers), "Type")
}

// missing asks for a parameter to have a value, or none.
func (p *parsed) missing(param *searchParam, value string) error {
	if value != "true" && value != "false" {
		return badParam(param.name+":missing", "true or false")
	}
	missing := value == "true"
	switch {
	case param.marks == nil:
		p.none = p.none || missing // every resource of the type has one
	case param.marksAbsence:
		p.query.Numbers = append(p.query.Numbers, store.NumberQuery{Any: anyOf(param.marks), Not: !missing})
	default:
		p.query.Numbers = append(p.query.Numbers, store.NumberQuery{Any: anyOf(param.marks), Not: missing})
	}
	return nil
}

func clipName(name string) string { return strconv.Quote(name[:min(len(name), 40)]) }

func badParam(name, want string) error {
	return fail(http.StatusBadRequest, fhir.IssueValue, "The search parameter "+name+" must be "+want+".")
}
