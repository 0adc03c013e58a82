package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/google/uuid"

	"tidemark.example/tidemark/fhir"
)

// prefetchedPatient is the key of the Patient in a prefetch.
const prefetchedPatient = "patient"

// hookCall is what a call of patient-view says, as far as it is used. The access
// token that it may carry (fhirAuthorization) is not read: nothing is asked at the
// EHR's server.
type hookCall struct {
	// patient is the id of the Patient, user a reference to who opened the record.
	patient, user string
	// server is the base of the EHR's FHIR server, "" if it was not told.
	server string
	// identifiers are those of the Patient in the prefetch.
	identifiers []hookIdentifier
}

type hookIdentifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
}

// hookFaults collects what is wrong with a call.
type hookFaults fhir.Issues

func (f *hookFaults) add(code fhir.IssueType, path, text string) {
	*f = append(*f, fhir.Issue{Severity: fhir.Error, Code: code, Expression: path, Text: text})
}

// readHook reads a call (CDS Hooks 2.0, Calling a CDS Service), and gives
// everything that is wrong with it. Members that are not known, as extensions and
// further prefetches, are not looked at.
func readHook(body []byte) (hookCall, error) {
	var call hookCall
	var faults hookFaults
	root, err := jsonMembers(body)
	if err != nil {
		faults.add(fhir.IssueStructure, "", "The body is not one JSON object in UTF-8 with each name once; send the call as CDS Hooks 2.0 describes.")
		return call, failures(http.StatusBadRequest, faults...)
	}
	if hook := faults.text(root, "", "hook", true); hook != "" && hook != patientView {
		faults.add(fhir.IssueNotSupported, "hook", "This service is for the hook patient-view only.")
	}
	if instance := faults.text(root, "", "hookInstance", true); instance != "" && (len(instance) != 36 || uuid.Validate(instance) != nil) {
		faults.add(fhir.IssueValue, "hookInstance", "hookInstance must be a UUID, new for each call.")
	}
	if call.server = faults.text(root, "", "fhirServer", false); call.server != "" {
		if u, err := url.Parse(call.server); err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
			faults.add(fhir.IssueValue, "fhirServer", "fhirServer must be the absolute base URL of the FHIR server.")
		}
	}
	call.readContext(root, &faults)
	call.readPrefetch(root, &faults)
	if len(faults) > 0 {
		return hookCall{}, failures(http.StatusBadRequest, faults...)
	}
	return call, nil
}

// users are the types that may open a record (patient-view, context.userId).
var users = []string{"Practitioner", "PractitionerRole", "Patient", "RelatedPerson"}

func (call *hookCall) readContext(root map[string]json.RawMessage, faults *hookFaults) {
	if _, there := root["context"]; !there {
		faults.add(fhir.IssueRequired, "context", "context is missing; send patientId and userId in it.")
		return
	}
	context, err := jsonMembers(root["context"])
	if err != nil {
		faults.add(fhir.IssueStructure, "context", "context must be an object with each name once.")
		return
	}
	if call.patient = strings.TrimPrefix(faults.text(context, "context.", "patientId", true), "Patient/"); call.patient != "" && !fhir.IsID(call.patient) {
		faults.add(fhir.IssueValue, "context.patientId", "patientId must be the FHIR id of the Patient: letters, digits, - and . up to 64.")
	}
	call.user = faults.text(context, "context.", "userId", true)
	if user, ok := fhir.ParseReference([]byte(call.user)); call.user != "" && (!ok || !slices.Contains(users, user.Type)) {
		faults.add(fhir.IssueValue, "context.userId", "userId must be [type]/[id], of one of "+strings.Join(users, ", ")+".")
	}
	if encounter := faults.text(context, "context.", "encounterId", false); encounter != "" && !fhir.IsID(strings.TrimPrefix(encounter, "Encounter/")) {
		faults.add(fhir.IssueValue, "context.encounterId", "encounterId must be the FHIR id of the Encounter, or left out.")
	}
}

