package writeback

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/sandbox"
	"tidemark.example/tidemark/fhir/store"
)

// shapedScore is the body of one version of a score, short, but with the codes
// that members are made by.
func shapedScore(n int, version int64, status string, parts ...string) []byte {
	const system = "https://tidemark.example/fhir/CodeSystem/scorad"
	var components []string
	for _, part := range parts {
		components = append(components, fmt.Sprintf(`{"code":{"coding":[{"system":"%s","code":"%s"}],"text":"%s"},"valueQuantity":{"value":%d.5,"unit":"score","code":"{score}"}}`,
			system, part, part, version))
	}
	body := fmt.Appendf(nil, `{"resourceType":"Observation","id":"score-%[1]d","meta":{"versionId":"%[2]d"},"language":"en",`+
		`"identifier":[{"system":"https://tidemark.example/fhir/sid/score","value":"digest-%[1]d"}],"status":"%[3]s",`+
		`"category":[{"text":"survey"}],"code":{"coding":[{"system":"%[4]s","code":"scorad"}],"text":"SCORAD"},`+
		`"subject":{"reference":"Patient/oona"},"effectivePeriod":{"start":"2024-05-07","end":"2024-05-10T12:00:00Z"},`+
		`"issued":"2024-05-10T12:00:0%[5]d.000Z","performer":[{"reference":"RelatedPerson/bram"}],`+
		`"valueQuantity":{"value":%[2]d.50,"unit":"score","code":"{score}"},"note":[{"text":"Caution."}],`+
		`"method":{"coding":[{"system":"%[4]s","code":"self-direct"}],"text":"estimated"},`+
		`"derivedFrom":[{"reference":"https://tidemark.example/fhir/QuestionnaireResponse/score-%[1]d/_history/%[2]d"}]`,
		n, version, status, system, version%10)
	if len(components) > 0 {
		body = fmt.Appendf(body, `,"component":[%s]`, strings.Join(components, ","))
	}
	return append(body, '}')
}

// wantShaped stores the next version of a score of these parts and wants it as
// package api does.
func wantShaped(t require.TestingT, s store.Store, target string, n int, shape observation.Shape, retract bool, parts ...string) {
	require.NoError(t, s.Write(context.Background(), nil, func(tx store.Tx) error {
		stored, err := tx.Put(keyOf(n), "PUT", store.Index{}, func(version int64, _ time.Time) ([]byte, error) {
			status := "final"
			switch {
			case retract:
				status = "entered-in-error"
			case version > 1:
				status = "amended"
			}
			return shapedScore(n, version, status, parts...), nil
		})
		if err != nil {
			return err
		}
		return tx.Want(target, keyOf(n), stored.Version, retract, shape.Members(parts)...)
	}))
}

// shapedWard is a ward whose hospital takes scores in a shape.
type shapedWard struct {
	*ward
	shape observation.Shape
}

func newShapedWard(t testing.TB, profile observation.Profile) *shapedWard {
	w := &shapedWard{ward: newWard(t)}
	w.takes(profile)
	return w
}

// takes hires a worker for another profile, as a restart with another
// configuration does.
func (w *shapedWard) takes(profile observation.Profile) {
	var err error
	w.shape = profile.Shape
	w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Profile: profile}, w.worker.options)
	require.NoError(w.t, err)
}

// wants is a next version of the one score.
func (w *shapedWard) wants(retract bool, parts ...string) {
	wantShaped(w.t, w.store, targetName, 1, w.shape, retract, parts...)
}

// drains lets everything pass until nothing is left to do.
func (w *shapedWard) drains() {
	for range 20 {
		left, err := w.store.Backlog(context.Background())
		require.NoError(w.t, err)
		if len(left) == 0 {
			return
		}
		w.pass()
		w.clock.Add(time.Minute)
	}
	require.Fail(w.t, "something is left to do")
}

