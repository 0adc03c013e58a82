package api

import (
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
)

// jsonTypes are the media types that JSON is taken and given under, the
// preferred one first.
var jsonTypes = []string{"application/fhir+json", "application/json", "text/json"}

// contentTypes are the Content-Types of answers by media type.
var contentTypes = func() map[string][]string {
	all := map[string][]string{cdsMedia: {"application/json"}}
	for _, media := range jsonTypes {
		all[media] = []string{media + "; fhirVersion=4.0; charset=utf-8"}
	}
	return all
}()

// formType is what searches are posted as (R4 http.html 3.1.0.9).
const formType = "application/x-www-form-urlencoded"

// format is how one request wants to be answered.
type format struct {
	// media is one of jsonTypes.
	media string
	// pretty asks for indentation.
	pretty bool
	coding coding
}

// negotiate refuses what the server cannot read or write, before a body is
// read, and settles how to answer (R4 http.html 3.1.0.1.9 to 3.1.0.1.11).
func (s *Server) negotiate(c *gin.Context) {
	if slices.Contains(noFHIR, c.FullPath()) {
		return // these are JSON, or a form, whatever is accepted
	}
	if isCDS(c.Request.URL.Path) {
		s.negotiateCDS(c)
		return
	}
	if c.FullPath() == exportFilePath {
		s.negotiateExport(c)
		return
	}
	answer, err := negotiated(c.Request)
	exchangeOf(c).format = answer
	if c.FullPath() == "" {
		return // nothing here, or not this method, whatever the format
	}
	if err == nil {
		err = readable(c.Request)
	}
	if err != nil {
		s.writeError(c, err)
	}
}

// negotiated settles the format of the answer. With an error it still gives one
// to write the error in.
func negotiated(request *http.Request) (format, error) {
	answer := format{media: jsonTypes[0]}
	var err error
	if answer.coding, err = acceptedCoding(request.Header); err != nil {
		return answer, err
	}
	wanted := ""
	if request.URL.RawQuery != "" {
		query, err := queryOf(request.URL.RawQuery)
		if err != nil {
			return answer, err
		}
		// A plus that was not encoded arrives as a space.
		wanted = strings.Replace(query.Get("_format"), "fhir json", "fhir+json", 1)
		if answer.pretty, err = prettyOf(query.Get("_pretty")); err != nil {
			return answer, err
		}
	}
	media, ok := acceptedMedia(request.Header.Values("Accept"))
	if wanted != "" {
		media, ok = formatMedia(wanted)
	}
	if !ok {
		return answer, fail(http.StatusNotAcceptable, fhir.IssueNotSupported, "The server writes FHIR 4.0 as JSON in UTF-8; accept application/fhir+json, application/json or text/json, or ask for _format=json. XML is not offered.")
	}
	answer.media = media
	return answer, nil
}

func prettyOf(value string) (bool, error) {
	switch value {
	case "true":
		return true, nil
	case "false", "":
		return false, nil
	}
	return false, fail(http.StatusBadRequest, fhir.IssueValue, "_pretty must be true or false.")
}

// formatMedia reads _format: the word json, or a media type.
func formatMedia(wanted string) (string, bool) {
	if wanted == "json" {
		return jsonTypes[0], true
	}
	media, params, err := mime.ParseMediaType(wanted)
	return media, err == nil && slices.Contains(jsonTypes, media) && isR4(params)
}

// acceptedMedia gives the media type that the client likes best, the most
// specific range deciding for each (RFC 9110 section 12.5.1).
func acceptedMedia(headers []string) (string, bool) {
	accept := strings.Join(headers, ",")
	if strings.TrimSpace(accept) == "" || accept == "*/*" {
		return jsonTypes[0], true
	}
	if slices.Contains(jsonTypes, accept) {
		return accept, true
	}
	var quality, specific [3]int
	for _, r := range mediaRanges(accept) {
		for i, offer := range jsonTypes {
			if how := r.matches(offer); how > specific[i] || how > 0 && how == specific[i] && r.quality > quality[i] {
				specific[i], quality[i] = how, r.quality
			}
		}
	}
	best := 0
	for i := range jsonTypes {
		if quality[i] > quality[best] {
			best = i
		}
	}
	return jsonTypes[best], quality[best] > 0
}

// mediaRange is one part of an Accept header; its quality is in thousandths.
type mediaRange struct {
	media   string
	quality int
}

// matches says how specifically a media type is meant, 0 for not at all.
func (r mediaRange) matches(offer string) int {
	kind, _, _ := strings.Cut(offer, "/")
	switch r.media {
	case offer:
		return 3
	case kind + "/*":
		return 2
	case "*/*":
		return 1
	}
	return 0
}

// mediaRanges reads an Accept header. What cannot be read, or asks for another
// version of FHIR or another character set, is left out.
func mediaRanges(accept string) []mediaRange {
	var ranges []mediaRange
	for _, part := range splitList(accept) {
		media, params, err := mime.ParseMediaType(part)
		quality, ok := qualityOf(params["q"])
		if err == nil && ok && isR4(params) {
			ranges = append(ranges, mediaRange{media, quality})
		}
	}
	return ranges
}

// splitList splits at the commas that do not stand in quotes.
func splitList(header string) []string {
	var parts []string
	quoted, start := false, 0
	for i := range len(header) {
		switch {
		case header[i] == '"' && (i == 0 || header[i-1] != '\\'):
			quoted = !quoted
		case header[i] == ',' && !quoted:
			parts, start = append(parts, header[start:i]), i+1
		}
	}
	return append(parts, header[start:])
}

// qualityOf reads a weight in thousandths, 1000 where none is given (RFC 9110
// section 12.4.2).
func qualityOf(text string) (int, bool) {
	if text == "" {
		return 1000, true
	}
	whole, fraction, _ := strings.Cut(text, ".")
	if whole != "0" && whole != "1" || len(fraction) > 3 {
		return 0, false
	}
	n, err := strconv.ParseUint(whole+fraction+"000"[len(fraction):], 10, 16)
	return int(n), err == nil && n <= 1000
}

// isR4 says whether the parameters of a media type name this version of FHIR
// and UTF-8, or neither.
func isR4(params map[string]string) bool {
	version, charset := params["fhirversion"], params["charset"]
	return (version == "" || version == "4.0" || version == "4.0.1") && (charset == "" || strings.EqualFold(charset, "utf-8"))
}

// readable refuses a body of another kind. A request without a body needs no
// type: some operations take none.
func readable(request *http.Request) error {
	given := request.Header.Get("Content-Type")
	if request.Method != http.MethodPost && request.Method != http.MethodPut || given == "" && request.ContentLength == 0 {
		return nil
	}
	media, params, err := mime.ParseMediaType(given)
	search := strings.HasSuffix(request.URL.Path, "/_search")
	switch {
	case err == nil && search && media == formType:
	case search:
		return unsupportedMedia("A search is posted as Content-Type: " + formType + ".")
	case err != nil || !slices.Contains(jsonTypes, media):
		return unsupportedMedia("The server reads FHIR R4 as JSON; send Content-Type: application/fhir+json. XML is not taken.")
	case params["charset"] != "" && !strings.EqualFold(params["charset"], "utf-8"):
		return unsupportedMedia("The server reads UTF-8 only.")
	case !isR4(params):
		return unsupportedMedia("The server reads FHIR 4.0 only.")
	}
	return readableCoding(request.Header)
}

func unsupportedMedia(text string) error {
	return fail(http.StatusUnsupportedMediaType, fhir.IssueNotSupported, text)
}
