package test_test

import (
	"bytes"
	"context"
	"encoding/json"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// planted are defects, each put into books that were right, with what the
// auditor must say of it.
var planted = map[string]struct {
	plant   func(t *testing.T, r *rig, s *sender)
	finding string
}{
	"an acknowledged step is not stored": {func(_ *testing.T, _ *rig, s *sender) {
		s.forms[0].acknowledged = append(s.forms[0].acknowledged, content{7, "amended"})
	}, "sender-0-0: acknowledged"},
	"a step is stored that was refused": {func(_ *testing.T, _ *rig, s *sender) {
		f := s.forms[0]
		f.refused, f.acknowledged = f.acknowledged[1:], f.acknowledged[:1]
	}, "sender-0-0: acknowledged"},
	"a step is stored twice": {func(t *testing.T, r *rig, s *sender) {
		f := s.forms[0]
		for _, c := range []content{{f.next, "amended"}, f.last()} {
			_, url, body := f.request(r.base, c)
			reply, err := call(http.MethodPut, url, body)
			require.NoError(t, err)
			require.Equal(t, http.StatusOK, reply.status, "%s", reply.body)
		}
	}, "sender-0-0: acknowledged"},
	"another content is stored": {func(_ *testing.T, _ *rig, s *sender) {
		s.forms[0].acknowledged[0].number++
	}, "sender-0-0: acknowledged"},
	"it does not read as it was answered": {func(_ *testing.T, _ *rig, s *sender) {
		s.forms[0].answer = bytes.Replace(s.forms[0].answer, []byte("amended"), []byte("changed"), 1)
	}, "does not read as it was acknowledged"},
	"a response that nobody sent": {func(t *testing.T, r *rig, s *sender) {
		_, err := call(http.MethodPost, r.base+"/QuestionnaireResponse", oona("of-nobody", "6"))
		require.NoError(t, err)
	}, "4 responses are stored, and 3 known"},
	"a second resource": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[0].Put(r.held(t, s.forms[0], func(o map[string]any) { o["id"] = r.hospitals[0].newID() }))
	}, "sender-0-0: 2 resources at the hospital"},
	"an older version after a newer one": {func(t *testing.T, r *rig, s *sender) {
		newest := r.held(t, s.forms[0], func(map[string]any) {})
		r.hospitals[0].Put(r.hospitals[0].Versions("Observation", r.hospitals[0].ids()[0])[0])
		r.hospitals[0].Put(newest)
	}, "sender-0-0: the hospital took {final"},
	"it ends at an older version": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[0].Put(r.hospitals[0].Versions("Observation", r.hospitals[0].ids()[0])[0])
	}, "sender-0-0: the hospital ends at {final"},
	"what was taken back is final": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[0].Put(r.held(t, s.forms[1], func(o map[string]any) { o["status"] = "final" }))
	}, "sender-0-1: the hospital ends at {final"},
	"a score that was never stored": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[0].Put(r.held(t, s.forms[0], func(o map[string]any) { o["valueQuantity"] = map[string]any{"value": 1} }))
	}, "which was never stored"},
	"it is gone from the hospital": {func(_ *testing.T, r *rig, s *sender) {
		r.hospitals[0].Delete("Observation", r.hospitals[0].ids()[0])
	}, "sender-0-0: gone from the hospital"},
	"it never came to the hospital": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[0].given = r.hospitals[0].given[1:]
	}, "sender-0-0: 0 resources at the hospital"},
	"a second resource of a member": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[1].Put(r.member(t, s.forms[0], "symptoms-itch", func(o map[string]any) { o["id"] = r.hospitals[1].newID() }))
	}, "panels: sender-0-0 symptoms-itch: 2 resources"},
	"a member that was taken out is final": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[1].Put(r.member(t, s.forms[0], "symptoms-sleep-loss", func(o map[string]any) { o["status"] = "final" }))
	}, "panels: sender-0-0 symptoms-sleep-loss: the hospital ends at {final"},
	"a member that was never told that it was taken out": {func(t *testing.T, r *rig, s *sender) {
		body := r.member(t, s.forms[0], "also-seen-bleeding", func(map[string]any) {})
		r.hospitals[1].Put(r.hospitals[1].Versions("Observation", parse(t, body).ID)[0])
	}, "panels: sender-0-0 also-seen-bleeding: the hospital ends at {final true 1}, wanted is {entered-in-error true 2}"},
	"a member of another value": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[1].Put(r.member(t, s.forms[2], "symptoms-itch", func(o map[string]any) { o["valueQuantity"] = map[string]any{"value": 9} }))
	}, "panels: sender-0-2 symptoms-itch: the hospital took {final 9 1}, which was never stored"},
	"a panel that names one too few": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[1].Put(r.member(t, s.forms[2], "panel", func(o map[string]any) { o["hasMember"] = o["hasMember"].([]any)[1:] }))
	}, "panels: sender-0-2: its panel names"},
	"a panel that names what was taken out": {func(t *testing.T, r *rig, s *sender) {
		gone := parse(t, r.member(t, s.forms[0], "symptoms-sleep-loss", func(map[string]any) {})).ID
		r.hospitals[1].Put(r.member(t, s.forms[0], "panel", func(o map[string]any) {
			o["hasMember"] = append(o["hasMember"].([]any), map[string]any{"reference": "Observation/" + gone})
		}))
	}, "panels: sender-0-0: its panel names"},
	"a second Provenance": {func(_ *testing.T, r *rig, _ *sender) {
		body := string(r.hospitals[1].Current("Provenance")[0])
		r.hospitals[1].Put([]byte(strings.Replace(body, `"id":"`, `"id":"again-`, 1)))
	}, "panels: the hospital holds two Provenances"},
	"a second Device": {func(_ *testing.T, r *rig, _ *sender) {
		r.hospitals[1].Put([]byte(`{"resourceType":"Device","id":"again"}`))
	}, "panels: the hospital holds 2 Devices"},
	"a document of an older version": {func(t *testing.T, r *rig, s *sender) {
		body := changed(t, r.hospitals[2].Current("DocumentReference"), s.forms[0], "", func(map[string]any) {})
		r.hospitals[2].Put(r.hospitals[2].Versions("DocumentReference", parse(t, body).ID)[0])
	}, "notes: sender-0-0 document: the hospital ends at {final"},
	"a document that counts though its score does not": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[2].Put(changed(t, r.hospitals[2].Current("DocumentReference"), s.forms[1], "", func(o map[string]any) { o["status"] = "current" }))
	}, "notes: sender-0-1 document: the hospital took {current and entered-in-error"},
	"a resource of nobody": {func(t *testing.T, r *rig, s *sender) {
		r.hospitals[0].Put(r.held(t, s.forms[0], func(o map[string]any) {
			o["id"] = r.hospitals[0].newID()
			o["identifier"] = []any{map[string]any{"system": "https://tidemark.example/fhir/sid/score", "value": "none"}}
		}))
	}, "the hospital holds 1 of score none"},
}

