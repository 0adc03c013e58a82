package export

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"time"

	"tidemark.example/tidemark/fhir"
)

// SmallGroup is below how many people an export for research warns: 11 is the
// least that the US Centers for Medicare & Medicaid Services let a published cell
// stand for (cell size suppression policy; from memory).
const SmallGroup = 11

// mostShift is the most days that dates are moved back by: a year hides the season
// too (common practice).
const mostShift = 365

// PseudonymSystem is of the pseudonyms in exports for research.
const PseudonymSystem = "https://tidemark.example/fhir/sid/research-pseudonym"

// NewKey makes the key of an export for research.
func NewKey() []byte {
	key := make([]byte, 32)
	_, _ = rand.Read(key) // it never fails
	return key
}

// keyed hashes a text for one purpose.
func keyed(key []byte, purpose, text string) []byte {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(purpose + "\x00" + text))
	return mac.Sum(nil)
}

// Pseudonym is that of a patient in an export.
func Pseudonym(key []byte, patient string) string {
	return hex.EncodeToString(keyed(key, "patient", patient)[:16])
}

// shift is by how many days the dates of a patient are moved back.
func shift(key []byte, patient string) int {
	return int(binary.BigEndian.Uint64(keyed(key, "days", patient))%mostShift) + 1
}

// Research writes the line of a score for research: what is on its list and
// nothing else. It is false for what is no valid rating.
func Research(dst []byte, key []byte, patient string, score fhir.Node) (line []byte, ok bool, err error) {
	status := score.Get("status").Text()
	if patient == "" || status != "final" && status != "amended" {
		return nil, false, nil
	}
	start, end, err := moved(score.Get("effectivePeriod"), shift(key, patient))
	if err != nil {
		return nil, false, err
	}
	dst = append(dst, `{"resourceType":"Observation","id":"`+hex.EncodeToString(keyed(key, "score", score.Get("id").Text())[:16])+`","status":"`+status+`"`...)
	dst = appendCodes(dst, "category", score)
	dst = appendCodes(dst, "code", score)
	dst = append(dst, `,"subject":{"identifier":{"system":"`+PseudonymSystem+`","value":"`+Pseudonym(key, patient)+`"}}`...)
	dst = append(dst, `,"effectivePeriod":{"start":"`+start+`","end":"`+end+`"}`...)
	dst = appendMeasured(dst, score)
	dst = appendCodes(dst, "method", score)
	if identifier := score.Get("device").Get("identifier"); identifier.Exists() {
		// It is the version of the arithmetic, the same for everybody.
		dst = append(append(append(dst, `,"device":{"identifier":`...), identifier.Raw()...), '}')
	}
	return append(appendParts(dst, score), '}'), true, nil
}

// appendParts writes the parts and the answers.
func appendParts(dst []byte, score fhir.Node) []byte {
	first := true
	for part := range score.Each("component") {
		if first {
			dst = append(dst, `,"component":[{`...)
		} else {
			dst = append(dst, `,{`...)
		}
		first = false
		start := len(dst)
		dst = appendMeasured(appendCodes(dst, "code", part), part)
		dst = append(dst[:start], append(dst[start+1:], '}')...) // without its first comma
	}
	if !first {
		dst = append(dst, ']')
	}
	return dst
}

// appendMeasured writes a value, or why there is none.
func appendMeasured(dst []byte, of fhir.Node) []byte {
	for _, name := range []string{"valueQuantity", "valueBoolean"} {
		if value := of.Get(name); value.Exists() {
			dst = append(append(dst, `,"`+name+`":`...), value.Raw()...)
		}
	}
	return appendCodes(dst, "dataAbsentReason", of)
}

// appendCodes writes the codings of a concept, or of several, without their
// texts: those are in the language of the family.
func appendCodes(dst []byte, name string, of fhir.Node) []byte {
	if !of.Get(name).Exists() {
		return dst
	}
	dst = append(dst, `,"`+name+`":`...)
	list := name == "category"
	if list {
		dst = append(dst, '[')
	}
	count := 0
	for concept := range of.Each(name) {
		if count++; count > 1 {
			dst = append(dst, ',')
		}
		dst = append(dst, `{"coding":[`...)
		codings := 0
		for coding := range concept.Each("coding") {
			if codings++; codings > 1 {
				dst = append(dst, ',')
			}
			dst = append(dst, coding.Raw()...)
		}
		dst = append(dst, `]}`...)
	}
	if list {
		dst = append(dst, ']')
	}
	return dst
}

// moved gives the days of a period, moved back.
func moved(period fhir.Node, days int) (start, end string, err error) {
	day := func(name string) string {
		at, parsed := fhir.ParseDateTime([]byte(period.Get(name).Text()))
		if parsed != nil && err == nil {
			err = fmt.Errorf("export: effectivePeriod.%s is no date", name)
		}
		return at.Time.AddDate(0, 0, -days).Format(time.DateOnly)
	}
	return day("start"), day("end"), err
}
