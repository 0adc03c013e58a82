package config

import (
	"fmt"
	"net/netip"
	"net/url"
	"strings"
	"time"
)

// ehrSetting is the setting that names the targets.
const ehrSetting = "TIDEMARK_EHR_URL"

// The ways to make oneself known to a target.
const (
	// LoginNone sends no credentials.
	LoginNone = "none"
	// LoginBasic sends a name and a password with each request (RFC 7617).
	LoginBasic = "basic"
	// LoginBearer sends a token that others keep in a file (RFC 6750).
	LoginBearer = "bearer"
	// LoginSMART gets tokens as SMART Backend Services say.
	LoginSMART = "smart"
)

// The ways to write to a target.
const (
	// ModeAuto chooses by what the target says that it can do.
	ModeAuto = "auto"
	// ModeConditionalUpdate is PUT by identifier, and by id from then on.
	ModeConditionalUpdate = "conditional-update"
	// ModeConditionalCreate is POST with If-None-Exist, then PUT by id.
	ModeConditionalCreate = "conditional-create-then-update"
	// ModeSearch searches by identifier, then POST or PUT, for servers without
	// conditional interactions.
	ModeSearch = "search-then-write"
	// ModeTransaction is one Bundle with Provenance and Device.
	ModeTransaction = "transaction"
)

// The shapes that a target gets a score in.
const (
	// ShapeObservation is one Observation with components.
	ShapeObservation = "observation"
	// ShapePanel is an Observation that has the others as members.
	ShapePanel = "panel"
	// ShapeObservations are single Observations.
	ShapeObservations = "observations"
	// ShapeDocument is a DocumentReference with a plain rendering.
	ShapeDocument = "document"
)

// How a resource names others (R4 references.html 2.3.0.2): a panel its members,
// a score our Device and the response that it was computed from.
const (
	// ReferLiteral refers to members by the target's own ids, to what is kept here
	// by its address here.
	ReferLiteral = "literal"
	// ReferLogical refers by identifiers.
	ReferLogical = "logical"
)

// What becomes of a difference between a target's copy and ours.
const (
	// ReadBackReport counts and reports it.
	ReadBackReport = "report"
	// ReadBackRepair writes ours again.
	ReadBackRepair = "repair"
	// ReadBackOff does not look.
	ReadBackOff = "off"
)

// How the patient of a response is found at a target.
const (
	// SubjectKeep leaves the reference as it is.
	SubjectKeep = "keep"
	// SubjectIdentifier looks for the patient by an identifier.
	SubjectIdentifier = "identifier"
	// SubjectReference replaces the base of the reference.
	SubjectReference = "reference"
)

// Whether a target is asked when the patient of a response was born.
const (
	// BirthDateOff asks nobody.
	BirthDateOff = "off"
	// BirthDateAsk asks the target.
	BirthDateAsk = "ask"
)

// Target is a FHIR server that scores are written to.
type Target struct {
	// Name is what store, logs and metrics call it; unique, small letters, digits
	// and hyphens. URL is its FHIR base, without a slash at the end.
	Name, URL string
	// Auth is how to log in.
	Auth Login
	// TLS is how its certificate is verified, and ours.
	TLS TargetTLS
	// Mode and Shape are how and in what form scores are written.
	Mode, Shape string
	// Codings are the codes that it gets.
	Codings Codings
	// Category replaces Observation.category; nil leaves it as it is stored, and
	// an empty list sends none.
	Category []Coding
	// Narrative says whether text is sent.
	Narrative bool
	// References is how a panel names its members, and a score what is kept here.
	References string
	// Rate is the most requests a second, 0 for as many as there are.
	Rate float64
	// Concurrency is how many deliveries are under way at once.
	Concurrency int
	// Timeout is the time that it may take to answer; see RequestTimeout.
	Timeout string
	// ReadBack is what becomes of differences.
	ReadBack ReadBack
	// Subject is how its patients are found.
	Subject Subject
	// BirthDate is whether it is asked when a patient was born.
	BirthDate string
	// CheckPatient is the reference to a test patient there, "" for none.
	CheckPatient string

	// place is where it was configured, as TIDEMARK_EHR_URL[1]; "" for the one of
	// the environment.
	place string
}

// Login is how to make oneself known to a target. Secrets are in files.
type Login struct {
	// Type is none, basic, bearer or smart.
	Type string
	// User and PasswordFile are for basic.
	User, PasswordFile string
	// TokenFile is for bearer.
	TokenFile string
	// ClientID is ours at the token endpoint, KeyFile holds the keys (see tidemark
	// keys), TokenURL is the endpoint, "" to discover it, and Scope what is asked
	// for, "" for what mode and shape need; see Target.Scope.
	ClientID, KeyFile, TokenURL, Scope string
	// Alg is what the keys must be for, RS384 or ES384, "" for whichever they are.
	Alg string
}

// TargetTLS are the files of TLS toward a target, all as PEM and read again when
// they change.
type TargetTLS struct {
	// CAFile holds the authorities of the target's certificate, "" for those of
	// the system. ClientCert and ClientKey are ours. ServerName is the name in the
	// target's certificate, "" for that of the URL.
	CAFile, ClientCert, ClientKey, ServerName string
}