// held is what the first hospital holds of a form, changed.
func (r *rig) held(t *testing.T, f *form, change func(map[string]any)) []byte {
	t.Helper()
	return changed(t, r.hospitals[0].Current("Observation"), f, "", change)
}

// member is what the second holds of a form as a member, changed.
func (r *rig) member(t *testing.T, f *form, member string, change func(map[string]any)) []byte {
	t.Helper()
	return changed(t, r.hospitals[1].Current("Observation"), f, "."+member+`"`, change)
}

// changed is one of some resources, of a form and with a text in it.
func changed(t *testing.T, among [][]byte, f *form, with string, change func(map[string]any)) []byte {
	t.Helper()
	for _, body := range among {
		if !strings.Contains(string(body), "/"+f.id+"/_history/") || !strings.Contains(string(body), with) {
			continue
		}
		var o map[string]any
		decoder := json.NewDecoder(bytes.NewReader(body))
		decoder.UseNumber()
		require.NoError(t, decoder.Decode(&o))
		change(o)
		body, err := json.Marshal(o)
		require.NoError(t, err)
		return body
	}
	require.Fail(t, "the hospital does not hold it")
	return nil
}

// settledBooks are those of three forms: one amended, which took two answers out,
// one taken back after it was delivered, one as it was sent.
func settledBooks(t *testing.T) (*rig, *load) {
	t.Helper()
	r := newRig(t)
	s := &sender{name: "sender-0", random: rand.New(rand.NewPCG(1, 2))} //nolint:gosec // chance, not secrecy
	ctx := context.Background()
	for i, then := range []string{"amended", wrong, ""} {
		s.forms = append(s.forms, &form{identifier: "sender-0-" + string(rune('0'+i)), next: 100*(i+1) + 2})
		f := s.forms[i]
		s.attempt(ctx, r.base, f, f.content("completed"))
		r.converges()
		if then != "" {
			s.attempt(ctx, r.base, f, f.content(then))
			r.converges()
		}
	}
	require.Empty(t, s.surprises)
	return r, &load{senders: []*sender{s}}
}

