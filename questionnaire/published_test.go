package questionnaire_test

import (
	"encoding/json"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

var bothForms = []string{questionnaire.SelfAssessment, questionnaire.ClinicianAssessment}

// Everything in the directory is published, byte for byte, under a name that
// says what it is, and is valid FHIR.
func TestEveryFileIsPublishedAsItWasAuthored(t *testing.T) {
	t.Parallel()
	paths, err := filepath.Glob("published/*.json")
	require.NoError(t, err)
	all := questionnaire.All()
	require.Len(t, all, len(paths))
	require.GreaterOrEqual(t, len(all), 10, "two forms, four code systems, four value sets")
	for _, p := range all {
		t.Run(p.Type+" "+p.ID, func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(filepath.Join("published", p.Type+"-"+p.ID+"-"+p.Version+".json"))
			require.NoError(t, err)
			require.Equal(t, string(data), string(p.JSON))
			document, err := fhir.Decode(data)
			require.NoError(t, err)
			document.Release()
			require.Equal(t, questionnaire.Base+"/"+p.Type+"/"+p.ID, p.URL)
			require.Contains(t, []string{"active", "draft", "retired"}, p.Status)
			require.NotEmpty(t, p.Name)
			require.NotEmpty(t, p.Title)
			require.Regexp(t, `^\d{4}-\d{2}-\d{2}$`, p.Date)
			require.Regexp(t, `^\d+\.\d+\.\d+$`, p.Version)
			require.Contains(t, string(data), `"http://hl7.org/fhir/StructureDefinition/artifact-versionAlgorithm"`)
		})
	}
}

func TestFormsHaveTheirNamesAndRaters(t *testing.T) {
	t.Parallel()
	self, ok := questionnaire.FormByCanonical("https://tidemark.example/fhir/Questionnaire/scorad-self-assessment|1.0.0")
	require.True(t, ok)
	require.Equal(t, "SCORAD, rated by patient or carer", self.Title)
	require.Equal(t, scoring.RatedBySelf, self.Rater)
	team, ok := questionnaire.FormByCanonical("https://tidemark.example/fhir/Questionnaire/scorad-clinician-assessment")
	require.True(t, ok)
	require.Equal(t, "SCORAD, rated by a clinician", team.Title)
	require.Equal(t, scoring.RatedByClinician, team.Rater)
	_, ok = questionnaire.FormByCanonical("https://tidemark.example/fhir/Questionnaire/scorad-self-assessment|9.9.9")
	require.False(t, ok)
	_, ok = questionnaire.FormByCanonical(questionnaire.ScoradSystem)
	require.False(t, ok, "a CodeSystem is no form")
}

func TestFindTakesTheTypeAndTheVersionAtTheirWord(t *testing.T) {
	t.Parallel()
	found, ok := questionnaire.Find("CodeSystem", questionnaire.ScoradSystem+"|1.0.0")
	require.True(t, ok)
	require.Equal(t, "scorad", found.ID)
	found, ok = questionnaire.Find("CodeSystem", questionnaire.ScoradSystem)
	require.True(t, ok)
	require.Equal(t, "1.0.0", found.Version)
	for _, miss := range [][2]string{
		{"ValueSet", questionnaire.ScoradSystem}, {"CodeSystem", questionnaire.ScoradSystem + "|1.0"},
		{"CodeSystem", questionnaire.ScoradSystem + "|"}, {"CodeSystem", ""}, {"", questionnaire.ScoradSystem},
	} {
		_, ok := questionnaire.Find(miss[0], miss[1])
		require.False(t, ok, "%v", miss)
	}
}

// Each question stands in its group with its type, its code and no other.
func TestFormsHaveExactlyThePromisedItems(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		t.Run(id, func(t *testing.T) {
			t.Parallel()
			var want, got [][3]string
			for _, s := range sections(id) {
				want = append(want, [3]string{"", s.link, "group"})
				for _, q := range s.questions {
					want = append(want, [3]string{s.link, q.link, q.kind})
				}
			}
			published(id).walk(func(item formItem, parent string) {
				if item.Type != "display" {
					got = append(got, [3]string{parent, item.LinkID, item.Type})
				}
			})
			require.Equal(t, want, got)
		})
	}
}

