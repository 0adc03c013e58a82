package api

import (
	"context"
	"slices"
	"sync"
	"time"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// A score is remarked on by what the store holds as it is committed: the patient's
// other scores are read before the transaction, beside its writer, and within it
// only their ids and versions are, which is an index seek. Where those are not the
// ones that were read, because another submission of the patient came first, or the
// same transaction has several, they are read again there. So a remark is never by
// what has changed meanwhile, and the writer rarely reads a score.

// mostPast bounds how many scores are looked at. It is beyond what the rules need
// unless a patient is rated several times a day.
const mostPast = 16

// past is what was read of a patient's scores; read is false if nothing was.
type past struct {
	// heads are those looked at, from three days after the rating backwards; complete
	// says that there are no more. own is the one that was passed over as the
	// rating's own earlier version, "" for none.
	read     bool
	heads    []store.Head
	complete bool
	own      string
	rated    []questionnaire.Rated
}

// source is where scores are read: the store, or a transaction. What a transaction
// shows is remembered by nobody, since it may be rolled back.
type source struct {
	heads     func(store.Heads) ([]store.Head, error)
	get       func(store.Key) (store.Resource, error)
	committed bool
}

// foresee reads what a score will be remarked on by. Whatever fails here is left to
// the transaction. It reads past guard and audit, since the sender is given nothing
// of what is read but what toTell allows.
func (s *Server) foresee(ctx context.Context, sub *submission) {
	if !sub.remarked() {
		return
	}
	s.askBirth(ctx, sub)
	sub.mayKnow = s.mayKnow(ctx, sub.patient())
	own := ""
	if sub.update {
		own = sub.planned
	}
	// These are a few seeks; to watch over each whether the sender has left costs more.
	ctx = context.WithoutCancel(ctx)
	read, err := sub.recall(own, source{
		heads: func(of store.Heads) ([]store.Head, error) { return s.raw.Heads(ctx, of) },
		get:   func(key store.Key) (store.Resource, error) { return s.raw.Get(ctx, key) }, committed: true,
	})
	if err == nil {
		sub.past = read
	}
}

// remarked says whether the response has a score that can be set beside others.
func (sub *submission) remarked() bool {
	return sub.response.Status.Scored() && sub.response.Subject.Exists()
}

// asked is which of the patient's scores come into question.
func (sub *submission) asked(limit int) store.Heads {
	day := dayOf(sub.response.Authored.Time)
	// A score begins with the days that it speaks of, so that what begins on this day
	// was rated as many days later.
	return store.Heads{Type: "Observation", Patient: sub.patient(), Until: time.Unix(day*secondsPerDay, 0), Limit: limit}
}

// recall reads scores until the rules need no more.
func (sub *submission) recall(own string, from source) (past, error) {
	found := past{read: true, own: own}
	heads, err := from.heads(sub.asked(mostPast))
	if err != nil {
		return past{}, err
	}
	for i, head := range heads {
		if i > 0 && !heads[i-1].Start.Equal(head.Start) && sub.enough(found.rated, dayOf(head.Start)+questionnaire.RecallDays) {
			return found, nil
		}
		found.heads = append(found.heads, head)
		if head.ID == own {
			continue
		}
		one, known := sub.server.rated.get(head)
		if !known {
			current, err := from.get(head.Key)
			if err != nil {
				return past{}, err
			}
			if one, err = ratedOf(current, sub.server.options.BaseURL); err != nil {
				return past{}, err
			}
			// What was written since the heads were read shows as another version, and is
			// read again within the transaction.
			head.Version = current.Version
			found.heads[i] = head
			if from.committed {
				sub.server.rated.put(head, one)
			}
		}
		if one.counts && one.Rater == sub.response.Form.Rater {
			found.rated = append(found.rated, one.Rated)
		}
	}
	found.complete = len(heads) < mostPast
	return found, nil
}

// ratedScore is a version of a score as the rules see it; counts is false if no other
// is set beside it.
type ratedScore struct {
	questionnaire.Rated
	counts bool
}

// ratedOf reads a stored score.
func ratedOf(r store.Resource, base string) (ratedScore, error) {
	one, known, err := ratingOf(r, base)
	if err != nil {
		return ratedScore{}, &fault{"a stored score does not decode", err}
	}
	if !known || one.retracted {
		return ratedScore{}, nil
	}
	rated := questionnaire.Rated{Key: one.key, Day: one.day, At: one.at.UnixMilli(), Respondent: one.respondent, Rater: one.rater, Method: one.method}
	if total := one.value(observation.Total); total.Answered {
		rated.Total = scoring.Answer(scoring.Points(total.Value))
	}
	if one.method == scoring.ByRegions {
		regions := one.regions()
		rated.Coarse = questionnaire.CoarseDrawing(&regions)
	}
	return ratedScore{rated, true}, nil
}

// mostRated bounds how many versions of scores are remembered, a few megabytes.
const mostRated = 20_000

// ratedScores remembers versions of scores that were read, which never change, so
// that those of patients who come often are not unpacked and decoded each time. What
// is remembered is only ever used for an id and version that the store has just named.
type ratedScores struct {
	mu    sync.Mutex
	known map[ratedVersion]ratedScore
}

type ratedVersion struct {
	id      string
	version int64
}

func (s *ratedScores) get(head store.Head) (ratedScore, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one, known := s.known[ratedVersion{head.ID, head.Version}]
	return one, known
}

func (s *ratedScores) put(head store.Head, one ratedScore) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.known == nil || len(s.known) >= mostRated {
		s.known = make(map[ratedVersion]ratedScore)
	}
	s.known[ratedVersion{head.ID, head.Version}] = one
}