// held is what the hospital holds, by member: how often it took it, its status
// and the version of the score that it is from.
func (w *shapedWard) held() map[string]string {
	held := map[string]string{}
	for _, kind := range []string{"Observation", "DocumentReference"} {
		for _, body := range w.hospital.Current(kind) {
			document, err := fhir.Decode(body)
			require.NoError(w.t, err, "%s", body)
			root := document.Root()
			resource := tree(w.t, string(body))
			member := strings.TrimPrefix(strings.TrimPrefix(root.Get("identifier").Get("value").Text(), "digest-1"), ".")
			require.NotContains(w.t, held, member, "one resource for each member")
			require.Equal(w.t, kind, observation.MemberType(member))
			taken := w.hospital.Versions(kind, root.Get("id").Text())
			held[member] = fmt.Sprint(root.Get("status").Text(), " of ", versionIn(w.t, resource), ", taken ", len(taken))
			document.Release()
		}
	}
	return held
}

// states are the deliveries of the one score, by member.
func (w *shapedWard) states() map[string]store.Delivery {
	all, err := w.store.Members(context.Background(), targetName, keyOf(1))
	require.NoError(w.t, err)
	by := map[string]store.Delivery{}
	for _, d := range all {
		by[d.Member] = d
	}
	return by
}

// resource is what the hospital holds of a member.
func (w *shapedWard) resource(member string) map[string]any {
	d := w.states()[member]
	versions := w.hospital.Versions(observation.MemberType(member), d.RemoteID)
	require.NotEmpty(w.t, versions)
	return tree(w.t, string(versions[len(versions)-1]))
}

const (
	itchPart  = "symptoms-itch"
	sleepPart = "symptoms-sleep-loss"
)

// TestShapes: created, amended so that an answer goes, and taken back, in each
// shape, with answers that are lost and without.
func TestShapes(t *testing.T) {
	t.Parallel()
	for shape, steps := range map[observation.Shape][3]map[string]string{
		observation.Single: {{"": "final of 1, taken 1"}, {"": "amended of 2, taken 2"}, {"": "entered-in-error of 3, taken 3"}},
		observation.PanelShape: {
			{"": "final of 1, taken 1", itchPart: "final of 1, taken 1", sleepPart: "final of 1, taken 1", "panel": "final of 1, taken 1"},
			{"": "amended of 2, taken 2", itchPart: "amended of 2, taken 2", sleepPart: "entered-in-error of 2, taken 2", "panel": "amended of 2, taken 2"},
			{"": "entered-in-error of 3, taken 3", itchPart: "entered-in-error of 3, taken 3", sleepPart: "entered-in-error of 2, taken 2", "panel": "entered-in-error of 3, taken 3"},
		},
		observation.Singles: {
			{"": "final of 1, taken 1", itchPart: "final of 1, taken 1", sleepPart: "final of 1, taken 1"},
			{"": "amended of 2, taken 2", itchPart: "amended of 2, taken 2", sleepPart: "entered-in-error of 2, taken 2"},
			{"": "entered-in-error of 3, taken 3", itchPart: "entered-in-error of 3, taken 3", sleepPart: "entered-in-error of 2, taken 2"},
		},
		observation.Document: {{"document": "current of 1, taken 1"}, {"document": "current of 2, taken 2"}, {"document": "entered-in-error of 3, taken 3"}},
	} {
		for name, fault := range map[string]*sandbox.Fault{"": nil, " with answers lost": ptr(sandbox.Lost(true)), " with requests lost": ptr(sandbox.Lost(false))} {
			t.Run(string(shape)+name, func(t *testing.T) {
				t.Parallel()
				w := newShapedWard(t, observation.Profile{Shape: shape})
				for i, step := range []func(){
					func() { w.wants(false, itchPart, sleepPart) }, func() { w.wants(false, itchPart) }, func() { w.wants(true, itchPart) },
				} {
					if fault != nil {
						w.hospital.Misbehave(*fault, *fault)
					}
					step()
					w.drains()
					require.Equal(t, steps[i], w.held(), "step %d", i+1)
				}
			})
		}
	}
}