func TestEveryItemThatIsNoDisplayHasItsCode(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		second := map[string]string{}
		for _, q := range answerable(id) {
			second[q.link] = q.second
		}
		published(id).walk(func(item formItem, _ string) {
			if item.Type == "display" {
				require.Empty(t, item.Code, item.LinkID)
				require.NotEmpty(t, item.Text, item.LinkID)
				return
			}
			require.NotEmpty(t, item.Code, item.LinkID)
			code := strings.ReplaceAll(item.LinkID, ".", "-")
			require.Equal(t, questionnaire.Coding{
				System: questionnaire.ScoradSystem, Code: code,
				Display: questionnaire.Display(questionnaire.ScoradSystem, code),
			}, item.Code[0], item.LinkID)
			var rides string
			for _, c := range item.Code[1:] {
				require.Equal(t, "http://snomed.info/sct", c.System)
				rides += c.Code
			}
			require.Equal(t, second[item.LinkID], rides, "codes that were confirmed, and no others: %s", item.LinkID)
		})
	}
}

func TestFormCodingsAreThoseOfTheItems(t *testing.T) {
	t.Parallel()
	for _, form := range questionnaire.Forms() {
		published(form.ID).walk(func(item formItem, _ string) {
			require.Equal(t, item.Code, form.Codings(item.LinkID), item.LinkID)
		})
		require.Panics(t, func() { form.Codings("notes") })
	}
}

func TestLinkIDsAreUnique(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		seen := map[string]bool{}
		published(id).walk(func(item formItem, _ string) {
			require.False(t, seen[item.LinkID], item.LinkID)
			seen[item.LinkID] = true
		})
	}
}

// What is required, and switched on by which method, is the same in the form
// and in the reader (whose side status_test.go and enable_test.go hold).
func TestRequiredAndEnableWhenAreAsPromised(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		for _, q := range answerable(id) {
			item := published(id).find(q.link)
			require.Equal(t, q.required, item.Required, q.link)
			require.False(t, item.ReadOnly, q.link)
			if q.needs == "" {
				require.Empty(t, item.EnableWhen, q.link)
				continue
			}
			require.Len(t, item.EnableWhen, 1, q.link)
			when := item.EnableWhen[0]
			require.Equal(t, "extent.method", when.Question, q.link)
			require.Equal(t, "=", when.Operator, q.link)
			require.Equal(t, questionnaire.ScoradSystem, when.AnswerCoding.System, q.link)
			require.Equal(t, q.needs, when.AnswerCoding.Code, q.link)
		}
	}
}

func TestOnlyRegionsHaveAnInitialAndItIsZero(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		published(id).walk(func(item formItem, _ string) {
			if !slices.Contains(regionLinks, item.LinkID) {
				require.Empty(t, item.Initial, item.LinkID)
				return
			}
			require.Len(t, item.Initial, 1, item.LinkID)
			require.NotNil(t, item.Initial[0].ValueInteger, item.LinkID)
			require.Zero(t, *item.Initial[0].ValueInteger, item.LinkID)
		})
	}
}

const extensions = "http://hl7.org/fhir/StructureDefinition/"

// The limits that a form tells renderers are those that the reader holds.
func TestLimitsAndUnitsAreAsPromised(t *testing.T) {
	t.Parallel()
	limits := map[string][3]string{
		"extent.hands": {"100", "1", "{palm}"}, "extent.direct": {"100", "1", "%"},
		"symptoms.itch": {"10", "1", ""}, "symptoms.sleep-loss": {"10", "1", ""},
	}
	for _, link := range regionLinks {
		limits[link] = [3]string{"100", "", "%"}
	}
	for _, id := range bothForms {
		for link, want := range limits {
			item := published(id).find(link)
			low, _ := item.extension(extensions + "minValue")
			high, _ := item.extension(extensions + "maxValue")
			places, _ := item.extension(extensions + "maxDecimalPlaces")
			unit, _ := item.extension(extensions + "questionnaire-unit")
			require.Equal(t, "0", low.ValueDecimal.String()+low.ValueInteger.String(), link)
			require.Equal(t, want[0], high.ValueDecimal.String()+high.ValueInteger.String(), link)
			require.Equal(t, want[1], places.ValueInteger.String(), link)
			if want[2] != "" {
				require.Equal(t, questionnaire.Coding{System: questionnaire.UCUM, Code: want[2], Display: unit.ValueCoding.Display}, unit.ValueCoding, link)
			}
		}
	}
}

