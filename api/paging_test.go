package api_test

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// walk follows the next links of a search to its end and gives the ids in the
// order of the pages. Between any two pages it calls meanwhile.
func (r *rig) walk(path string, size int, meanwhile func(page int)) []string {
	r.t.Helper()
	var ids []string
	for page := 0; path != ""; page++ {
		require.Less(r.t, page, 100, "a search without end")
		a := r.get(path)
		require.Equal(r.t, http.StatusOK, a.status, "%s", a.body)
		n := a.count("entry")
		require.LessOrEqual(r.t, n, size)
		for i := range n {
			ids = append(ids, a.text("entry", i, "resource", "id"))
		}
		path = a.link("next")
		require.True(r.t, path == "" || n == size, "a page before the last is full")
		meanwhile(page)
	}
	return ids
}

func TestPagesWhileOthersArrive(t *testing.T) {
	t.Parallel()
	for _, sort := range []string{"", "date", "-date", "_lastUpdated", "-_lastUpdated", "_id"} {
		t.Run("sorted by "+sort, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			var before []string
			for i := range 13 {
				body := oona(fmt.Sprint("page-", i))
				// Several have the same time, so that only the id tells them apart.
				body.authored = fmt.Sprintf("2026-03-%02dT10:00:00Z", 10+i/4)
				before = append(before, r.create(body.json()).id())
			}
			arrived := map[string]bool{}
			ids := r.walk("/fhir/Observation?patient=oona-thistledown&_count=3&_sort="+sort, 3, func(page int) {
				if page > 5 {
					return
				}
				for _, day := range []string{"01", "10", "11", "28"} {
					body := oona(fmt.Sprint("arrives-", page, "-", day))
					body.authored = "2026-03-" + day + "T10:00:00Z"
					arrived[r.create(body.json()).id()] = true
				}
			})
			old := slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return arrived[id] })
			slices.Sort(old)
			slices.Sort(before)
			require.Equal(t, before, old, "each of those there at the start exactly once")
			require.Len(t, slices.Compact(slices.Sorted(slices.Values(ids))), len(ids), "none twice")
		})
	}
}

func TestPages(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	var all []string
	for i := range 25 {
		body := oona(fmt.Sprint("pages-", i))
		body.authored = fmt.Sprintf("2026-03-04T10:00:%02dZ", i)
		all = append(all, r.create(body.json()).id())
	}
	search := "/fhir/Observation?patient=oona-thistledown&flavour=sour&_sort=date"
	nothing := func(int) {}
	r.run(t, "of every size have all in the order asked for", func(t *testing.T, r *rig) {
		for _, size := range []int{1, 2, 5, 24, 25, 26, 200} {
			require.Equal(t, all, r.walk(fmt.Sprint(search, "&_count=", size), size, nothing), size)
		}
		require.Equal(t, all, r.walk(search, 20, nothing), "20 unless told")
	})
	r.run(t, "all give the total, and the links what was used", func(t *testing.T, r *rig) {
		first := r.get(search + "&_count=10")
		require.Equal(t, "25", first.text("total"))
		require.NotContains(t, first.link("next"), "flavour")
		second := r.get(first.link("next"))
		require.Equal(t, "25", second.text("total"))
		require.Equal(t, first.link("next"), second.link("self"))
		last := r.get(second.link("next"))
		require.Equal(t, 5, last.count("entry"))
		require.Empty(t, last.link("next"))
	})
	r.run(t, "are the same when asked for again", func(t *testing.T, r *rig) {
		next := r.get(search + "&_count=10").link("next")
		require.Equal(t, r.get(next).at("entry"), r.get(next).at("entry"))
	})
	r.run(t, "of none have the total and no entry", func(t *testing.T, r *rig) {
		a := r.get(search + "&_count=0")
		require.Equal(t, "25", a.text("total"))
		require.Nil(t, a.at("entry"))
		require.Empty(t, a.link("next"))
	})
	r.run(t, "name no patient in their cursor", func(t *testing.T, r *rig) {
		next, err := url.Parse(r.get(search + "&_count=10").link("next"))
		require.NoError(t, err)
		require.NotContains(t, strings.ToLower(next.Query().Get("_cursor")), "oona")
	})
	r.run(t, "that the search does not have are refused", func(t *testing.T, r *rig) {
		next, err := url.Parse(r.get(search + "&_count=10").link("next"))
		require.NoError(t, err)
		cursor := next.Query().Get("_cursor")
		for _, other := range []string{"x", "!!!!", cursor[:len(cursor)/3], strings.Repeat("A", 5000), url.QueryEscape("' OR 1=1 --")} {
			r.get(search+"&_cursor="+other).refused(http.StatusBadRequest, "value")
		}
		r.get("/fhir/Observation?_sort=-date&_cursor="+cursor).refused(http.StatusBadRequest, "value")
	})
	r.run(t, "survive the end of what they continued behind", func(t *testing.T, r *rig) {
		own := newRig(t)
		var ids []string
		for i := range 4 {
			body := oona(fmt.Sprint("survive-", i))
			body.authored = fmt.Sprintf("2026-03-04T10:00:%02dZ", i)
			ids = append(ids, own.create(body.json()).id())
		}
		next := own.get("/fhir/Observation?_sort=date&_count=2&status=final").link("next")
		gone := oona("survive-1")
		gone.id, gone.status, gone.authored = ids[1], "entered-in-error", "2026-03-04T10:00:01Z"
		require.Equal(t, http.StatusOK, own.put(gone).status)
		require.Equal(t, ids[2:], own.walk(next, 2, nothing))
	})
}