func ptr[T any](value T) *T { return &value }

// TestMemberThatWent: it is taken back as the last version said it that had it,
// however many versions ago that was.
func TestMemberThatWent(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{Shape: observation.Singles})
	w.wants(false, itchPart, sleepPart)
	w.drains()
	w.wants(false, itchPart)
	w.wants(false, itchPart)
	w.drains()
	gone := w.resource(sleepPart)
	require.Equal(t, "entered-in-error", gone["status"])
	require.EqualValues(t, "1.5", fmt.Sprint(gone["valueQuantity"].(map[string]any)["value"]), "readers must see what was taken back")
	require.EqualValues(t, 2, versionIn(t, gone), "from the version that took it back")
	require.Contains(t, gone["text"].(map[string]any)["div"], "entered in error, not to be used")
	w.wants(false, itchPart, sleepPart)
	w.drains()
	require.Equal(t, "amended of 4, taken 3", w.held()[sleepPart], "and comes back as the same resource")
}

// TestMemberThatNeverArrived: nothing is sent of what went before it was sent.
func TestMemberThatNeverArrived(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{Shape: observation.Singles})
	w.wants(false, itchPart, sleepPart)
	w.wants(false, itchPart)
	w.drains()
	require.Equal(t, map[string]string{"": "amended of 2, taken 1", itchPart: "amended of 2, taken 1"}, w.held())
}

// TestPanelWaits: a panel is sent once its members are there, and waiting is no
// failure.
func TestPanelWaits(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{Shape: observation.PanelShape})
	w.hospital.Misbehave(sandbox.Refuse(422, ""))
	w.wants(false, itchPart, sleepPart)
	require.Equal(t, 4, w.pass())
	panel := w.states()["panel"]
	require.Zero(t, panel.Delivered)
	require.Zero(t, panel.Attempts)
	require.False(t, panel.Parked)
	require.Equal(t, "Waits until 3 of its 3 members are delivered.", explainWaiting(3, 3, 0))
	require.Equal(t, []string{"PUT Observation?", "PUT Observation?", "PUT Observation?"}, w.asked(), "nothing was sent of the panel")
	require.True(t, slices.ContainsFunc(w.seen.attempts, func(a Attempt) bool { return a.Outcome == Waiting && a.Requests == 0 && a.Fault == FaultNone }))

	for range 3 {
		w.clock.Add(5 * time.Minute)
		w.pass()
	}
	panel = w.states()["panel"]
	require.Equal(t, "Waits until 1 of its 3 members are delivered. 1 of them are parked; retry or drop those.", panel.Reason)
	require.Zero(t, panel.Attempts)
	require.Len(t, w.hospital.Current("Observation"), 2)

	w.wants(false, itchPart, sleepPart)
	w.drains()
	require.Len(t, w.hospital.Current("Observation"), 4)
	w.requireReferences()
}

// requireReferences: the panel names the hospital's own resources.
func (w *shapedWard) requireReferences() {
	states := w.states()
	var named []string
	for _, each := range w.resource("panel")["hasMember"].([]any) {
		named = append(named, each.(map[string]any)["reference"].(string))
	}
	require.Equal(w.t, []string{"Observation/" + states[itchPart].RemoteID, "Observation/" + states[sleepPart].RemoteID, "Observation/" + states[""].RemoteID}, named)
}

