package fhir_test

import (
	"encoding/json"
	"math/big"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidemark.example/tidemark/fhir"
)

func TestParseDateTime(t *testing.T) {
	t.Parallel()

	t.Run("agrees with time.Parse on every valid instant", func(t *testing.T) {
		t.Parallel()
		rapid.Check(t, func(t *rapid.T) {
			zone := time.FixedZone("", 60*rapid.IntRange(-14*60, 14*60).Draw(t, "offset"))
			want := time.Unix(rapid.Int64Range(-30_000_000_000, 100_000_000_000).Draw(t, "second"), 0).In(zone)
			got, err := fhir.ParseDateTime([]byte(want.Format(time.RFC3339)))
			require.NoError(t, err)
			require.True(t, want.Equal(got.Time))
			require.Equal(t, fhir.ToSecond, got.Precision)
			_, offset := got.Time.Zone()
			_, wanted := want.Zone()
			require.Equal(t, wanted, offset)
		})
	})
	t.Run("keeps to the calendar", func(t *testing.T) {
		t.Parallel()
		for _, text := range []string{"2024-02-29", "2000-02-29", "2026-12-31", "2026-11-30"} {
			_, err := fhir.ParseDateTime([]byte(text))
			require.NoError(t, err, text)
		}
		for _, text := range []string{"2026-02-29", "1900-02-29", "2026-04-31", "2026-13-01", "2026-00-01", "2026-01-00", "0000",
			"26", "2026-1-1", "2026-01-01T", "2026-01-01T24:00:00Z", "2026-01-01T10:60:00Z", "2026-01-01T10:00:61Z",
			"2026-01-01T10:00:00.Z", "2026-01-01T10:00:00+15:00", "2026-01-01T10:00:00+1:00", "2026-01-01 10:00:00Z", "2026-01-01Z", "2026-01-01x"} {
			_, err := fhir.ParseDateTime([]byte(text))
			require.Error(t, err, text)
		}
	})
	t.Run("knows what a partial date can mean", func(t *testing.T) {
		t.Parallel()
		for text, want := range map[string][2]string{
			"2026":                 {"2026-01-01T00:00:00Z", "2026-12-31T23:59:59.999Z"},
			"2024-02":              {"2024-02-01T00:00:00Z", "2024-02-29T23:59:59.999Z"},
			"2026-03-04":           {"2026-03-04T00:00:00Z", "2026-03-04T23:59:59.999Z"},
			"2026-03-04T05:06:07Z": {"2026-03-04T05:06:07Z", "2026-03-04T05:06:07.999Z"},
		} {
			date, err := fhir.ParseDateTime([]byte(text))
			require.NoError(t, err)
			low, high := date.Range()
			require.Equal(t, want, [2]string{low.Format(time.RFC3339Nano), high.Format(time.RFC3339Nano)})
		}
	})
}

// math/big reads the same texts exactly.
func TestDecimalIsExact(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := strconv.FormatInt(rapid.Int64Range(-1_000_000_000, 1_000_000_000).Draw(t, "whole"), 10)
		if rapid.Bool().Draw(t, "fraction") {
			text += "." + rapid.StringMatching(`[0-9]{1,6}`).Draw(t, "digits")
		}
		if rapid.Bool().Draw(t, "scientific") {
			text += "e" + strconv.Itoa(rapid.IntRange(-4, 4).Draw(t, "exponent"))
		}
		want, ok := new(big.Rat).SetString(text)
		require.True(t, ok, text)
		d, ok := fhir.ParseDecimal([]byte(text))
		require.True(t, ok, text)
		scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(d.Scale)), nil)
		require.Zero(t, want.Cmp(new(big.Rat).SetFrac(big.NewInt(d.Unscaled), scale)), text)

		tenths, whole := d.At(1)
		scaled := new(big.Rat).Mul(want, big.NewRat(10, 1))
		require.Equal(t, scaled.IsInt(), whole, text)
		if whole {
			require.Equal(t, scaled.Num().Int64(), tenths, text)
		}
	})
	for _, text := range []string{"1e19", "1e-19", "99999999999999999999", "1e99999999999"} {
		_, ok := fhir.ParseDecimal([]byte(text))
		require.False(t, ok, text)
	}
}

func TestParseReference(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]fhir.Reference{
		"Patient/a":                                 {Type: "Patient", ID: "a"},
		"https://a.example/fhir/Patient/a":          {Base: "https://a.example/fhir", Type: "Patient", ID: "a"},
		"Observation/a/_history/3":                  {Type: "Observation", ID: "a", Version: "3"},
		"http://a.example/Observation/a/_history/3": {Base: "http://a.example", Type: "Observation", ID: "a", Version: "3"},
	} {
		got, ok := fhir.ParseReference([]byte(text))
		require.True(t, ok, text)
		require.Equal(t, want, got)
		require.Equal(t, text, got.String())
	}
	for _, text := range []string{"", "#a", "Patient", "Patient/", "/Patient/a", "patient/a", "Nonsense/a", "Patient/a b",
		"urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "Patient/a/_history/", "Patient?identifier=a|b"} {
		_, ok := fhir.ParseReference([]byte(text))
		require.False(t, ok, text)
	}
}

func TestOutcomeWritesEveryCode(t *testing.T) {
	t.Parallel()
	for _, code := range []fhir.IssueType{
		fhir.IssueStructure, fhir.IssueRequired, fhir.IssueValue, fhir.IssueInvariant, fhir.IssueInvalid, fhir.IssueSecurity,
		fhir.IssueLogin, fhir.IssueUnknown, fhir.IssueExpired, fhir.IssueForbidden, fhir.IssueSuppressed, fhir.IssueProcessing,
		fhir.IssueNotSupported, fhir.IssueDuplicate, fhir.IssueMultipleMatches, fhir.IssueNotFound, fhir.IssueDeleted,
		fhir.IssueTooLong, fhir.IssueCodeInvalid, fhir.IssueExtension, fhir.IssueTooCostly, fhir.IssueBusinessRule,
		fhir.IssueConflict, fhir.IssueTransient, fhir.IssueNoStore, fhir.IssueException, fhir.IssueTimeout,
		fhir.IssueThrottled, fhir.IssueInformational,
	} {
		for _, severity := range []fhir.Severity{fhir.Fatal, fhir.Error, fhir.Warning, fhir.Information} {
			body := fhir.Issues{{Severity: severity, Code: code, Expression: "Patient.id", Text: "text"}}.JSON()
			var got struct {
				Issue []struct {
					Severity, Code string
					Expression     []string
				}
			}
			require.NoError(t, json.Unmarshal(body, &got))
			require.Equal(t, string(code), got.Issue[0].Code)
			require.Equal(t, string(severity), got.Issue[0].Severity)
			document, err := fhir.Decode(body)
			require.NoError(t, err, "what is written is valid")
			document.Release()
		}
	}
	document, err := fhir.Decode(fhir.Issues{}.JSON())
	require.NoError(t, err, "an outcome always has an issue")
	document.Release()
}