// Codings are the codes a target gets beside or in place of those stored.
type Codings struct {
	// Systems are the code systems whose codings are sent, in this order; empty
	// sends all.
	Systems []string
	// Add are codings of the site's own.
	Add []AddedCoding
}

// AddedCoding is a coding that stands beside one of ours.
type AddedCoding struct {
	// For is our code, of CodeSystem/scorad.
	For string
	Coding
}

// Coding is a code with its system (R4 datatypes.html 2.24.0.5).
type Coding struct{ System, Code, Display string }

// categorySystem is the system of a category that is written as a bare code.
const categorySystem = "http://terminology.hl7.org/CodeSystem/observation-category"

// ReadBack is how a target's copies are looked after.
type ReadBack struct {
	// Action is report, repair or off, Interval the time between two looks at the
	// same copy.
	Action   string
	Interval time.Duration
}

// Subject is how a target's patients are found.
type Subject struct {
	// Match is keep, identifier or reference.
	Match string
	// System is the identifier system that the target knows patients by.
	System string
	// References maps bases of references to those the target knows.
	References map[string]string
}

// NewTarget is a target with the defaults.
func NewTarget(name, base string) Target {
	t := Target{}
	for _, f := range targetFields() {
		f.setDefault(&t)
	}
	t.Name, t.URL = name, base
	return t
}

// Setting is the full name of one of the target's settings, for whoever has to
// change it: TIDEMARK_EHR_URL[1].tls.ca_file, or TIDEMARK_EHR_TLS_CA_FILE.
func (t Target) Setting(path string) string {
	switch {
	case t.place != "" && path == "":
		return t.place
	case t.place != "":
		return t.place + "." + path
	}
	for _, f := range targetFields() {
		if f.path == path && f.env != "" {
			return f.env
		}
	}
	return ehrSetting
}

// RequestTimeout is the time that one request may take; 0 if it is none.
func (t Target) RequestTimeout() time.Duration {
	d, _ := time.ParseDuration(t.Timeout) // what is no time is 0
	return d
}

// Interval is the least time between two requests.
func (t Target) Interval() time.Duration {
	if t.Rate <= 0 {
		return 0
	}
	return time.Duration(float64(time.Second) / t.Rate)
}

// Scope is what a SMART target is asked for: as configured, else the least that
// mode, shape and patients need (SMART App Launch 2.2.0, scopes-and-launch-context).
// Search is needed since deliveries are found by identifier.
func (t Target) Scope() string {
	if t.Auth.Scope != "" {
		return t.Auth.Scope
	}
	scopes := []string{"system/Observation.crus"}
	if t.Shape == ShapeDocument {
		scopes[0] = "system/DocumentReference.crus"
	}
	if t.Mode == ModeTransaction {
		scopes = append(scopes, "system/Provenance.crus", "system/Device.crus")
	}
	if t.Subject.Match == SubjectIdentifier || t.BirthDate == BirthDateAsk {
		scopes = append(scopes, "system/Patient.rs")
	}
	return strings.Join(scopes, " ")
}

// Plain says whether requests to it can be read on the way: it has no TLS and is
// not on this machine.
func (t Target) Plain() bool { return isPlain(t.URL) }

// isPlain says whether an address is http and not surely on this machine.
func isPlain(address string) bool {
	u, err := url.Parse(address)
	if err != nil || u.Scheme != "http" {
		return false
	}
	ip, err := netip.ParseAddr(u.Hostname())
	return u.Hostname() != "localhost" && (err != nil || !ip.IsLoopback())
}

// Settings of the one target may stand in the environment; it is called ehr.
const onlyTarget = "ehr"

// readTargets makes the targets out of the settings of one, and of the list that
// the file has. What is wrong is kept for Check.
func (s *Settings) readTargets(list []targetNode) {
	s.single.URL = strings.TrimSuffix(s.single.URL, "/")
	if len(list) == 0 {
		if s.single.URL != "" {
			s.Targets = []Target{s.single}
			return
		}
	}
	for _, f := range targetFields() {
		if f.env != "" && f.text != nil && *f.text(&s.single) != f.def {
			s.targetFault(f.env, "%s", forOneTarget(f.path, len(list) > 0))
		}
	}
	for i, node := range list {
		t := NewTarget("", "")
		t.place = fmt.Sprintf("%s[%d]", ehrSetting, i)
		node.read(&t, s.targetFault)
		if t.URL = strings.TrimSuffix(t.URL, "/"); t.Name == "" {
			t.Name = onlyTarget
		}
		s.Targets = append(s.Targets, t)
	}
}

func forOneTarget(path string, list bool) string {
	if list {
		return "it is of the one target that " + ehrSetting + " names as a text; write " + path + " in the list"
	}
	return "there is no target that it is for; set " + ehrSetting
}

func (s *Settings) targetFault(name, format string, args ...any) {
	s.targetFaults = append(s.targetFaults, fmt.Errorf("%s: %s", name, fmt.Sprintf(format, args...)))
}