// TestTheAuditorFinds shows that each thing the auditor looks for is found.
func TestTheAuditorFinds(t *testing.T) {
	t.Parallel()
	t.Run("nothing in books that are right", func(t *testing.T) {
		t.Parallel()
		r, l := settledBooks(t)
		a := auditAll(t, r.base, l)
		r.hospitals.judge(a)
		require.Empty(t, a.findings)
	})
	for _, status := range []string{"amended", wrong, deleted} {
		t.Run("nothing in a step without an answer, done or not: "+status, func(t *testing.T) {
			t.Parallel()
			r, l := settledBooks(t)
			done, not := l.senders[0].forms[2], l.senders[0].forms[0]
			for _, f := range []*form{done, not} {
				c := f.content(status)
				f.open = &c
			}
			_, err := call(done.request(r.base, *done.open))
			require.NoError(t, err)
			r.converges()
			a := auditAll(t, r.base, l)
			r.hospitals.judge(a)
			require.Empty(t, a.findings)
			require.Nil(t, done.open)
			require.NotNil(t, not.open)
		})
	}
	for name, p := range planted {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r, l := settledBooks(t)
			p.plant(t, r, l.senders[0])
			a := auditAll(t, r.base, l)
			r.hospitals.judge(a)
			require.Contains(t, strings.Join(a.findings, "\n"), p.finding)
		})
	}
}

// TestTheSenderFinds shows that answers no fault explains come to light.
func TestTheSenderFinds(t *testing.T) {
	t.Parallel()
	answers := map[string]struct {
		status  int
		body    string
		finding string
	}{
		"a repetition answered with another id": {http.StatusCreated, `{"id":"other"}`, "answered with another id"},
		"a repetition answered otherwise":       {http.StatusCreated, `{"id":"mine","status":"amended"}`, "answered otherwise"},
		"a refusal of what is right":            {http.StatusUnprocessableEntity, `{}`, "POST of completed is answered 422"},
	}
	for name, a := range answers {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHospital(t)
			h.revive()
			h.troubled(func(w http.ResponseWriter, _ *http.Request) bool {
				w.WriteHeader(a.status)
				_, _ = w.Write([]byte(a.body))
				return true
			})
			s := &sender{name: "sender-0", random: rand.New(rand.NewPCG(1, 2))} //nolint:gosec // chance, not secrecy
			f := &form{identifier: "one", id: "mine", acknowledged: []content{{1, "completed"}}, answer: []byte(`{"id":"mine"}`)}
			s.send(h.base, f, f.last())
			require.Contains(t, strings.Join(s.surprises, "\n"), a.finding)
		})
	}
	t.Run("what is taken though it must be refused", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t)
		h.revive()
		h.troubled(func(w http.ResponseWriter, _ *http.Request) bool {
			w.WriteHeader(http.StatusOK)
			return true
		})
		s := &sender{name: "sender-0", random: rand.New(rand.NewPCG(1, 2))} //nolint:gosec // chance, not secrecy
		s.unreasonable(h.base, &form{identifier: "one", id: "mine", acknowledged: []content{{1, "completed"}}})
		require.Contains(t, strings.Join(s.surprises, "\n"), "must be refused is answered 200")
	})
	t.Run("a fault for what it is", func(t *testing.T) {
		t.Parallel()
		h := newHospital(t)                                                 // dead, it answers 429
		s := &sender{name: "sender-0", random: rand.New(rand.NewPCG(1, 2))} //nolint:gosec // chance, not secrecy
		f := &form{identifier: "one"}
		ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
		defer cancel()
		s.attempt(ctx, h.base, f, content{1, "completed"})
		require.Empty(t, s.surprises)
		require.Equal(t, &content{1, "completed"}, f.open)
		require.Empty(t, f.acknowledged)
	})
}

// TestScoresOfTheLedger holds the ledger's arithmetic to scores worked out by
// hand: 0/5 + 28 + 0 + 4, 100/5 + 28 + 0 + 4, 0.1/5 + 28 + 10 + 4.
func TestScoresOfTheLedger(t *testing.T) {
	t.Parallel()
	require.Equal(t, "32.00", content{0, "completed"}.score())
	require.Equal(t, "52.00", content{1000, "completed"}.score())
	require.Equal(t, "42.02", content{100*1001 + 1, "completed"}.score())
}