func TestGradesHaveTheirWeights(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		for _, q := range grades {
			options := published(id).find(q.link).AnswerOption
			require.Len(t, options, 4, q.link)
			for weight, option := range options {
				require.Equal(t, questionnaire.Coding{
					System: questionnaire.GradeSystem, Code: gradeCodes[weight],
					Display: questionnaire.Display(questionnaire.GradeSystem, gradeCodes[weight]),
				}, option.ValueCoding, q.link)
				urls := map[string]string{}
				for _, e := range option.Extension {
					urls[e.URL] = e.ValueDecimal.String()
				}
				want := string(rune('0' + weight))
				require.Equal(t, map[string]string{extensions + "itemWeight": want, extensions + "ordinalValue": want}, urls, q.link)
			}
		}
	}
}

func TestChoicesHaveTheirOptions(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		for link, want := range map[string][]string{
			"extent.method": {"regions", "hands", "direct"}, "extent.age-group": {"2-and-over", "1-to-2", "under-1"},
		} {
			var got []string
			for _, option := range published(id).find(link).AnswerOption {
				require.Equal(t, questionnaire.ScoradSystem, option.ValueCoding.System)
				require.Equal(t, questionnaire.Display(questionnaire.ScoradSystem, option.ValueCoding.Code), option.ValueCoding.Display)
				got = append(got, option.ValueCoding.Code)
			}
			require.Equal(t, want, got, link)
		}
	}
}

func TestResultsAreReadOnlyAndComputedByTheForm(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		require.True(t, published(id).find("result").ReadOnly)
		for _, child := range published(id).find("result").Item {
			require.True(t, child.ReadOnly, child.LinkID)
			places, _ := child.extension(extensions + "maxDecimalPlaces")
			require.Equal(t, "2", places.ValueInteger.String(), child.LinkID)
			computed, ok := child.extension("http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-calculatedExpression")
			require.True(t, ok, child.LinkID)
			require.Equal(t, "text/fhirpath", computed.ValueExpression.Language)
			require.NotEmpty(t, computed.ValueExpression.Expression)
		}
	}
}

// Engines differ over these functions, so no published expression uses them.
func TestExpressionsUseOnlyWhatEnginesAgreeOn(t *testing.T) {
	t.Parallel()
	for _, form := range questionnaire.Forms() {
		count := 0
		for line := range strings.SplitSeq(string(form.JSON), "\n") {
			if !strings.Contains(line, `"expression":`) {
				continue
			}
			count++
			for _, name := range []string{"weight(", "ordinal(", "sum(", "aggregate(", "repeat(", "descendants("} {
				require.NotContains(t, line, name)
			}
		}
		require.Greater(t, count, 15, "expressions found")
	}
}

func TestSafetyNoticesAreShownWhateverTheScore(t *testing.T) {
	t.Parallel()
	for _, id := range bothForms {
		safety := published(id).find("safety")
		require.GreaterOrEqual(t, len(safety.Item), 6)
		require.Empty(t, safety.EnableWhen)
		for _, notice := range safety.Item {
			require.Equal(t, "display", notice.Type)
			require.Empty(t, notice.EnableWhen, notice.LinkID)
		}
	}
}

// codeSystem is a published CodeSystem, read by a plain decoder.
type codeSystem struct {
	ID, URL, ValueSet, Content string
	Count                      int
	CaseSensitive              bool
	Concept                    []struct{ Code, Display, Definition string }
}

func codeSystems(t *testing.T) map[string]codeSystem {
	t.Helper()
	all := map[string]codeSystem{}
	require.NoError(t, fs.WalkDir(os.DirFS("published"), ".", func(path string, _ fs.DirEntry, err error) error {
		if err != nil || !strings.HasPrefix(path, "CodeSystem-") {
			return err
		}
		data, err := os.ReadFile(filepath.Join("published", path))
		if err != nil {
			return err
		}
		var system codeSystem
		err = json.Unmarshal(data, &system)
		all[system.URL] = system
		return err
	}))
	require.NotEmpty(t, all)
	return all
}

