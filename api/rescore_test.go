package api_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/scoring"
)

// withSecond registers a second version of the arithmetic for these tests, which
// counts itch and sleep loss twice and so changes whatever has them above 0.
func withSecond(o *api.Options) {
	o.Algorithms = append(scoring.Published(), scoring.Algorithm{Version: "2.0.0-test", Score: func(a scoring.Assessment) (scoring.Result, error) {
		r, err := scoring.Score(&a)
		if r.SubjectivePart.Answered && r.Scorad.Answered {
			r.Scorad.Value += r.SubjectivePart.Value
			r.SubjectivePart.Value *= 2
		}
		return r, err
	}})
}

var bySecond = api.Rescoring{Algorithm: "2.0.0-test", Bands: scoring.UsualBands}

// rescored is what a plan comes to, by the id of the score.
func (r *rig) rescored(plan api.Rescoring, run func(context.Context, api.Rescoring, func(api.Rescored) error) error) map[string]api.Rescored {
	r.t.Helper()
	all := map[string]api.Rescored{}
	last := ""
	require.NoError(r.t, run(context.Background(), plan, func(found api.Rescored) error {
		require.Less(r.t, last, found.Key.ID, "in order of ids, each once")
		last = found.Key.ID
		all[last] = found
		return nil
	}))
	return all
}

// verified holds every stored score to what its answers lead to, and counts them.
func (r *rig) verified(algorithms scoring.Algorithms, bands scoring.BandSet) (checked int, differing []api.Difference) {
	r.t.Helper()
	checked, err := api.Verify(context.Background(), r.store, algorithms, bands, func(d api.Difference) { differing = append(differing, d) })
	require.NoError(r.t, err)
	return checked, differing
}

// clinic has a score for each case: itchy moves from moderate to severe, calm has
// neither itch nor sleep loss, partial no total, gone was taken back.
func clinic(r *rig) (ids map[string]string) {
	r.t.Helper()
	itchy, calm, partial, gone := oona("itchy"), oona("calm"), oona("partial"), oona("gone")
	itchy.itch, itchy.sleep = "8", "6"
	calm.itch, calm.sleep = "0", "0"
	partial.sleep = ""
	ids = map[string]string{}
	for name, body := range map[string]response{"itchy": itchy, "calm": calm, "partial": partial, "gone": gone} {
		ids[name] = r.create(body.json()).id()
	}
	require.Equal(r.t, http.StatusNoContent, r.do(http.MethodDelete, responses+"/"+ids["gone"], "").status)
	return ids
}

func TestRescoringReportsAndWritesNothing(t *testing.T) {
	t.Parallel()
	r := newRig(t, withSecond)
	ids := clinic(r)
	before := r.kept()
	found := r.rescored(bySecond, r.server.Rescore)
	require.Equal(t, map[string]api.Rescored{
		ids["itchy"]:   {Key: store.Key{Type: "Observation", ID: ids["itchy"]}, Version: 1, Differs: []string{"value", "parts", "band"}, From: "moderate", To: "severe"},
		ids["calm"]:    {Key: store.Key{Type: "Observation", ID: ids["calm"]}, Version: 1, From: "moderate", To: "moderate"},
		ids["partial"]: {Key: store.Key{Type: "Observation", ID: ids["partial"]}, Version: 1, From: "none", To: "none"},
	}, found, "46 points become 60")
	require.Equal(t, before, r.kept())
	require.Equal(t, "1", r.score(ids["itchy"]).text("meta", "versionId"))

	for _, same := range []api.Rescoring{{Bands: scoring.UsualBands}, {Algorithm: "1.0.0", Bands: scoring.UsualBands}} {
		for _, one := range r.rescored(same, r.server.Rescore) {
			require.Empty(t, one.Differs, "the version that the scores name changes nothing")
		}
	}
	chopra, _ := scoring.BandSetByName("chopra-2017")
	byBands := r.rescored(api.Rescoring{Bands: chopra}, r.server.Rescore)
	require.Equal(t, []string{"band set"}, byBands[ids["itchy"]].Differs, "46 is moderate in both, but the set goes with every band")
	require.Equal(t, []string{"band set"}, byBands[ids["partial"]].Differs, "the ranges are those of the set")

	require.ErrorIs(t, r.server.Rescore(context.Background(), api.Rescoring{Algorithm: "3.0.0", Bands: chopra}, nil), api.ErrNoAlgorithm)
}

