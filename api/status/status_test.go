package status_test

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"tidemark.example/tidemark/api/status"
)

var now = time.Date(2026, 3, 4, 19, 30, 0, 0, time.UTC)

// well is a report of an installation that has nothing to see to.
func well() status.Report {
	return status.Report{
		At: now, Started: now.Add(-49 * time.Hour), Version: "v1.2.3", Algorithm: "1.0.0", BaseURL: "https://tidemark.brindlemoor.example/fhir",
		Database:  status.Database{Kind: "SQLite", Durability: "synchronous full", Schema: 10, Known: 10, Took: 3 * time.Millisecond},
		Targets:   []status.Target{{Name: "brindlemoor", Configured: true, Mode: "transaction", Pending: 1, Oldest: now.Add(-4 * time.Minute), Last: now.Add(-90 * time.Second)}},
		Endpoints: status.Endpoints{Active: 2, Off: 1},
		Checks:    []status.Check{{Name: "Certificate", Verdict: "ok", Found: "the certificate is good until 2027-01-01"}},
	}
}

// ill is one with everything to see to.
func ill() status.Report {
	r := well()
	r.Targets = append(r.Targets,
		status.Target{Name: "registry", Configured: true, Paused: true, Pending: 7, InDoubt: 2, Parked: 3, Differing: 1, Oldest: now.Add(-26 * time.Hour)},
		status.Target{Name: "closed-clinic", Pending: 5, Oldest: now.Add(-time.Hour)})
	r.Endpoints.Failing = 1
	r.Checks = append(r.Checks, status.Check{Name: "Certificate", Verdict: "look", Found: "the certificate expires in 1 day", To: "TIDEMARK_TLS_CERT: have it renewed <soon>"})
	return r
}

// show gives the page of a report, and its elements in order.
func show(t *testing.T, r status.Report) (*httptest.ResponseRecorder, []*html.Node) {
	t.Helper()
	w := httptest.NewRecorder()
	status.Handler(func(context.Context) status.Report { return r }).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/", nil))
	require.Equal(t, http.StatusOK, w.Code)
	root, err := html.Parse(strings.NewReader(w.Body.String()))
	require.NoError(t, err)
	var all []*html.Node
	for node := range root.Descendants() {
		if node.Type == html.ElementNode {
			all = append(all, node)
		}
	}
	return w, all
}

func attribute(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func text(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return strings.TrimSpace(b.String())
}

// TestNeedsNothingButHTML: no script, no form, nothing from elsewhere; the one style is
// the one that the policy allows.
func TestNeedsNothingButHTML(t *testing.T) {
	t.Parallel()
	w, all := show(t, ill())
	policy := w.Header().Get("Content-Security-Policy")
	require.True(t, strings.HasPrefix(policy, "default-src 'none';"), policy)
	require.NotContains(t, policy, "unsafe")
	require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
	styles := 0
	for _, n := range all {
		require.Contains(t, "html head meta title style body header h1 p time main section h2 div ul li strong span code table caption thead tbody tr th td dl dt dd footer a", n.Data)
		for _, a := range n.Attr {
			require.Contains(t, "lang charset name content aria-labelledby role tabindex id class scope datetime href", a.Key)
		}
		if n.Data == "style" {
			styles++
			digest := sha256.Sum256([]byte(n.FirstChild.Data))
			require.Contains(t, policy, "'sha256-"+base64.StdEncoding.EncodeToString(digest[:])+"'")
			require.NotContains(t, n.FirstChild.Data, "url(")
		}
	}
	require.Equal(t, 1, styles)
	require.Contains(t, w.Body.String(), "have it renewed &lt;soon&gt;", "what is found is text")
}

// TestLate: five minutes are the objective, and what takes longer is worth a word.
func TestLate(t *testing.T) {
	t.Parallel()
	for age, matters := range map[time.Duration]int{5 * time.Minute: 0, 5*time.Minute + time.Second: 1} {
		r := well()
		r.Targets[0].Oldest = now.Add(-age)
		require.Len(t, r.Matters(), matters, "%s", age)
	}
}

// TestReadsByEar: what a screen reader goes by is there and right.
func TestReadsByEar(t *testing.T) {
	t.Parallel()
	_, all := show(t, ill())
	ids, headings, tables := map[string]bool{}, "", 0
	for _, n := range all {
		if id := attribute(n, "id"); id != "" {
			require.False(t, ids[id], id)
			ids[id] = true
		}
		switch n.Data {
		case "html":
			require.Equal(t, "en", attribute(n, "lang"))
		case "title":
			require.Equal(t, "7 things to see to - Tidemark", text(n))
		case "h1", "h2":
			headings += n.Data[1:]
		case "table":
			tables++
			require.Equal(t, "caption", firstElement(n).Data)
			region := n.Parent
			require.Equal(t, "region", attribute(region, "role"))
			require.Equal(t, "0", attribute(region, "tabindex"), "who has no mouse scrolls it by keys")
		case "th":
			require.Contains(t, []string{"col", "row"}, attribute(n, "scope"))
			require.NotEmpty(t, text(n))
		case "td", "dd", "li":
			require.NotEmpty(t, text(n), "nothing is said by an empty place")
		case "a":
			require.NotEmpty(t, text(n))
		}
	}
	require.Equal(t, "1222222", headings)
	require.Equal(t, 2, tables)
	for _, n := range all {
		if by := attribute(n, "aria-labelledby"); by != "" {
			require.True(t, ids[by], by)
		}
	}
}

func firstElement(n *html.Node) *html.Node {
	for c := range n.ChildNodes() {
		if c.Type == html.ElementNode {
			return c
		}
	}
	return nil
}

// TestMatters: what someone must see to comes first, with what to do.
func TestMatters(t *testing.T) {
	t.Parallel()
	good := well()
	require.Empty(t, good.Matters())
	w, _ := show(t, good)
	for _, says := range []string{"Everything is in order", "v1.2.3", "1.0.0", "4 minutes ago", "1 minute ago", "2 days, since", "transaction", "it took a write in 3ms", "synchronous full"} {
		require.Contains(t, w.Body.String(), says)
	}
	bad := ill()
	var what []string
	for _, m := range bad.Matters() {
		require.NotEmpty(t, m.Do, m.What)
		what = append(what, m.What)
	}
	require.Equal(t, []string{
		"Sending to registry is paused: the server as a whole is at fault.",
		"registry did not take 3 scores.",
		"registry has lacked a score for 1 day.",
		"1 copy at registry differs from what was delivered.",
		"Deliveries wait for closed-clinic, which is not configured.",
		"1 endpoint that is told of scores does not answer.",
		"Certificate: the certificate expires in 1 day.",
	}, what)
	w, _ = show(t, bad)
	for _, says := range []string{"paused", "not configured", "none yet", "tidemark deliveries list --target registry --state parked"} {
		require.Contains(t, w.Body.String(), says)
	}

	gone := well()
	gone.Targets, gone.Database = nil, status.Database{Kind: "PostgreSQL", Fault: "it does not take a write"}
	require.Equal(t, "The database: it does not take a write.", gone.Matters()[0].What)
	w, _ = show(t, gone)
	require.Contains(t, w.Body.String(), "1 thing to see to")
	require.NotContains(t, w.Body.String(), "TIDEMARK_EHR_URL is not set", "nobody knows the targets without a database")
}
