package sandbox

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestSpan(t *testing.T) {
	t.Parallel()
	at := func(text string) time.Time {
		parsed, err := time.Parse(time.RFC3339Nano, text)
		require.NoError(t, err)
		return parsed
	}
	for text, c := range map[string]struct{ start, end string }{
		"2024":                          {"2024-01-01T00:00:00Z", "2025-01-01T00:00:00Z"},
		"2024-02":                       {"2024-02-01T00:00:00Z", "2024-03-01T00:00:00Z"},
		"2024-02-29":                    {"2024-02-29T00:00:00Z", "2024-03-01T00:00:00Z"},
		"2024-12-31":                    {"2024-12-31T00:00:00Z", "2025-01-01T00:00:00Z"},
		"2024-05-10T12:00:00Z":          {"2024-05-10T12:00:00Z", "2024-05-10T12:00:01Z"},
		"2024-05-10T12:00:00+02:00":     {"2024-05-10T10:00:00Z", "2024-05-10T10:00:01Z"},
		"2024-05-10T12:00:00.250Z":      {"2024-05-10T12:00:00.250Z", "2024-05-10T12:00:00.251Z"},
		"2024-05-10T12:00:00.250-03:30": {"2024-05-10T15:30:00.250Z", "2024-05-10T15:30:00.251Z"},
	} {
		t.Run(text, func(t *testing.T) {
			t.Parallel()
			got, err := parseSpan(text)
			require.NoError(t, err)
			require.True(t, got.start.Equal(at(c.start)), got.start)
			require.True(t, got.end.Equal(at(c.end)), got.end)
		})
	}
	for _, text := range []string{"", "24", "2023-02-29", "2024-13", "2024-5-1", "2024-05-10T12:00", "2024-05-10T12:00:00", "yesterday"} {
		t.Run("NoDate "+text, func(t *testing.T) {
			t.Parallel()
			_, err := parseSpan(text)
			require.Error(t, err)
		})
	}
}

// TestPrefixes compares with the definitions of R4 search.html 3.1.1.4.5, tried
// hour by hour on closed spans.
func TestPrefixes(t *testing.T) {
	t.Parallel()
	origin := time.Date(2024, 5, 10, 0, 0, 0, 0, time.UTC)
	drawn := func(t *rapid.T, name string) span {
		start := rapid.IntRange(0, 20).Draw(t, name+" start")
		length := rapid.IntRange(1, 8).Draw(t, name+" length")
		return span{origin.Add(time.Duration(start) * time.Hour), origin.Add(time.Duration(start+length) * time.Hour)}
	}
	rapid.Check(t, func(t *rapid.T) {
		have, asked := drawn(t, "resource"), drawn(t, "search")
		all, above, below, any := true, false, false, false
		for at := have.start; at.Before(have.end); at = at.Add(time.Hour) {
			inside := !at.Before(asked.start) && at.Before(asked.end)
			all, any = all && inside, any || inside
			above = above || !at.Before(asked.end)
			below = below || at.Before(asked.start)
		}
		for prefix, want := range map[string]bool{
			"eq": all, "ne": !all, "gt": above, "lt": below, "ge": above || all, "le": below || all,
			"sa": above && !below && !any, "eb": below && !above && !any,
		} {
			require.Equal(t, want, dateQuery{prefix, asked}.matches(have), "%s", prefix)
		}
	})
}

// TestOpenSpans: a side that is not known reaches as far as it can.
func TestOpenSpans(t *testing.T) {
	t.Parallel()
	day := time.Date(2024, 5, 10, 0, 0, 0, 0, time.UTC)
	asked := span{day, day.AddDate(0, 0, 1)}
	for name, c := range map[string]struct {
		have    span
		matches []string
	}{
		"SinceBefore": {span{start: day.AddDate(0, 0, -1)}, []string{"ne", "gt", "lt", "ge", "le"}},
		"SinceAfter":  {span{start: day.AddDate(0, 0, 2)}, []string{"ne", "gt", "ge", "sa"}},
		"UntilBefore": {span{end: day.AddDate(0, 0, -1)}, []string{"ne", "lt", "le", "eb"}},
		"UntilAfter":  {span{end: day.AddDate(0, 0, 3)}, []string{"ne", "gt", "lt", "ge", "le"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			matches := []string{}
			for _, prefix := range datePrefixes {
				if (dateQuery{prefix, asked}).matches(c.have) {
					matches = append(matches, prefix)
				}
			}
			require.Equal(t, sorted(c.matches), sorted(matches))
		})
	}
}