// enough says whether scores of a day and those before it would change nothing.
func (sub *submission) enough(rated []questionnaire.Rated, day int64) bool {
	if day >= dayOf(sub.response.Authored.Time)-questionnaire.RecallDays {
		return false
	}
	e := sub.entry(time.Time{})
	before, drawn := 0, false
	for i := range rated {
		if rated[i].At <= e.At {
			before++
			drawn = drawn || rated[i].Method == scoring.ByRegions
		}
	}
	return before >= 2 && (drawn || !e.Coarse)
}

// entry is the score as the rules see it, entered at a time.
func (sub *submission) entry(now time.Time) questionnaire.Entry {
	r := &sub.response
	e := questionnaire.Entry{
		Rated: questionnaire.Rated{Day: dayOf(r.Authored.Time), At: r.Authored.Time.UnixMilli(), Rater: r.Form.Rater,
			Method: r.Assessment.Method, Total: r.Result.Scorad},
		Chart: r.Assessment.AgeGroup, Born: sub.born, Earliest: r.Authored.Time.UnixMilli(), Now: now.UnixMilli(),
		EnteredDay: dayOf(now.In(r.Authored.Time.Location())),
	}
	if r.Authored.Precision != fhir.ToSecond {
		// A day begins up to 14 hours earlier, and is under way up to 12 hours later, than
		// in UTC (common practice).
		e.Earliest -= 14 * time.Hour.Milliseconds()
		e.EnteredDay = dayOf(now.Add(-12 * time.Hour).UTC())
	}
	if r.Performer.Exists() {
		e.Respondent = patientKey(r.Performer, sub.server.options.BaseURL)
	}
	if e.Method == scoring.ByRegions {
		e.Coarse = questionnaire.CoarseDrawing(&r.Assessment.Regions)
	}
	return e
}

// remarks are the warnings about the score that is about to be written, in place of
// the one before it, if there is one. They are told to the sender too.
func (sub *submission) remarks(tx store.Tx, before store.Resource) ([]questionnaire.Quality, error) {
	now, one := past{}, isOnePatient(sub.patient())
	if one {
		var err error
		if now, err = sub.present(tx); err != nil {
			return nil, err
		}
	}
	e := sub.entry(tx.Now())
	e.Fresh = before.Version == 0
	found := questionnaire.Judge(&e, now.rated)
	if !one {
		found = slices.DeleteFunc(found, ofHistory)
	}
	if !e.Fresh && !slices.Contains(found, questionnaire.DateImplausible) {
		again, err := sub.stillMisdated(before)
		if err != nil {
			return nil, err
		}
		if again {
			found = append(found, questionnaire.DateImplausible)
			slices.Sort(found)
		}
	}
	sub.tell(found)
	return found, nil
}