func TestAmendingByAnotherAlgorithm(t *testing.T) {
	t.Parallel()
	r := newRig(t, withSecond)
	ids := clinic(r)
	itchy := "/fhir/Observation/" + ids["itchy"]
	first := r.get(itchy)
	require.Equal(t, "46.00", first.text("valueQuantity", "value"), "20/5 + 3.5*8 + 14")

	written := r.rescored(bySecond, r.server.Amend)
	require.Equal(t, int64(2), written[ids["itchy"]].Amended)
	require.Zero(t, written[ids["calm"]].Amended)
	score := r.get(itchy)
	require.Equal(t, "60.00", score.text("valueQuantity", "value"))
	require.Equal(t, "amended", score.text("status"))
	require.Equal(t, "severe", score.text("interpretation", 0, "coding", 0, "code"))
	require.Equal(t, "tidemark-2.0.0-test", score.text("device", "identifier", "value"))
	require.Equal(t, "Tidemark, SCORAD algorithm 2.0.0-test", score.text("device", "display"))
	require.Equal(t, "Computed again from the same answers by SCORAD algorithm 2.0.0-test and band set usual-25-50; the answers have not changed.", score.text("note", 0, "text"))
	require.Equal(t, first.text("identifier", 0, "value"), score.text("identifier", 0, "value"))
	require.Equal(t, first.text("derivedFrom", 0, "reference"), score.text("derivedFrom", 0, "reference"), "the answers are the same version")
	require.Equal(t, first.body, r.get(itchy+"/_history/1").body, "what was stays readable")

	var said answer
	found := r.get("/fhir/Provenance?target=Observation/" + ids["itchy"])
	require.Equal(t, 2, found.count("entry"))
	for i := range found.count("entry") {
		if found.text("entry", i, "resource", "target", 0, "reference") == "Observation/"+ids["itchy"]+"/_history/2" {
			said = r.get("/fhir/Provenance/" + found.text("entry", i, "resource", "id"))
		}
	}
	require.Equal(t, "Rescored from the same answers by SCORAD algorithm 2.0.0-test and band set usual-25-50", said.text("activity", "text"))
	require.Equal(t, "UPDATE", said.text("activity", "coding", 0, "code"))
	require.Equal(t, "Device/tidemark-2.0.0-test", said.text("agent", 0, "who", "reference"))
	require.Equal(t, "QuestionnaireResponse/"+ids["itchy"]+"/_history/1", said.text("entity", 0, "what", "reference"))
	require.Equal(t, "revision", said.text("entity", 1, "role"))
	require.Equal(t, "Observation/"+ids["itchy"]+"/_history/1", said.text("entity", 1, "what", "reference"))

	audits, err := r.store.Audits(context.Background(), store.AuditQuery{Limit: 100, Entities: []string{"Observation/" + ids["itchy"]}, Subtypes: []string{"update"}})
	require.NoError(t, err)
	require.Len(t, audits.Records, 1)
	require.Equal(t, "operator-command", audits.Records[0].Client)
	require.Equal(t, "Patient/oona-thistledown", audits.Records[0].Patient)

	delivery, err := r.store.Delivery(context.Background(), target, store.Key{Type: "Observation", ID: ids["itchy"]}, store.Whole)
	require.NoError(t, err)
	require.Equal(t, int64(2), delivery.Wanted)

	before := r.kept()
	for _, one := range r.rescored(bySecond, r.server.Amend) {
		require.Zero(t, one.Amended, "again, nothing differs")
	}
	require.Equal(t, before, r.kept())
	options := &api.Options{}
	withSecond(options)
	checked, differing := r.verified(options.Algorithms, scoring.UsualBands)
	require.Equal(t, 3, checked)
	require.Empty(t, differing, "each is verified by the version it names")
	_, differing = r.verified(scoring.Published(), scoring.UsualBands)
	require.Equal(t, []api.Difference{{Key: store.Key{Type: "Observation", ID: ids["itchy"]}, Cause: "it names a version of the algorithm that this program does not have"}}, differing)
}

