package report_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/report"
	"tidemark.example/tidemark/questionnaire/languages"
	"tidemark.example/tidemark/scoring"
)

var update = flag.Bool("update", false, "write the golden files again")

// histories are those of the golden files.
func histories() map[string]report.Input {
	two := report.Input{Subject: "https://clinic.example/fhir/Patient/7", Bands: scoring.UsualBands, Ratings: []report.Rating{
		answers{day: firstDay, method: scoring.ByHands, extent: 125, grades: "110101", itch: 25, sleep: 10}.rating(),
		answers{day: firstDay + 2, method: scoring.ByHands, extent: 120, grades: "111101", itch: 40, sleep: -1,
			warnings: []string{"The score is less than three days after the last; they speak of some of the same days."}}.rating(),
	}}
	return map[string]report.Input{"winter": winter(), "two": two}
}

// TestGoldenSVG: what is drawn changes only when it is meant to:
// go test ./fhir/report -run Golden -update, and look at the result.
func TestGoldenSVG(t *testing.T) {
	t.Parallel()
	for name, in := range histories() {
		path := filepath.Join("testdata", name+".svg")
		drawn := of(t, in).SVG("en")
		if *update {
			require.NoError(t, os.WriteFile(path, drawn, 0o600))
		}
		golden, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, string(golden), string(drawn), "%s differs", path)
	}
}

// wellFormed reads all of an SVG and gives its texts.
func wellFormed(t require.TestingT, svg []byte) (texts []string) {
	decoder := xml.NewDecoder(bytes.NewReader(svg))
	within := 0
	for {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			return texts
		}
		require.NoError(t, err)
		switch token := token.(type) {
		case xml.StartElement:
			require.Contains(t, []string{"svg", "title", "desc", "rect", "g", "path", "text"}, token.Name.Local, "nothing that runs, loads or styles")
			if token.Name.Local == "text" {
				within++
				texts = append(texts, "")
			}
		case xml.EndElement:
			if token.Name.Local == "text" {
				within--
			}
		case xml.CharData:
			if within > 0 {
				texts[len(texts)-1] += string(token)
			}
		}
	}
}

func TestSVGIsAccessible(t *testing.T) {
	t.Parallel()
	svg := of(t, winter()).SVG("en")
	wellFormed(t, svg)
	var root struct {
		Lang string `xml:"lang,attr"`
		Role string `xml:"role,attr"`
		By   string `xml:"aria-labelledby,attr"`
	}
	require.NoError(t, xml.Unmarshal(svg, &root))
	require.Equal(t, "en", root.Lang)
	require.Equal(t, "graphics-document document", root.Role)
	require.Equal(t, "title", root.By)
	text := string(svg)
	require.Contains(t, text, `<title id="title">SCORAD report, 23 Mar 2026</title>`)
	require.Contains(t, text, `<desc id="desc">SCORAD 39.34 of 103 points (moderate, band set usual-25-50), rated by patient or carer, by regions on 23 Mar 2026.`)
	figures := regexp.MustCompile(`role="img" aria-label="([^"]+)"`).FindAllStringSubmatch(text, -1)
	require.Len(t, figures, 3, "the scale, the map and the chart say what they show")
	require.Contains(t, figures[1][1], "left leg, back 100\u00a0%", "every region in words")
	require.Contains(t, figures[2][1], "slope", "the figures of the chart in words")
	require.Equal(t, 1, strings.Count(text, `aria-level="1"`))
	require.Equal(t, 8, strings.Count(text, `aria-level="2"`))
}

// TestSVGEscapes: what a sender named a patient by stays text.
func TestSVGEscapes(t *testing.T) {
	t.Parallel()
	in := winter()
	in.Subject = "identifier:https://x.example|\"<script>alert(1)</script>\x01&"
	svg := of(t, in).SVG("en")
	require.NotContains(t, string(svg), "<script")
	require.Contains(t, strings.Join(wellFormed(t, svg), "\n"), "<script>alert(1)</script>")
}

// tool finds a program of poppler, or skips.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("SKIPPED: %s is not here (Debian: apt-get install poppler-utils)", name)
	}
	return path
}

// run gives a PDF to a program of poppler.
func run(t *testing.T, pdf []byte, name string, args ...string) string {
	t.Helper()
	path := tool(t, name)
	file := filepath.Join(t.TempDir(), "report.pdf")
	require.NoError(t, os.WriteFile(file, pdf, 0o600))
	for i, arg := range args {
		args[i] = strings.ReplaceAll(arg, "FILE", file)
	}
	out, err := exec.CommandContext(t.Context(), path, args...).CombinedOutput() //nolint:gosec // a program of the tests' own
	require.NoError(t, err, "%s", out)
	return string(out)
}

func pdfOf(t *testing.T, in report.Input) []byte {
	t.Helper()
	pdf, err := of(t, in).PDF("en")
	require.NoError(t, err)
	return pdf
}

