package observation

import (
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// devicePrefix begins the id of a Device; the version of its algorithm ends it.
const devicePrefix = "tidemark-"

// DeviceID is the id of the Device that stands for this software and the algorithm
// by which it computes new scores.
const DeviceID = devicePrefix + scoring.AlgorithmVersion

// DeviceOf is the id of the Device of another version of the algorithm.
func DeviceOf(algorithm string) string { return devicePrefix + algorithm }

// AlgorithmOf is the version of the algorithm that a score was computed by, and the
// base of the Device it names, "" if it names none.
func AlgorithmOf(score fhir.Node) (version, base string) {
	device := score.Get("device")
	version, _ = strings.CutPrefix(device.Get("identifier").Get("value").Text(), devicePrefix)
	base, _ = strings.CutSuffix(device.Get("reference").Text(), "/Device/"+DeviceOf(version))
	return version, base
}

// DeviceVersion is the one version of that Device.
const DeviceVersion = "1"

// DeviceSystem is that of the identifier of our Devices, whose value is their id.
const DeviceSystem = questionnaire.Base + "/sid/device"

// ProvenanceSystem is that of the tag by which a Provenance that was sent to
// another server is known there; its code is the id here. R4 has no identifier
// of a Provenance.
const ProvenanceSystem = questionnaire.Base + "/sid/provenance"

const deviceDisplay = "Tidemark, SCORAD algorithm "

// Activity is why a version was written.
type Activity string

// The activities, of v3-DataOperation (R4 provenance.html).
const (
	Create  Activity = "CREATE"
	Update  Activity = "UPDATE"
	Nullify Activity = "NULLIFY"
)

var activityDisplays = map[Activity]string{Create: "create", Update: "revise", Nullify: "nullify"}

// EntityRole is what the response was to the version of its score.
type EntityRole string

// The roles, of http://hl7.org/fhir/provenance-entity-role; "" is Source.
const (
	Source   EntityRole = "source"
	Removal  EntityRole = "removal"
	Revision EntityRole = "revision"
)

// ProvenanceInput is what a Provenance is made of.
type ProvenanceInput struct {
	// Performer is the Reference to the person who answered, if one is known.
	Performer fhir.Node
	ID        string
	Recorded  time.Time
	Activity  Activity
	// Target and Entity are versioned references to the Observation and to the
	// response it was computed from, or whose removal took it back.
	Target, Entity string
	EntityRole     EntityRole
	// Form is the version of the form that was answered, whatever the response
	// names it by; nil where nothing was computed.
	Form *questionnaire.Form
	// Algorithm is the version that the score was computed by; "" for the newest.
	Algorithm string
	// Rescored is set where the same answers were computed again.
	Rescored *Rescored
}

// Rescored is how a score came to be written again from the same answers.
type Rescored struct {
	// Bands is the name of the set that it is interpreted by now.
	Bands string
	// Before is the versioned reference to the score that was.
	Before string
}

// FormSystem is that of the identifiers by which a Provenance names a form: its
// canonical, url|version, which a literal reference cannot hold.
const FormSystem = "urn:ietf:rfc:3986"

// AppendProvenance writes the Provenance of one version of a score.
func AppendProvenance(dst []byte, in *ProvenanceInput) []byte {
	dst = append(dst, `{"resourceType":"Provenance","id":"`...)
	dst = append(dst, in.ID...)
	dst = append(dst, `","meta":{"versionId":"1","lastUpdated":"`...)
	dst = appendInstant(dst, in.Recorded)
	dst = append(dst, `"},"target":[{"reference":"`...)
	dst = append(dst, in.Target...)
	dst = append(dst, `"}],"recorded":"`...)
	dst = appendInstant(dst, in.Recorded)
	dst = append(dst, `","activity":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-DataOperation","code":"`...)
	dst = append(dst, in.Activity...)
	dst = append(dst, `","display":"`...)
	dst = append(dst, activityDisplays[in.Activity]...)
	dst = append(dst, `"}]`...)
	if in.Algorithm == "" {
		in.Algorithm = scoring.AlgorithmVersion
	}
	if r := in.Rescored; r != nil {
		dst = append(dst, `,"text":"Rescored from the same answers by SCORAD algorithm `+in.Algorithm+` and band set `+r.Bands+`"`...)
	}
	dst = append(dst, `},"agent":[{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/provenance-participant-type","code":"assembler","display":"Assembler"}]},"who":{"reference":"Device/`+DeviceOf(in.Algorithm)+`"}}`...)
	if p := in.Performer; p.Exists() {
		dst = append(dst, `,{"type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/provenance-participant-type","code":"author","display":"Author"}]},"who":`...)
		dst = append(dst, p.Raw()...)
		dst = append(dst, '}')
	}
	dst = append(dst, `],"entity":[{"role":"`...)
	if in.EntityRole == "" {
		in.EntityRole = Source
	}
	dst = append(dst, in.EntityRole...)
	dst = append(dst, `","what":{"reference":"`...)
	dst = append(dst, in.Entity...)
	dst = append(dst, `"}}`...)
	if r := in.Rescored; r != nil {
		dst = append(dst, `,{"role":"`+string(Revision)+`","what":{"reference":"`+r.Before+`"}}`...)
	}
	if in.Form != nil {
		dst = append(dst, `,{"role":"source","what":{"type":"Questionnaire","identifier":{"system":"`+FormSystem+`","value":`...)
		dst = in.Form.AppendCanonical(dst)
		dst = append(dst, `}}}`...)
	}
	return append(dst, `]}`...)
}

// Device writes the resource that the Observations of a version of the algorithm
// name as their device.
func Device(algorithm string) []byte {
	id, display := DeviceOf(algorithm), deviceDisplay+algorithm
	return []byte(`{"resourceType":"Device","id":"` + id + `","meta":{"versionId":"` + DeviceVersion + `"},"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\" lang=\"en\" xml:lang=\"en\"><p>` +
		display + `: software that computes SCORAD from the answers of the published forms.</p></div>"},"identifier":[{"system":"` + DeviceSystem + `","value":"` + id +
		`"}],"status":"active","manufacturer":"Tidemark","deviceName":[{"name":"Tidemark","type":"user-friendly-name"}],` +
		`"version":[{"type":{"text":"algorithm"},"value":"` + algorithm + `"}]}`)
}