// readPrefetch reads the Patient, if it is there. What could not be fetched may be
// null or an OperationOutcome.
func (call *hookCall) readPrefetch(root map[string]json.RawMessage, faults *hookFaults) {
	if isNull(root["prefetch"]) {
		return
	}
	prefetch, err := jsonMembers(root["prefetch"])
	if err != nil {
		faults.add(fhir.IssueStructure, "prefetch", "prefetch must be an object with each name once, or left out.")
		return
	}
	if isNull(prefetch[prefetchedPatient]) {
		return
	}
	var patient struct {
		Type        string           `json:"resourceType"`
		ID          string           `json:"id"`
		Identifiers []hookIdentifier `json:"identifier"`
	}
	switch err := json.Unmarshal(prefetch[prefetchedPatient], &patient); {
	case err != nil:
		faults.add(fhir.IssueStructure, "prefetch.patient", "It must be the Patient of the context as FHIR JSON, or left out.")
	case patient.Type != "Patient":
	case patient.ID != call.patient:
		faults.add(fhir.IssueConflict, "prefetch.patient.id", "The prefetch is of another patient than context.patientId; send that of the context.")
	default:
		call.identifiers = patient.Identifiers
	}
}

// isNull says whether a member is not there, or null.
func isNull(raw json.RawMessage) bool { return raw == nil || string(raw) == "null" }

// text reads a string; one that is required must be there and not be empty.
func (f *hookFaults) text(members map[string]json.RawMessage, at, name string, required bool) string {
	raw, there := members[name]
	if !there {
		if required {
			f.add(fhir.IssueRequired, at+name, name+" is missing.")
		}
		return ""
	}
	var value *string
	if err := json.Unmarshal(raw, &value); err != nil || value == nil || *value == "" {
		f.add(fhir.IssueValue, at+name, name+" must be a string that is not empty.")
		return ""
	}
	return *value
}

var errMembers = errors.New("api: not one JSON object with each name once")

// jsonMembers reads the members of one object, with case kept and each name once:
// of two, readers take different ones.
func jsonMembers(data []byte) (map[string]json.RawMessage, error) {
	decoder := json.NewDecoder(bytes.NewReader(data))
	if start, err := decoder.Token(); err != nil || start != json.Delim('{') || !utf8.Valid(data) {
		return nil, errMembers
	}
	members := map[string]json.RawMessage{}
	for decoder.More() {
		token, err := decoder.Token()
		name, isName := token.(string)
		if err != nil || !isName {
			return nil, errMembers
		}
		var value json.RawMessage
		if err := decoder.Decode(&value); err != nil || members[name] != nil {
			return nil, errMembers
		}
		members[name] = value
	}
	if _, err := decoder.Token(); err != nil {
		return nil, errMembers
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return nil, errMembers
	}
	return members, nil
}

// patients are the keys that scores of the patient may be stored under, of those
// that the client may ask about; a client that is nil may ask about all.
func (call *hookCall) patients(client *CDSClient, base string) ([]string, error) {
	relative, server := "Patient/"+call.patient, strings.TrimSuffix(call.server, "/")
	if client == nil {
		client = &CDSClient{Local: true, FHIRBase: server}
		for _, each := range call.identifiers {
			client.Identifiers = append(client.Identifiers, each.System)
		}
	}
	var keys []string
	if client.Local {
		keys = append(keys, relative)
	}
	if client.FHIRBase != "" {
		if server != "" && server != strings.TrimSuffix(client.FHIRBase, "/") {
			var faults hookFaults
			faults.add(fhir.IssueForbidden, "fhirServer", "This is not the FHIR server that the operator registered for this client, and ids of another are other people; have it registered.")
			return nil, failures(http.StatusForbidden, faults...)
		}
		keys = append(keys, localReference(strings.TrimSuffix(client.FHIRBase, "/")+"/"+relative, base))
	}
	for _, each := range call.identifiers {
		if each.System != "" && each.Value != "" && slices.Contains(client.Identifiers, each.System) {
			keys = append(keys, "identifier:"+each.System+"|"+each.Value)
		}
	}
	slices.Sort(keys)
	return slices.Compact(keys), nil
}
