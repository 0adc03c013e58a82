package api

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
)

// lastn answers the most recent scores of a patient (R4
// observation-operation-lastn.html). All scores have the one code, so that they
// are one group. What was entered in error is left out unless asked for by
// status, where R4 would leave it in.
func (s *Server) lastn(c *gin.Context) (reply, error) {
	values, err := s.operationInput(c)
	if err != nil {
		return reply{}, err
	}
	most, err := mostOf(values.Get("max"))
	if err != nil {
		return reply{}, err
	}
	values.Del("max")
	p, err := s.parseSearch("Observation", values, strict(c))
	if err != nil {
		return reply{}, err
	}
	if !anyNamed(p.used, "patient", "subject") {
		return reply{}, badInput(fhir.IssueRequired, "$lastn needs a patient or subject.")
	}
	if !anyNamed(p.used, "category", "code", "combo-code", "component-code", "code-value-quantity", "component-code-value-quantity", "combo-code-value-quantity") {
		return reply{}, badInput(fhir.IssueRequired, "$lastn needs a category, or a parameter with a code, such as code.")
	}
	found, err := s.latest(c.Request.Context(), &p, most)
	if err != nil {
		return reply{}, stored(c.Request.Context(), err)
	}
	p.path, p.query.Limit, p.query.Total = "Observation/$lastn", maxCount, true
	p.used.Set("max", strconv.Itoa(most))
	return s.results(c, &p, store.Page{Resources: found, Total: len(found)}, asked{hidden: c.Request.Method == http.MethodPost})
}

// mostOf reads max: how many of each group, one unless told.
func mostOf(text string) (int, error) {
	if text == "" {
		return 1, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return 0, badInput(fhir.IssueValue, "max must be a whole number from 1.")
	}
	return min(n, maxCount), nil
}

// anyNamed says whether one of the parameters was used, whatever its modifier.
func anyNamed(used map[string][]string, names ...string) bool {
	return slices.ContainsFunc(names, func(name string) bool { return used[name] != nil || used[name+":Patient"] != nil })
}

// latest finds the most recent scores, the newest first, and with the last of
// them all that have its time. The store sorts by the day that a period starts
// at, so the rest of that day is read too.
func (s *Server) latest(ctx context.Context, p *parsed, most int) ([]store.Resource, error) {
	if p.none {
		return nil, nil
	}
	query := p.query
	query.Sort, query.Then, query.Limit, query.After, query.Total = store.ByTimeDesc, nil, most, "", false
	var scores []timed
	for {
		page, err := s.options.Store.Search(ctx, query)
		if err != nil {
			return nil, err
		}
		for _, r := range page.Resources {
			one, err := effective(r)
			if err != nil {
				return nil, err
			}
			scores = append(scores, one)
		}
		beyond := len(scores) > most && scores[len(scores)-1].start != scores[most-1].start
		if query.After = page.Next; page.Next == "" || beyond {
			break
		}
		query.Limit = maxCount
	}
	slices.SortStableFunc(scores, func(a, b timed) int { return cmp.Or(b.end.Compare(a.end), cmp.Compare(a.ID, b.ID)) })
	var found []store.Resource
	for i, one := range scores {
		if i >= most && !one.end.Equal(scores[most-1].end) {
			break
		}
		found = append(found, one.Resource)
	}
	return found, nil
}

// timed is a score with the period that was rated.
type timed struct {
	store.Resource
	start string
	end   time.Time
}

// effective reads the period of a score; its end is when it was rated.
func effective(r store.Resource) (timed, error) {
	document, err := fhir.Decode(r.Body)
	if err != nil {
		return timed{}, err
	}
	defer document.Release()
	period := document.Root().Get("effectivePeriod")
	end, err := fhir.ParseDateTime(period.Get("end").Bytes())
	return timed{Resource: r, start: period.Get("start").Text(), end: end.Time}, err
}
