package api

import (
	"cmp"
	"context"
	"net/http"
	"slices"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/trend"
)

// standing is the last score of one kind of rater.
type standing struct {
	rating
	// change is that since the score before it of the same method; nil if either
	// has no total.
	change *trend.Comparison
}

// recentPage is how many scores are read at first: enough, but for those that are
// rated many times a day.
const recentPage = 16

// standings are the last scores of a patient by the family and by a clinician,
// nil where there is none. They cost a handful of short searches, however many
// scores there are.
func (s *Server) standings(ctx context.Context, patients []string) (self, clinician *standing, err error) {
	if len(patients) == 0 {
		return nil, nil, nil
	}
	if self, err = s.standing(ctx, patients, scoring.RatedBySelf); err != nil {
		return nil, nil, err
	}
	clinician, err = s.standing(ctx, patients, scoring.RatedByClinician)
	return self, clinician, err
}

func (s *Server) standing(ctx context.Context, patients []string, rater scoring.Rater) (*standing, error) {
	newest, err := s.recent(ctx, scoresBy(patients, methodsOf(rater)...), 1)
	if err != nil || len(newest) == 0 {
		return nil, err
	}
	last := slices.MaxFunc(newest, func(a, b rating) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.key, b.key)) })
	found := &standing{rating: last}
	if !last.value(observation.Total).Answered {
		return found, nil
	}
	// The store sorts by day, and of one day the last counts: so two days are
	// enough to know the score before.
	query := scoresBy(patients, last.rater.String()+"-"+last.method.String())
	query.Numbers = []store.NumberQuery{{Any: []store.NumberRange{{Param: valueMark + observation.Score, Low: 0, High: int64(scoring.MaxScorad)}}}}
	ratings, err := s.recent(ctx, query, 2)
	if err != nil {
		return nil, err
	}
	if rater == scoring.RatedBySelf {
		// The first ones tell whether those compared are among them.
		first := scoresBy(patients, methodsOf(rater)...)
		first.Sort, first.Limit = store.ByTime, recentPage
		page, err := s.options.Store.Search(ctx, first)
		if err != nil {
			return nil, err
		}
		if ratings, err = s.appendRatings(ratings, page.Resources); err != nil {
			return nil, err
		}
	}
	found.change = sinceLast(last, ratings)
	return found, nil
}

// sinceLast compares the last score with that of the day before it in its series.
func sinceLast(last rating, ratings []rating) *trend.Comparison {
	var scores []trend.Score
	for i := range ratings {
		r := &ratings[i]
		if total := r.value(observation.Total); total.Answered && !slices.ContainsFunc(scores, func(s trend.Score) bool { return s.Key == r.key }) {
			scores = append(scores, trend.Score{Key: r.key, Day: r.day, At: r.at.UnixMilli(), Respondent: r.respondent, Rater: r.rater, Method: r.method, Points: scoring.Points(total.Value)})
		}
	}
	for _, series := range trend.Group(scores, firstDay, lastDay) {
		if change, ok := series.SinceLast(); ok && series.Rater == last.rater && series.Method == last.method && change.To.Key == last.key {
			return &change
		}
	}
	return nil
}

// scoresBy asks for the scores of a patient by some methods, the newest first.
// What was entered in error does not count.
func scoresBy(patients []string, methods ...string) store.Query {
	return store.Query{
		Type: "Observation", Patients: patients, NotStatuses: []string{retracted, "cancelled"}, Sort: store.ByTimeDesc, Limit: recentPage,
		Tokens: []store.TokenQuery{{Param: "method", Values: methods}},
	}
}

// methodsOf are the codes of a rater's methods.
func methodsOf(rater scoring.Rater) (codes []string) {
	for _, method := range []scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect} {
		codes = append(codes, rater.String()+"-"+method.String())
	}
	return codes
}

// recent finds all scores of the newest days on which there are any.
func (s *Server) recent(ctx context.Context, query store.Query, days int) ([]rating, error) {
	var all []rating
	for {
		page, err := s.options.Store.Search(ctx, query)
		if err != nil {
			return nil, err
		}
		if all, err = s.appendRatings(all, page.Resources); err != nil {
			return nil, err
		}
		seen := 0
		for i := range all {
			if i > 0 && all[i].day == all[i-1].day {
				continue
			}
			if seen++; seen > days {
				return all[:i], nil
			}
		}
		if query.After = page.Next; page.Next == "" {
			return all, nil
		}
		if len(all) > maxSample {
			return nil, fail(http.StatusUnprocessableEntity, fhir.IssueTooCostly, "There are too many scores of one day to tell the last.")
		}
		query.Limit = maxCount
	}
}

func (s *Server) appendRatings(ratings []rating, found []store.Resource) ([]rating, error) {
	for _, r := range found {
		one, known, err := ratingOf(r, s.options.BaseURL)
		if err != nil {
			return nil, err
		}
		if known {
			ratings = append(ratings, one)
		}
	}
	return ratings, nil
}