// TestPDFHasTheTextOfTheSVG: both are drawn from one layout, and poppler finds
// in the one what XML finds in the other.
func TestPDFHasTheTextOfTheSVG(t *testing.T) {
	t.Parallel()
	for name, in := range histories() {
		for _, language := range []string{"en", "fr", "pl"} {
			t.Run(name+" "+language, func(t *testing.T) {
				t.Parallel()
				pdf, err := of(t, in).PDF(language)
				require.NoError(t, err)
				found := run(t, pdf, "pdftotext", "-layout", "FILE", "-")
				plain := func(text string) string { return strings.Join(strings.Fields(text), "") }
				found = plain(found)
				texts := wellFormed(t, of(t, in).SVG(language))
				require.Greater(t, len(texts), 60)
				for _, text := range texts {
					for _, word := range strings.Fields(text) {
						require.Contains(t, found, plain(word), text)
					}
				}
			})
		}
	}
}

// TestPDFIsInItsLanguage: the catalog says it, which screen readers choose a voice
// by, title and text layer are in it, and numbers have its comma.
func TestPDFIsInItsLanguage(t *testing.T) {
	t.Parallel()
	for language, c := range map[string]struct{ title, says, number string }{
		"fr": {"Rapport SCORAD, 23 mars 2026", "Perte de sommeil", "39,34"},
		"pl": {"Raport SCORAD, 23 mar 2026", "Świąd i sen", "39,34"},
	} {
		t.Run(language, func(t *testing.T) {
			t.Parallel()
			pdf, err := of(t, winter()).PDF(language)
			require.NoError(t, err)
			require.Contains(t, string(pdf), "/Lang ("+language+")")
			require.Regexp(t, regexp.MustCompile(`(?m)^Title:\s+`+regexp.QuoteMeta(c.title)+`$`), run(t, pdf, "pdfinfo", "FILE"))
			found := run(t, pdf, "pdftotext", "-layout", "FILE", "-")
			for _, want := range []string{c.says, c.number, "50,02 – 103,00"} {
				require.Contains(t, found, want)
			}
			require.NotContains(t, found, "39.34")
			require.Contains(t, of(t, winter()).Conclusion(language), languages.Match(language).Text(observation.Caution))
		})
	}
}

// TestPDFIsTagged: title, language, one page, structure with heads of tables and
// words for figures, as poppler reads them.
func TestPDFIsTagged(t *testing.T) {
	t.Parallel()
	pdf := pdfOf(t, winter())
	info := run(t, pdf, "pdfinfo", "FILE")
	for name, want := range map[string]string{"Title": "SCORAD report, 23 Mar 2026", "Tagged": "yes", "Pages": "1", "Page size": "595.28 x 841.89 pts (A4)", "Encrypted": "no", "JavaScript": "no"} {
		require.Regexp(t, regexp.MustCompile(`(?m)^`+name+`:\s+`+regexp.QuoteMeta(want)+`$`), info)
	}
	require.NotContains(t, info, "Syntax")
	require.Contains(t, string(pdf), "/Lang (en)")
	tree := run(t, pdf, "pdfinfo", "-struct-text", "FILE")
	require.NotContains(t, tree, "Syntax")
	at := -1
	for _, want := range []string{"Document", "H1 (block)", "39.34", "Figure", "Table", "/Scope /Column", "/Scope /Row", "H2", "Where the eczema is", "Both ratings side by side",
		"Trend", "Figure", "Warnings about the data", "How to read it", "Seek medical care", "Cautions"} {
		next := strings.Index(tree[at+1:], want)
		require.GreaterOrEqual(t, next, 0, "%s in its order", want)
		at += 1 + next
	}
	require.Equal(t, 3, strings.Count(string(pdf), "/S /Figure"))
	require.Equal(t, 3, strings.Count(string(pdf), "/Alt <FEFF"))
	// Each numbered piece of content leads to its element (ISO 32000-1 14.7.4.4).
	parents := regexp.MustCompile(`/ParentTree (\d+) 0 R`).FindSubmatch(pdf)
	require.NotNil(t, parents)
	list := regexp.MustCompile(`\n` + string(parents[1]) + ` 0 obj\n<</Nums \[0 \[([^\]]*)\]\]>>`).FindSubmatch(pdf)
	require.NotNil(t, list)
	require.Equal(t, len(regexp.MustCompile(`/StructElem /S /\w+ /P \d+ 0 R /Pg \d+ 0 R /K \[\d+\]`).FindAll(pdf, -1)), strings.Count(string(list[1]), " 0 R"))
	fonts := run(t, pdf, "pdffonts", "FILE")
	require.Equal(t, 2, strings.Count(fonts, "yes no  yes"), "embedded, with its Unicode; its letters are a part, though its name does not say so: %s", fonts)
}

// TestPDFIsTheSameEachTime: and so is the SVG; the clock is not in them.
func TestPDFIsTheSameEachTime(t *testing.T) {
	t.Parallel()
	first, second := of(t, winter()), of(t, winter())
	one, err := first.PDF("en")
	require.NoError(t, err)
	two, err := second.PDF("en")
	require.NoError(t, err)
	require.Equal(t, one, two)
	require.Equal(t, first.SVG("en"), second.SVG("en"))
	require.Contains(t, string(one), "D:20260323")
}

// TestPDFIsDrawn: poppler draws the page, and it is not empty.
func TestPDFIsDrawn(t *testing.T) {
	t.Parallel()
	drawn := run(t, pdfOf(t, winter()), "pdftoppm", "-gray", "-r", "30", "FILE")
	require.True(t, strings.HasPrefix(drawn, "P5"), "a grey picture")
	dark := 0
	for i := range len(drawn) {
		if drawn[i] < 100 {
			dark++
		}
	}
	require.Greater(t, dark, 500)
}