// basis asks for the heads that what was read before stands on.
func (sub *submission) basis() store.Heads {
	limit := len(sub.past.heads)
	if sub.past.complete {
		limit++ // one more would be new
	}
	return sub.asked(limit)
}

// ahead is what the job will ask for, as far as it is known.
func (sub *submission) ahead() []store.Heads {
	if !sub.past.read {
		return nil
	}
	return []store.Heads{sub.basis()}
}

// present is what was read before, if it is so still, and what there is now if not.
func (sub *submission) present(tx store.Tx) (past, error) {
	known := &sub.past
	// Which score an update by identifier or search is of is known only here.
	own := slices.ContainsFunc(known.heads, func(h store.Head) bool { return h.ID == sub.id })
	if known.read && (known.own == sub.id || !own) {
		heads, err := tx.Heads(sub.basis())
		if err != nil {
			return past{}, err
		}
		if slices.EqualFunc(heads, known.heads, sameHead) {
			return *known, nil
		}
	}
	return sub.recall(sub.id, source{heads: tx.Heads, get: tx.Get})
}

func sameHead(a, b store.Head) bool {
	return a.Key == b.Key && a.Version == b.Version && a.Start.Equal(b.Start)
}

// stillMisdated says whether the score before was remarked on for its date, and has
// the same. When it was entered is not known any more; that it was remarked on is.
func (sub *submission) stillMisdated(before store.Resource) (bool, error) {
	document, err := fhir.Decode(before.Body)
	if err != nil {
		return false, &fault{"a stored score does not decode", err}
	}
	defer document.Release()
	root := document.Root()
	return slices.Contains(observation.RemarksOf(root), questionnaire.DateImplausible) &&
		root.Get("effectivePeriod").Get("end").Is(sub.response.Root.Get("authored").Text()), nil
}

// ofHistory says whether a warning tells something of the patient's other scores.
func ofHistory(q questionnaire.Quality) bool {
	return q != questionnaire.AgeAndChartDiffer && q != questionnaire.DateImplausible
}

// mayKnow says whether the sender may find scores of a patient, or the responses
// that they are of. What is not its to see is as if it were not there; the notes on
// the score are for those who may.
func (s *Server) mayKnow(ctx context.Context, patient string) bool {
	if s.options.Auth == nil {
		return true
	}
	a := accessOf(ctx)
	return a != nil && slices.ContainsFunc([]string{"Observation", "QuestionnaireResponse"}, func(kind string) bool {
		return a.grant.Restriction(kind, auth.Search).Permits(auth.Facts{Patient: patientID(patient)})
	})
}

// tell keeps what the sender is told of warnings.
func (sub *submission) tell(found []questionnaire.Quality) {
	sub.result.told = nil
	for _, q := range found {
		if sub.mayKnow || !ofHistory(q) {
			sub.result.told = append(sub.result.told, q.Issue(sub.response.Root.Path()))
		}
	}
}

// issues are all that is remarked on, for the sender.
func (sub *submission) issues() fhir.Issues {
	return append(slices.Clone(sub.response.Issues), sub.result.told...)
}

// toldBefore has a repetition told what it was told the first time, as the score of
// that version has it noted.
func (sub *submission) toldBefore(ctx context.Context) {
	if !sub.remarked() {
		return
	}
	s, kept := sub.server, sub.result.resource
	versions, err := s.raw.History(ctx, store.Key{Type: "Observation", ID: kept.ID}, 0, chunk)
	if err != nil {
		return // what was written is answered all the same
	}
	for _, v := range versions {
		document, err := fhir.Decode(v.Body)
		if err != nil {
			continue
		}
		if document.Root().Get("derivedFrom").Get("reference").Is(s.location(kept.Key.String(), kept.Version)) {
			sub.tell(observation.RemarksOf(document.Root()))
		}
		document.Release()
	}
}
