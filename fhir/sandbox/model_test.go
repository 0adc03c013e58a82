package sandbox

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// sorted is a copy in order.
func sorted(names []string) []string {
	names = slices.Clone(names)
	slices.Sort(names)
	return names
}

// model is what a FHIR server must do with a few resources, as simply as it can
// be said: each id has a list of identifiers, one for every version, "" where a
// version is a deletion.
type model struct {
	versions map[string][]string
	created  int
}

func (m *model) live(id string) bool {
	all := m.versions[id]
	return len(all) > 0 && all[len(all)-1] != ""
}

// matching are the live ids that carry an identifier.
func (m *model) matching(value string) []string {
	var ids []string
	for id, all := range m.versions {
		if m.live(id) && all[len(all)-1] == value {
			ids = append(ids, id)
		}
	}
	return ids
}

// write is what an update of an id is answered with.
func (m *model) write(id, value, ifMatch string, createOnly bool) int {
	live := m.live(id)
	current := fmt.Sprintf(`W/"%d"`, len(m.versions[id]))
	if createOnly && live || ifMatch != "" && (!live || ifMatch != current) {
		return http.StatusPreconditionFailed
	}
	m.versions[id] = append(m.versions[id], value)
	if live {
		return http.StatusOK
	}
	return http.StatusCreated
}

// conditional is what a conditional update is answered with.
func (m *model) conditional(value string, createOnly bool) int {
	found := m.matching(value)
	switch len(found) {
	case 0:
		m.created++
		return m.write(fmt.Sprint("n", m.created), value, "", createOnly)
	case 1:
		return m.write(found[0], value, "", createOnly)
	default:
		return http.StatusPreconditionFailed
	}
}

// TestAgainstAModel: whatever is asked in whatever order, status, versions and
// searches are those of the model.
func TestAgainstAModel(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := &model{versions: map[string][]string{}}
		given := 0
		s := New(Options{NewID: func() string { given++; return fmt.Sprint("n", given) }})
		ask := func(method, path, body string, headers map[string]string) *httptest.ResponseRecorder {
			r := httptest.NewRequest(method, "/fhir/"+path, strings.NewReader(body))
			for name, value := range headers {
				if value != "" {
					r.Header.Set(name, value)
				}
			}
			answer := httptest.NewRecorder()
			s.ServeHTTP(answer, r)
			return answer
		}
		ids, values := []string{"a", "b", "n1"}, []string{"1", "2"}
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			id, value := rapid.SampledFrom(ids).Draw(t, "id"), rapid.SampledFrom(values).Draw(t, "value")
			createOnly := rapid.Bool().Draw(t, "create only")
			headers := map[string]string{}
			if createOnly {
				headers["If-None-Match"] = "*"
			}
			var want int
			var got *httptest.ResponseRecorder
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				ifMatch := rapid.SampledFrom([]string{"", `W/"1"`, `W/"2"`, `W/"3"`}).Draw(t, "If-Match")
				headers["If-Match"] = ifMatch
				want = m.write(id, value, ifMatch, createOnly)
				got = ask("PUT", "Observation/"+id, observed(named(id, value)), headers)
			case 1:
				want = m.conditional(value, createOnly)
				got = ask("PUT", byIdentifier(value), observed(identified(value)), headers)
			case 2:
				want = http.StatusNoContent
				if m.live(id) {
					m.versions[id] = append(m.versions[id], "")
				}
				got = ask("DELETE", "Observation/"+id, "", nil)
			default:
				switch {
				case m.live(id):
					want = http.StatusOK
				case len(m.versions[id]) > 0:
					want = http.StatusGone
				default:
					want = http.StatusNotFound
				}
				got = ask("GET", "Observation/"+id, "", nil)
			}
			require.Equal(t, want, got.Code, got.Body.String())
			if got.Code < 300 && got.Code != http.StatusNoContent {
				tree, err := parse(got.Body.Bytes())
				require.NoError(t, err)
				require.Equal(t, fmt.Sprintf(`W/"%d"`, len(m.versions[tree.text("id")])), got.Header().Get("ETag"))
			}
		}
		for id, versions := range m.versions {
			require.Len(t, s.Versions("Observation", id), len(versions))
		}
		for _, value := range values {
			tree, err := parse(ask("GET", byIdentifier(value), "", nil).Body.Bytes())
			require.NoError(t, err)
			found := []string{}
			for _, entry := range tree.list("entry") {
				found = append(found, entry.(*object).child("resource").text("id"))
			}
			require.ElementsMatch(t, m.matching(value), found)
		}
	})
}