// TestPanelNamesItsMembers: by the hospital's ids, or by identifier without
// waiting.
func TestPanelNamesItsMembers(t *testing.T) {
	t.Parallel()
	t.Run("ByTheHospitalsIds", func(t *testing.T) {
		t.Parallel()
		w := newShapedWard(t, observation.Profile{Shape: observation.PanelShape})
		w.wants(false, itchPart, sleepPart)
		w.drains()
		w.requireReferences()
	})
	t.Run("ByIdentifier", func(t *testing.T) {
		t.Parallel()
		w := newShapedWard(t, observation.Profile{Shape: observation.PanelShape, Logical: true})
		w.wants(false, itchPart)
		require.Equal(t, 3, w.pass())
		require.Len(t, w.hospital.Current("Observation"), 3, "at once")
		for i, value := range []string{"digest-1." + itchPart, "digest-1"} {
			named := w.resource("panel")["hasMember"].([]any)[i].(map[string]any)
			require.NotContains(t, named, "reference")
			require.Equal(t, value, named["identifier"].(map[string]any)["value"])
		}
	})
	t.Run("DoubtSettlesThoughItWaits", func(t *testing.T) {
		t.Parallel()
		w := newShapedWard(t, observation.Profile{Shape: observation.PanelShape})
		s := &delivering{w: w.worker, d: store.Delivery{InDoubt: true}}
		s.postpone([]store.Delivery{{Due: w.clock.Now()}}, 1)
		require.Equal(t, w.clock.Now().Add(w.worker.options.Settle), s.d.Due)
	})
}

// TestShapeThatChanges: the next version takes back what the hospital gets no
// more, and the score itself stays the one resource.
func TestShapeThatChanges(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{})
	w.wants(false, itchPart)
	w.drains()
	single := w.states()[""].RemoteID
	require.Len(t, w.resource("")["component"], 1)

	w.takes(observation.Profile{Shape: observation.PanelShape})
	w.drains()
	require.Equal(t, map[string]string{"": "final of 1, taken 1"}, w.held(), "not before there is a next version")
	w.wants(false, itchPart)
	w.drains()
	require.Equal(t, map[string]string{"": "amended of 2, taken 2", itchPart: "amended of 2, taken 1", "panel": "amended of 2, taken 1"}, w.held())
	require.Equal(t, single, w.states()[""].RemoteID)
	require.NotContains(t, w.resource(""), "component")

	w.takes(observation.Profile{Shape: observation.Document})
	w.wants(false, itchPart)
	w.drains()
	require.Equal(t, map[string]string{
		"": "entered-in-error of 3, taken 3", itchPart: "entered-in-error of 3, taken 2", "panel": "entered-in-error of 3, taken 2", "document": "current of 3, taken 1",
	}, w.held())
	attachment := w.resource("document")["content"].([]any)[0].(map[string]any)["attachment"].(map[string]any)
	text, err := base64.StdEncoding.DecodeString(attachment["data"].(string))
	require.NoError(t, err)
	require.Contains(t, string(text), "SCORAD: 3.50 of 103 points")

	w.takes(observation.Profile{})
	w.wants(false, itchPart)
	w.drains()
	require.Equal(t, "amended of 4, taken 4", w.held()[""])
	require.Equal(t, "entered-in-error of 4, taken 2", w.held()["document"])
}

// forgetful is a way to a hospital that keeps no method of one member.
type forgetful struct{ member string }

func (f forgetful) RoundTrip(r *http.Request) (*http.Response, error) {
	response, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		return nil, err
	}
	if resource, err := parseResource(body); err == nil {
		if value, _ := identifierOf(resource); value == "digest-1."+f.member {
			delete(resource, "method")
			if body, err = json.Marshal(resource); err != nil {
				return nil, err
			}
		}
	}
	response.Body, response.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
	response.Header.Del("Content-Length")
	return response, nil
}