func TestDevicesOfSeveralAlgorithms(t *testing.T) {
	t.Parallel()
	r := newRig(t, withSecond)
	ids := clinic(r)
	r.rescored(bySecond, r.server.Amend)
	of := func(search string) (found []string) {
		a := r.get("/fhir/Observation?" + search)
		for i := range a.count("entry") {
			found = append(found, a.text("entry", i, "resource", "id"))
		}
		return found
	}
	others := []string{ids["calm"], ids["partial"]}
	require.Equal(t, []string{ids["itchy"]}, of("device=Device/tidemark-2.0.0-test"))
	require.ElementsMatch(t, others, of("device=tidemark-1.0.0"))
	require.Equal(t, []string{ids["itchy"]}, of("status=amended"))
	require.Equal(t, []string{ids["gone"]}, of("device=tidemark-1.0.0&status=entered-in-error"))
	require.Len(t, of("device=tidemark-1.0.0,tidemark-2.0.0-test"), 3)
	require.Empty(t, of("device=tidemark-3.0.0"))
	require.Contains(t, of("_id="+ids["itchy"]+"&_include=Observation:device"), "tidemark-2.0.0-test")
	require.Equal(t, "2.0.0-test", r.get("/fhir/Device/tidemark-2.0.0-test").text("version", 0, "value"))
	require.Equal(t, 2, r.get("/fhir/Device").count("entry"))
	require.Equal(t, http.StatusNotFound, r.get("/fhir/Device/tidemark-3.0.0").status)
	require.NoError(t, api.Reindex(context.Background(), r.store, r.base))
	require.Equal(t, []string{ids["itchy"]}, of("device=Device/tidemark-2.0.0-test"))
}

// A rescored score goes on as any other: its response is amended or taken back, and
// its answers repeated.
func TestRescoredScoresGoOn(t *testing.T) {
	t.Parallel()
	r := newRig(t, withSecond)
	ids := clinic(r)
	body := oona("itchy")
	body.itch, body.sleep = "8", "6"
	r.rescored(bySecond, r.server.Amend)
	require.Equal(t, http.StatusCreated, r.do(http.MethodPost, responses, body.json()).status, "the same answers again are answered as the first time")
	require.Equal(t, "2", r.score(ids["itchy"]).text("meta", "versionId"))

	body.id, body.status, body.itch = ids["itchy"], "amended", "7"
	require.Equal(t, http.StatusOK, r.put(body).status)
	score := r.score(ids["itchy"])
	require.Equal(t, "45.00", score.text("valueQuantity", "value"))
	require.Equal(t, "tidemark-1.0.0", score.text("device", "identifier", "value"), "new answers are scored as all new answers are")
	require.NotContains(t, string(score.body), "Computed again")
	found := r.rescored(bySecond, r.server.Amend)
	require.Equal(t, int64(4), found[ids["itchy"]].Amended)
	require.Equal(t, "58.00", r.score(ids["itchy"]).text("valueQuantity", "value"))
	options := &api.Options{}
	withSecond(options)
	_, differing := r.verified(options.Algorithms, scoring.UsualBands)
	require.Empty(t, differing, "amended by the sender and by us")

	require.Equal(t, http.StatusNoContent, r.do(http.MethodDelete, responses+"/"+ids["itchy"], "").status)
	require.Equal(t, "entered-in-error", r.score(ids["itchy"]).text("status"))
	require.NotContains(t, r.rescored(bySecond, r.server.Amend), ids["itchy"])
}

