package config

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"time"
)

var (
	logins     = []string{LoginNone, LoginBasic, LoginBearer, LoginSMART}
	modes      = []string{ModeAuto, ModeConditionalUpdate, ModeConditionalCreate, ModeSearch, ModeTransaction}
	shapes     = []string{ShapeObservation, ShapePanel, ShapeObservations, ShapeDocument}
	references = []string{ReferLiteral, ReferLogical}
	readBacks  = []string{ReadBackReport, ReadBackRepair, ReadBackOff}
	subjects   = []string{SubjectKeep, SubjectIdentifier, SubjectReference}
	birthDates = []string{BirthDateOff, BirthDateAsk}
	// keyAlgorithms are those that SMART asks every client to know.
	keyAlgorithms = []string{"", "RS384", "ES384"}
)

// Bounds of numbers (common practice). The rate reaches from one request in a
// hundred seconds to more than one server takes; a transport keeps 64 connections;
// a read-back of less than a minute would be most of the traffic.
const (
	leastRate, mostRate         = 0.01, 10_000
	mostConcurrency             = 64
	leastReadBack, mostReadBack = time.Minute, 90 * 24 * time.Hour
	leastTimeout, mostTimeout   = time.Second, 5 * time.Minute
)

// targetName is what a name looks like; it becomes a label of metrics.
var targetName = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

// patientReference is one to a patient of the target's own (R4 datatypes.html, id).
var patientReference = regexp.MustCompile(`^Patient/[A-Za-z0-9\-.]{1,64}$`)

// checkTargets reports what is wrong with the targets.
func (s *Settings) checkTargets(bad func(name, format string, args ...any)) {
	names, bases, asked := map[string]string{}, map[string]string{}, ""
	for _, t := range s.Targets {
		t.check(func(path, format string, args ...any) { bad(t.Setting(path), format, args...) })
		if first, twice := names[t.Name]; twice {
			bad(t.Setting("name"), "%s has the name %s too; give each target a name of its own, since it is what the store knows it by", first, t.Name)
		}
		if first, twice := bases[t.URL]; twice && t.URL != "" {
			bad(t.Setting("url"), "%s is the same server, and two would write over each other's; leave one", first)
		}
		if t.BirthDate == BirthDateAsk {
			if asked != "" {
				bad(t.Setting("birth_date"), "%s is asked for birth dates already; one server is, so set the other to off", asked)
			}
			asked = t.Setting("")
		}
		names[t.Name], bases[t.URL] = t.Setting(""), t.Setting("")
	}
}

// badPath reports a fault of one setting of a target.
type badPath func(path, format string, args ...any)

func (t Target) check(bad badPath) {
	if !targetName.MatchString(t.Name) {
		bad("name", "it must be 1 to 40 small letters, digits and hyphens, with no hyphen at the ends, as brindlemoor-ehr")
	}
	if !isHTTP(t.URL) {
		bad("url", "it must be an absolute http or https URL without user, query and fragment")
	}
	for _, f := range []struct {
		path, value string
		known       []string
	}{
		{"mode", t.Mode, modes},
		{"shape", t.Shape, shapes},
		{"references", t.References, references},
		{"read_back.action", t.ReadBack.Action, readBacks},
		{"subject.match", t.Subject.Match, subjects},
		{"birth_date", t.BirthDate, birthDates},
		{"auth.type", t.Auth.Type, logins},
		{"auth.alg", t.Auth.Alg, keyAlgorithms},
	} {
		if !slices.Contains(f.known, f.value) {
			bad(f.path, "it must be %s", oneOf(f.known))
		}
	}
	if within := t.Rate >= leastRate && t.Rate <= mostRate; t.Rate != 0 && !within { // so that NaN is not
		bad("rate", "it must be 0, or from %v to %v requests a second", leastRate, mostRate)
	}
	if t.Concurrency < 1 || t.Concurrency > mostConcurrency {
		bad("concurrency", "it must be from 1 to %d", mostConcurrency)
	}
	if d := t.RequestTimeout(); d < leastTimeout || d > mostTimeout {
		bad("timeout", "it must be a time from %s to %s, as 30s", leastTimeout, mostTimeout)
	}
	if t.ReadBack.Interval < leastReadBack || t.ReadBack.Interval > mostReadBack {
		bad("read_back.interval", "it must be from 1m to 2160h")
	}
	if t.CheckPatient != "" && !patientReference.MatchString(t.CheckPatient) {
		bad("check_patient", "it must be the reference to a patient as the target knows it, as Patient/17")
	}
	t.checkCodings(bad)
	t.checkSubject(bad)
	t.checkLogin(bad)
	t.checkTLS(bad)
}

