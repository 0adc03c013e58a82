package api

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/report"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

// A report is the DiagnosticReport of a visit: the page that a patient's scores
// make, drawn as PDF and SVG (R4 diagnosticreport.html). There is one for each
// score, of the same id, on that score and those before it. It is computed as it
// is read, as receipts are, so it has no versions.

// maxReports is how many are on one page of results: each has a drawing of all
// that is known of a patient.
const maxReports = 5

// pageOf bounds how many resources of a type are on one page of results.
func pageOf(resource string, usual int) int {
	if resource == "DiagnosticReport" {
		return min(usual, maxReports)
	}
	return usual
}

// reportText documents the reports in the CapabilityStatement.
const reportText = "The page for a visit, one on each score and those before it, of the same id as the score and computed as it is read, so without versions. " +
	"presentedForm has it as application/pdf and as image/svg+xml, in the language of Accept-Language, if it is one of ours; _summary=true leaves both out. At most five are on one page of results, the newest first. " +
	"It supports, and never replaces, the judgement of a clinician."

// asReport marks reads of scores that only reports are made from.
func asReport(ctx context.Context) context.Context {
	return context.WithValue(ctx, madeFrom{}, making{"DiagnosticReport", "Observation"})
}

// languageAsked is the one that a person at the other end reads best (RFC 9110
// section 12.5.4), of those there are; the answer then depends on it.
func languageAsked(c *gin.Context) *languages.Language {
	c.Writer.Header().Add("Vary", "Accept-Language")
	return languages.Match(strings.Join(c.Request.Header.Values("Accept-Language"), ","))
}

// readReport answers the report on a score.
func (s *Server) readReport(c *gin.Context) (reply, error) {
	key, err := keyOf("Observation", c.Param("id"))
	if err != nil {
		return reply{}, err
	}
	ctx := asReport(c.Request.Context())
	found, err := s.options.Store.Get(ctx, key)
	if err != nil {
		return reply{}, stored(ctx, err)
	}
	made, err := s.drawn(ctx, found, languageAsked(c), false)
	if err != nil {
		return reply{}, stored(ctx, err)
	}
	digest := sha256.Sum256(made.Body)
	return reply{status: http.StatusOK, body: made.Body, etag: `W/"` + hex.EncodeToString(digest[:12]) + `"`}, nil
}

// searchReports finds reports by the scores they are on, the newest first unless
// told otherwise.
func (s *Server) searchReports(c *gin.Context) (reply, error) {
	asked, err := s.asked(c)
	if err != nil {
		return reply{}, err
	}
	found, err := s.parseSearch("DiagnosticReport", asked.values, strict(c))
	if err != nil {
		return reply{}, err
	}
	page, ctx := store.Page{}, asReport(c.Request.Context())
	if !found.none {
		found.query.Type = "Observation"
		if !found.used.Has("_sort") {
			found.query.Sort = store.ByTimeDesc
		}
		if page, err = s.options.Store.Search(ctx, found.query); err != nil {
			return reply{}, stored(ctx, err)
		}
	}
	language := languageAsked(c)
	bare := found.summary != "" && found.summary != "data" && found.summary != "false"
	for i, score := range page.Resources {
		if page.Resources[i], err = s.drawn(ctx, score, language, bare); err != nil {
			return reply{}, stored(ctx, err)
		}
	}
	return s.results(c, &found, page, asked)
}

// drawn makes the report on a score that the request may see, of those before it that
// the request may see too. No more are drawn at once than there are processors.
func (s *Server) drawn(ctx context.Context, score store.Resource, language *languages.Language, bare bool) (store.Resource, error) {
	select {
	case s.drawing <- struct{}{}:
		defer func() { <-s.drawing }()
	case <-ctx.Done():
		return store.Resource{}, ctx.Err()
	}
	document, err := fhir.Decode(score.Body)
	if err != nil {
		return store.Resource{}, &fault{"a stored score does not decode", err}
	}
	defer document.Release()
	in := report.ResourceInput{ID: score.ID, Score: document.Root(), Modified: score.LastUpdated, Language: language.Code, Bare: bare}
	if !in.Score.Get("status").Is(retracted) {
		own, _, err := ratingOf(score, s.options.BaseURL)
		if err != nil {
			return store.Resource{}, &fault{"a stored score has no time", err}
		}
		ratings := []rating{own}
		if isOnePatient(own.patient) {
			if ratings, err = s.ratings(ctx, own.patient, anyDay, maxSample); err != nil {
				return store.Resource{}, err
			}
		}
		ratings = upTo(ratings, &own)
		for i := range ratings {
			if ratings[i].modified.After(in.Modified) {
				in.Modified = ratings[i].modified
			}
		}
		if in.Report, err = reportOf(own.patient, ratings, s.options.Bands); err != nil {
			return store.Resource{}, &fault{"a score has no report", err}
		}
	}
	body, err := report.DiagnosticReport(&in)
	if err != nil {
		return store.Resource{}, &fault{"a report cannot be drawn", err}
	}
	return store.Resource{Key: store.Key{Type: "DiagnosticReport", ID: score.ID}, Body: body}, nil
}

// isOnePatient says whether what a patient is found by is of one patient: not a
// subject that is contained in each response, nor one that nothing is known of.
func isOnePatient(key string) bool { return !strings.HasPrefix(key, "#") && key != "identifier:|" }

// upTo keeps the ratings that were there when one was made, itself the newest.
func upTo(ratings []rating, newest *rating) (kept []rating) {
	for i := range ratings {
		r := &ratings[i]
		if cmp.Or(r.at.Compare(newest.at), cmp.Compare(r.key, newest.key)) <= 0 {
			kept = append(kept, *r)
		}
	}
	return kept
}

func reportOf(patient string, ratings []rating, bands scoring.BandSet) (*report.Report, error) {
	in := report.Input{Subject: patient, Bands: bands, Ratings: make([]report.Rating, len(ratings))}
	for i := range ratings {
		r := &ratings[i]
		in.Ratings[i] = report.Rating{Key: r.key, Day: r.day, At: r.at.UnixMilli(), Respondent: r.respondent, Rater: r.rater, Method: r.method,
			Amended: r.amended, Measures: r.measures, Warnings: r.notes}
	}
	return report.New(in)
}

// Report makes the report on a patient's newest score of a day, or before it, for
// a command that has a store and no request. The patient is as in a search
// (Patient/[id], an absolute URL, or identifier:[system]|[value]), base that of
// the server. Its error is report.ErrNoScore if there is none.
func Report(ctx context.Context, in store.Store, base, patient string, lastDay int64, bands scoring.BandSet) (*report.Report, error) {
	ratings, err := ratingsIn(ctx, in, base, localReference(patient, base), anyDay, maxSample)
	if err != nil {
		return nil, err
	}
	var kept []rating
	for i := range ratings {
		if ratings[i].day <= lastDay {
			kept = append(kept, ratings[i])
		}
	}
	return reportOf(patient, kept, bands)
}