// TestReadBackOfAMember says what was dropped of the one that it was dropped of.
func TestReadBackOfAMember(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{Shape: observation.PanelShape})
	var err error
	w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Profile: w.worker.profile, Transport: forgetful{itchPart}}, w.worker.options)
	require.NoError(t, err)
	w.wants(false, itchPart, sleepPart)
	w.drains()
	for member, d := range w.states() {
		want := ""
		if member == itchPart {
			want = "Delivered, but the target has dropped: method."
		}
		require.Equal(t, want, d.Reason, member)
	}
	dropped := 0
	for _, a := range w.seen.attempts {
		if a.Outcome == Delivered {
			require.True(t, a.ReadBack.Checked)
			dropped += len(a.ReadBack.Dropped)
		}
	}
	require.Equal(t, 1, dropped)
}

// TestWhatIsNoScore: it is parked, and what is wrong is not quoted.
func TestWhatIsNoScore(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{Shape: observation.Singles})
	require.NoError(t, w.store.Write(context.Background(), nil, func(tx store.Tx) error {
		if _, err := tx.Put(keyOf(1), "PUT", store.Index{}, func(int64, time.Time) ([]byte, error) {
			return []byte(`{"resourceType":"Observation","status":"Oona"}`), nil
		}); err != nil {
			return err
		}
		return tx.Want(targetName, keyOf(1), 1, false, itchPart)
	}))
	require.Equal(t, 1, w.pass())
	require.True(t, w.states()[itchPart].Parked)
	require.NotContains(t, errScore.Error(), "Oona")
}

// blindStore cannot read the members of a score.
type blindStore struct{ store.Store }

func (blindStore) Members(context.Context, string, store.Key) ([]store.Delivery, error) {
	return nil, errors.New("the database is away")
}

// TestStoreThatFailsWhileAPanelIsMade: it is tried again, and not parked.
func TestStoreThatFailsWhileAPanelIsMade(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{Shape: observation.PanelShape})
	w.wants(false, itchPart)
	sound := w.worker.store
	w.worker.store = blindStore{w.store}
	require.Equal(t, 3, w.pass())
	require.False(t, w.states()["panel"].Parked)
	require.Zero(t, w.states()["panel"].Delivered)
	w.worker.store = sound
	w.drains()
	require.Len(t, w.held(), 3)
}

// TestAbilitiesAreThoseOfTheTypeThatIsWritten, which for documents is another.
func TestAbilitiesAreThoseOfTheTypeThatIsWritten(t *testing.T) {
	t.Parallel()
	const statement = `{"resourceType":"CapabilityStatement","rest":[{"mode":"server","resource":[` +
		`{"type":"Observation","conditionalUpdate":true},{"type":"DocumentReference","conditionalUpdate":false}]}]}`
	for shape, want := range map[observation.Shape]said{
		"": yes, observation.Single: yes, observation.PanelShape: yes, observation.Singles: yes, observation.Document: no,
	} {
		w := newShapedWard(t, observation.Profile{Shape: shape})
		a, err := parseAbilities([]byte(statement), w.worker.client.kind)
		require.NoError(t, err)
		require.Equal(t, want, a.conditionalUpdate, shape)
	}
}

// TestTransactionsOfMembers: each goes with a Provenance of its own.
func TestTransactionsOfMembers(t *testing.T) {
	t.Parallel()
	w := newShapedWard(t, observation.Profile{Shape: observation.Singles})
	var err error
	w.worker, err = New(w.store, Target{Name: targetName, Base: w.url + "/fhir", Profile: w.worker.profile, Mode: Transaction}, w.worker.options)
	require.NoError(t, err)
	require.NoError(t, w.store.Write(context.Background(), nil, func(tx store.Tx) error { return putProvenance(tx, 1, 1, false) }))
	w.wants(false, itchPart, sleepPart)
	w.drains()
	require.Len(t, w.held(), 3)
	about := map[string]bool{}
	for _, body := range w.hospital.Current("Provenance") {
		about[references(tree(t, string(body))["target"])[0]["reference"].(string)] = true
	}
	want := map[string]bool{}
	for _, d := range w.states() {
		want["Observation/"+d.RemoteID] = true
	}
	require.Equal(t, want, about)
}