func oneOf(known []string) string {
	known = slices.DeleteFunc(slices.Clone(known), func(s string) bool { return s == "" })
	return strings.Join(known[:len(known)-1], ", ") + " or " + known[len(known)-1]
}

func (t Target) checkCodings(bad badPath) {
	for i, c := range t.Codings.Add {
		if c.For == "" || c.System == "" || c.Code == "" {
			bad(fmt.Sprintf("codings.add[%d]", i), "it needs for, system and code")
		}
	}
	for i, c := range t.Category {
		if c.System == "" || c.Code == "" {
			bad(fmt.Sprintf("category[%d]", i), "it needs system and code")
		}
	}
}

func (t Target) checkSubject(bad badPath) {
	switch {
	case t.Subject.Match == SubjectIdentifier && t.Subject.System == "":
		bad("subject.system", "it is needed with subject.match: identifier")
	case t.Subject.Match != SubjectIdentifier && t.Subject.System != "":
		bad("subject.system", "it is for subject.match: identifier")
	}
	switch {
	case t.Subject.Match == SubjectReference && len(t.Subject.References) == 0:
		bad("subject.references", "it is needed with subject.match: reference")
	case t.Subject.Match != SubjectReference && len(t.Subject.References) > 0:
		bad("subject.references", "it is for subject.match: reference")
	}
}

// checkLogin asks for what the type needs and refuses what it does not.
func (t Target) checkLogin(bad badPath) {
	a := t.Auth
	for _, f := range []struct {
		path, value, of string
		needed, file    bool
	}{
		{"auth.user", a.User, LoginBasic, true, false},
		{"auth.password_file", a.PasswordFile, LoginBasic, true, true},
		{"auth.token_file", a.TokenFile, LoginBearer, true, true},
		{"auth.client_id", a.ClientID, LoginSMART, true, false},
		{"auth.key_file", a.KeyFile, LoginSMART, true, true},
		{"auth.token_url", a.TokenURL, LoginSMART, false, false},
		{"auth.scope", a.Scope, LoginSMART, false, false},
		{"auth.alg", a.Alg, LoginSMART, false, false},
	} {
		switch {
		case f.value != "" && f.of != a.Type:
			bad(f.path, "it is for %s: %s", t.name("auth.type"), f.of)
		case f.value == "" && f.needed && f.of == a.Type:
			bad(f.path, "it is needed with %s: %s", t.name("auth.type"), f.of)
		case f.value != "" && f.file:
			checkFile(f.path, f.value, bad)
		}
	}
	if strings.Contains(a.User, ":") {
		bad("auth.user", "a colon ends the user of basic authentication (RFC 7617 section 2); it can have none")
	}
	if a.TokenURL != "" && !isHTTP(a.TokenURL) {
		bad("auth.token_url", "it must be an absolute https URL")
	}
	if isPlain(a.TokenURL) {
		bad("auth.token_url", "tokens would travel readable for all; it must be https, or on this machine")
	}
	if a.Type != LoginNone && t.Plain() {
		bad("url", "with %s the credentials would travel readable for all; it must be https, or on this machine", t.name("auth.type"))
	}
}

// name is how a setting is called beside another of the same target.
func (t Target) name(path string) string {
	if t.place != "" {
		return path
	}
	return t.Setting(path)
}

// checkFile asks for a file with something in it, without showing what.
func checkFile(path, file string, bad badPath) {
	info, err := os.Stat(file)
	switch {
	case err != nil:
		bad(path, "%v", err)
	case !info.Mode().IsRegular():
		bad(path, "%s is no file", file)
	case info.Size() == 0:
		bad(path, "%s is empty", file)
	}
}

func (t Target) checkTLS(bad badPath) {
	s := t.TLS
	for _, f := range []struct {
		path, value, with, other string
		file                     bool
	}{
		{"tls.ca_file", s.CAFile, "", "", true},
		{"tls.client_cert", s.ClientCert, "tls.client_key", s.ClientKey, true},
		{"tls.client_key", s.ClientKey, "tls.client_cert", s.ClientCert, true},
		{"tls.server_name", s.ServerName, "", "", false},
	} {
		if f.value == "" {
			continue
		}
		if f.with != "" && f.other == "" {
			bad(f.path, "it needs %s beside it", t.name(f.with))
		}
		if f.file {
			checkFile(f.path, f.value, bad)
		}
		if strings.HasPrefix(t.URL, "http://") {
			bad(f.path, "it is for https, and the URL is http")
		}
	}
}