func TestCodeSystemsAreCompleteAndCounted(t *testing.T) {
	t.Parallel()
	for url, system := range codeSystems(t) {
		require.Equal(t, "complete", system.Content, url)
		require.True(t, system.CaseSensitive, url)
		require.Len(t, system.Concept, system.Count, url)
		require.Equal(t, strings.Replace(url, "/CodeSystem/", "/ValueSet/", 1), system.ValueSet)
		_, ok := questionnaire.Find("ValueSet", system.ValueSet)
		require.True(t, ok, system.ValueSet)
		seen := map[string]bool{}
		for _, c := range system.Concept {
			require.False(t, seen[c.Code], c.Code)
			seen[c.Code] = true
			require.NotEmpty(t, c.Definition, c.Code)
			require.Equal(t, c.Display, questionnaire.Display(url, c.Code))
		}
	}
	require.Panics(t, func() { questionnaire.Display(questionnaire.ScoradSystem, "notes") })
}

func TestCodeSystemsHaveExactlyThePromisedCodes(t *testing.T) {
	t.Parallel()
	var items []string
	for _, s := range sections(questionnaire.ClinicianAssessment) {
		items = append(items, s.link)
		for _, q := range s.questions {
			items = append(items, strings.ReplaceAll(q.link, ".", "-"))
		}
	}
	want := map[string][]string{
		questionnaire.ScoradSystem: append(items,
			"regions", "hands", "direct", "2-and-over", "1-to-2", "under-1",
			"scorad", "panel", "objective", "objective-with-bonus", "extent-part", "intensity-part", "subjective-part",
			"self-regions", "self-hands", "self-direct", "clinician-regions", "clinician-hands", "clinician-direct"),
		questionnaire.GradeSystem: {"absent", "mild", "moderate", "severe"},
		questionnaire.BandSystem:  {"clear", "clear-or-almost-clear", "mild", "moderate", "moderate-or-severe", "severe"},
	}
	for url, codes := range want {
		var got []string
		for _, c := range codeSystems(t)[url].Concept {
			got = append(got, c.Code)
		}
		require.ElementsMatch(t, codes, got, url)
	}
	require.Len(t, codeSystems(t)[questionnaire.DataQualitySystem].Concept, 14)
	require.Len(t, codeSystems(t)[questionnaire.ReceiptSystem].Concept, 7)
}

// The band and item codes that scoring writes are all published.
func TestEveryCodeOfScoringIsPublished(t *testing.T) {
	t.Parallel()
	for band := range scoring.Band(scoring.BandCount) {
		require.NotEmpty(t, questionnaire.Display(questionnaire.BandSystem, band.String()))
	}
	for _, rater := range []scoring.Rater{scoring.RatedBySelf, scoring.RatedByClinician} {
		for _, method := range []scoring.Method{scoring.ByRegions, scoring.ByHands, scoring.ByDirect} {
			require.NotEmpty(t, questionnaire.Display(questionnaire.ScoradSystem, rater.String()+"-"+method.String()))
		}
	}
}

// Displays, definitions and titles are put into JSON and XHTML as they stand,
// so none may hold a character that either would have to escape.
func TestTextsNeedNoEscaping(t *testing.T) {
	t.Parallel()
	plain := func(text string) {
		require.NotEmpty(t, text)
		require.Equal(t, `"`+text+`"`, quoted(text), "JSON")
		require.NotContains(t, text, "\n")
		require.False(t, strings.ContainsAny(text, `"\<>&`), text)
	}
	for _, system := range codeSystems(t) {
		for _, c := range system.Concept {
			plain(c.Code)
			plain(c.Display)
			plain(c.Definition)
		}
	}
	for _, p := range questionnaire.All() {
		plain(p.Title)
		plain(p.ID)
		plain(p.URL)
	}
	for _, id := range bothForms {
		published(id).walk(func(item formItem, _ string) {
			for _, c := range item.Code {
				plain(c.Code)
				plain(c.Display)
			}
		})
	}
}