// TestRescoringLeavesAloneWhatItCannotExplain: an amended version would hide that
// the stored score was wrong.
func TestRescoringLeavesAloneWhatItCannotExplain(t *testing.T) {
	t.Parallel()
	r := newRig(t, withSecond)
	ids := clinic(r)
	key := store.Key{Type: "Observation", ID: ids["itchy"]}
	stored, err := r.store.Get(context.Background(), key)
	require.NoError(t, err)
	wrong := strings.Replace(string(stored.Body), `"value":46.00`, `"value":12.00`, 1)
	require.NotEqual(t, wrong, string(stored.Body))
	require.NoError(t, r.store.Write(context.Background(), nil, func(tx store.Tx) error {
		_, err := tx.Put(key, http.MethodPut, store.Index{}, func(version int64, _ time.Time) ([]byte, error) {
			return []byte(strings.Replace(wrong, `"versionId":"1"`, `"versionId":"2"`, 1)), nil
		})
		return err
	}))
	found := r.rescored(bySecond, r.server.Amend)[ids["itchy"]]
	require.Equal(t, api.Rescored{Key: key, Version: 2, Cause: "valueQuantity differs from what the answers lead to"}, found)
	require.Equal(t, "2", r.score(ids["itchy"]).text("meta", "versionId"))
}

// TestAmendingGoesOnAfterItWasEnded: wherever it ends, the next run does the rest,
// and each score is amended once.
func TestAmendingGoesOnAfterItWasEnded(t *testing.T) {
	t.Parallel()
	r := newRig(t, withSecond)
	const many = 40
	ids := make([]string, many)
	for i := range ids {
		body := oona("ended-" + string(rune('a'+i%26)) + string(rune('a'+i/26)))
		ids[i] = r.create(body.json()).id()
	}
	ended := errors.New("killed")
	err := r.server.Amend(context.Background(), bySecond, func(api.Rescored) error { return ended })
	require.ErrorIs(t, err, ended)
	r.rescored(bySecond, r.server.Amend)
	for _, id := range ids {
		require.Equal(t, "2", r.score(id).text("meta", "versionId"))
		require.Equal(t, "52.00", r.score(id).text("valueQuantity", "value"))
		require.Equal(t, 2, r.get("/fhir/Provenance?target=Observation/"+id).count("entry"))
	}
}

// meddler changes a score between the moment that it is read and the one that it is
// written.
type meddler struct {
	store.Store
	armed  atomic.Bool
	once   sync.Once
	meddle func()
}

// Write implements store.Store.
func (m *meddler) Write(ctx context.Context, keys []string, job store.Job, ahead ...store.Heads) error {
	if m.armed.Load() {
		m.once.Do(func() {
			m.armed.Store(false)
			m.meddle()
		})
	}
	return m.Store.Write(ctx, keys, job, ahead...)
}

func TestAmendingSeesWhatWasWrittenMeanwhile(t *testing.T) {
	t.Parallel()
	m := &meddler{}
	r := newRig(t, withSecond, func(o *api.Options) { m.Store, o.Store = o.Store, m })
	body := oona("meanwhile")
	body.id = r.create(body.json()).id()
	m.meddle = func() {
		body.status, body.itch = "amended", "5"
		require.Equal(t, http.StatusOK, r.put(body).status)
	}
	m.armed.Store(true)
	found := r.rescored(bySecond, r.server.Amend)[body.id]
	require.Equal(t, int64(3), found.Amended)
	require.Equal(t, "50.00", r.score(body.id).text("valueQuantity", "value"), "41 by the newer answers, and 9 more")
	require.Equal(t, r.base+"/QuestionnaireResponse/"+body.id+"/_history/2", r.score(body.id).text("derivedFrom", 0, "reference"))
}

// Other languages say it in their own words.
func TestRescoredIsSaidInTheLanguageOfTheResponse(t *testing.T) {
	t.Parallel()
	r := newRig(t, withSecond)
	body := oona("polish")
	body.members = `,"language":"pl"`
	id := r.create(body.json()).id()
	r.rescored(bySecond, r.server.Amend)
	score := r.score(id)
	require.Contains(t, score.text("note", 0, "text"), "Obliczono ponownie")
	require.Contains(t, score.text("note", 0, "text"), "2.0.0-test")
	require.Equal(t, observation.DeviceOf("2.0.0-test"), score.text("device", "identifier", "value"))
	for _, set := range scoring.BandSets() {
		found := r.rescored(api.Rescoring{Bands: set}, r.server.Amend)
		require.Empty(t, found[id].Cause, "the set of the score is known in any language: %s", set.Name)
	}
}
