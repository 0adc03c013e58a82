package config_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

// filled makes a file with something in it and gives its path.
func filled(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(path, []byte("invented\n"), 0o600))
	return path
}

// targets reads a list of targets as it stands in a settings file.
func targets(t *testing.T, list string, pairs ...string) (config.Settings, error) {
	t.Helper()
	s, err := config.Read(write(t, "TIDEMARK_AUTH: off\nTIDEMARK_EHR_URL:\n"+list), env(pairs...))
	require.NoError(t, err)
	return s, s.Check()
}

func TestTargetsOfAList(t *testing.T) {
	t.Parallel()
	secret := filled(t)
	s, err := targets(t, fmt.Sprintf(`
  - name: brindlemoor
    url: https://ehr.brindlemoor.example/fhir/
    auth: {type: smart, client_id: tidemark, key_file: %[1]s, token_url: https://login.brindlemoor.example/token, alg: ES384}
    tls: {ca_file: %[1]s, client_cert: %[1]s, client_key: %[1]s, server_name: ehr.internal}
    mode: transaction
    shape: panel
    codings:
      systems: [http://snomed.info/sct]
      add: [{for: scorad, system: urn:oid:2.999, code: S1, display: SCORAD}]
    category: [exam, {system: urn:oid:2.999, code: derm}]
    narrative: false
    references: logical
    rate: 0.5
    concurrency: 2
    timeout: 1m30s
    read_back: {action: repair, interval: 90m}
    subject: {match: identifier, system: urn:oid:2.999.1}
    check_patient: Patient/invented-17
  - name: registry
    url: https://registry.example/fhir
    auth: {type: basic, user: tidemark, password_file: %[1]s}
    category: []
    subject: {match: reference, references: {https://portal.example/fhir: https://registry.example/fhir}}
`, secret))
	require.NoError(t, err)
	require.Len(t, s.Targets, 2)

	first := s.Targets[0]
	require.Equal(t, "https://ehr.brindlemoor.example/fhir", first.URL, "without the slash")
	require.Equal(t, config.Login{Type: "smart", ClientID: "tidemark", KeyFile: secret, TokenURL: "https://login.brindlemoor.example/token", Alg: "ES384"}, first.Auth)
	require.Equal(t, config.TargetTLS{CAFile: secret, ClientCert: secret, ClientKey: secret, ServerName: "ehr.internal"}, first.TLS)
	require.Equal(t, []string{"transaction", "panel", "logical"}, []string{first.Mode, first.Shape, first.References})
	require.Equal(t, []string{"http://snomed.info/sct"}, first.Codings.Systems)
	require.Equal(t, []config.AddedCoding{{For: "scorad", Coding: config.Coding{System: "urn:oid:2.999", Code: "S1", Display: "SCORAD"}}}, first.Codings.Add)
	require.Equal(t, []config.Coding{{System: "http://terminology.hl7.org/CodeSystem/observation-category", Code: "exam"}, {System: "urn:oid:2.999", Code: "derm"}}, first.Category)
	require.False(t, first.Narrative)
	require.Equal(t, 2*time.Second, first.Interval())
	require.Equal(t, 2, first.Concurrency)
	require.Equal(t, 90*time.Second, first.RequestTimeout())
	require.Equal(t, config.ReadBack{Action: "repair", Interval: 90 * time.Minute}, first.ReadBack)
	require.Equal(t, "Patient/invented-17", first.CheckPatient)
	require.Equal(t, "TIDEMARK_EHR_URL[0].tls.ca_file", first.Setting("tls.ca_file"))

	second := s.Targets[1]
	require.NotNil(t, second.Category, "none is not the same as those stored")
	require.Empty(t, second.Category)
	require.Equal(t, map[string]string{"https://portal.example/fhir": "https://registry.example/fhir"}, second.Subject.References)
	require.Equal(t, "TIDEMARK_EHR_URL[1]", second.Setting(""))
}

func TestTargetDefaults(t *testing.T) {
	t.Parallel()
	s, err := targets(t, "  - url: https://ehr.example/fhir\n")
	require.NoError(t, err)
	got := s.Targets[0]
	require.Equal(t, "ehr", got.Name)
	require.Equal(t, "none", got.Auth.Type)
	require.Equal(t, []string{"auto", "observation", "literal", "report", "keep"},
		[]string{got.Mode, got.Shape, got.References, got.ReadBack.Action, got.Subject.Match})
	require.True(t, got.Narrative)
	require.Nil(t, got.Category)
	require.Zero(t, got.Interval())
	require.Equal(t, 4, got.Concurrency)
	require.Equal(t, 30*time.Second, got.RequestTimeout())
	require.Equal(t, 24*time.Hour, got.ReadBack.Interval)
	require.Equal(t, "system/Observation.crus", got.Scope())

	t.Run("none is no target", func(t *testing.T) {
		t.Parallel()
		for _, list := range []string{"", "  []\n"} {
			s, err := targets(t, list)
			require.NoError(t, err)
			require.Empty(t, s.Targets)
		}
	})
}

func TestTargetOfTheEnvironment(t *testing.T) {
	t.Parallel()
	secret := filled(t)
	s, err := config.Read("", env("TIDEMARK_AUTH", "off", "TIDEMARK_EHR_URL", "https://ehr.example/fhir", "TIDEMARK_EHR_AUTH", "smart", "TIDEMARK_EHR_AUTH_CLIENT_ID", "tidemark",
		"TIDEMARK_EHR_AUTH_KEY_FILE", secret, "TIDEMARK_EHR_AUTH_SCOPE", "system/*.cruds", "TIDEMARK_EHR_TLS_CA_FILE", secret))
	require.NoError(t, err)
	require.NoError(t, s.Check())
	want := config.NewTarget("ehr", "https://ehr.example/fhir")
	want.Auth = config.Login{Type: "smart", ClientID: "tidemark", KeyFile: secret, Scope: "system/*.cruds"}
	want.TLS.CAFile = secret
	require.Equal(t, []config.Target{want}, s.Targets)
	require.Equal(t, "TIDEMARK_EHR_TLS_CA_FILE", s.Targets[0].Setting("tls.ca_file"))
	require.Equal(t, "TIDEMARK_EHR_URL", s.Targets[0].Setting("url"))
	require.Equal(t, "TIDEMARK_EHR_URL", s.Targets[0].Setting("mode"), "what has no name of its own is found where the target is")

	t.Run("wins over the list of the file", func(t *testing.T) {
		t.Parallel()
		s, err := targets(t, "  - {name: a, url: https://a.example/fhir}\n  - {name: b, url: https://b.example/fhir}\n", "TIDEMARK_EHR_URL", "https://c.example/fhir")
		require.NoError(t, err)
		require.Equal(t, []config.Target{config.NewTarget("ehr", "https://c.example/fhir")}, s.Targets)
	})
	t.Run("does not mix with a list", func(t *testing.T) {
		t.Parallel()
		_, err := targets(t, "  - {name: a, url: https://a.example/fhir}\n", "TIDEMARK_EHR_AUTH", "bearer", "TIDEMARK_EHR_AUTH_TOKEN_FILE", secret)
		require.ErrorContains(t, err, "TIDEMARK_EHR_AUTH: ")
		require.ErrorContains(t, err, "TIDEMARK_EHR_AUTH_TOKEN_FILE: it is of the one target that TIDEMARK_EHR_URL names as a text; write auth.token_file in the list")
	})
	t.Run("is needed by what belongs to it", func(t *testing.T) {
		t.Parallel()
		s, err := config.Read("", env("TIDEMARK_AUTH", "off", "TIDEMARK_EHR_AUTH", "bearer"))
		require.NoError(t, err)
		require.ErrorContains(t, s.Check(), "TIDEMARK_EHR_AUTH: there is no target that it is for; set TIDEMARK_EHR_URL")
	})
}

func TestTargetsThatAreRefused(t *testing.T) {
	t.Parallel()
	secret := filled(t)
	empty := filepath.Join(t.TempDir(), "empty")
	require.NoError(t, os.WriteFile(empty, nil, 0o600))
	for name, c := range map[string]struct{ target, says string }{
		"no url":                       {`{name: a}`, "[0].url: it must be an absolute"},
		"a url with a password":        {`{url: "https://u:p@a.example/fhir"}`, "[0].url: it must be an absolute"},
		"a name with large letters":    {`{name: EHR, url: "https://a.example"}`, "[0].name: it must be"},
		"a name that ends in a hyphen": {`{name: ehr-, url: "https://a.example"}`, "[0].name: it must be"},
		"a name that is too long":      {`{name: ` + strings.Repeat("a", 41) + `, url: "https://a.example"}`, "[0].name: it must be"},
		"a name it does not know":      {`{url: "https://a.example", shpe: panel}`, "[0].shpe: there is no such setting; here are name, url, timeout, tls, auth, mode"},
		"one in a group":               {`{url: "https://a.example", tls: {ca: x}}`, "[0].tls.ca: there is no such setting; here are ca_file, client_cert, client_key, server_name"},
		"a name twice":                 {`{url: "https://a.example", mode: transaction, mode: transaction}`, "[0].mode: it is there twice"},
		"a group that is a text":       {`{url: "https://a.example", auth: basic}`, `[0].auth: write names with values, as "type: ..."`},
		"a target that is a text":      {`https://a.example`, `[0]: write names with values, as "name: brindlemoor"`},
		"a list for a text":            {`{url: [a, b]}`, "[0].url: it must be a text"},
		"a text for a truth":           {`{url: "https://a.example", narrative: perhaps}`, "[0].narrative: it must be true or false"},
		"a text for a number":          {`{url: "https://a.example", concurrency: many}`, "[0].concurrency: it must be a whole number"},
		"a number without a unit":      {`{url: "https://a.example", read_back: {interval: 5 apples}}`, "[0].read_back.interval: it must be a time"},
		"no number":                    {`{url: "https://a.example", rate: .nan}`, "[0].rate: it must be 0, or from"},
		"a rate below nothing":         {`{url: "https://a.example", rate: -1}`, "[0].rate: it must be 0, or from"},
		"no time":                      {`{url: "https://a.example", timeout: soon}`, "[0].timeout: it must be a time from 1s to 5m0s"},
		"too long a time":              {`{url: "https://a.example", timeout: 6m}`, "[0].timeout: it must be a time from"},
		"no senders":                   {`{url: "https://a.example", concurrency: 0}`, "[0].concurrency: it must be from 1 to"},
		"a read-back all the time":     {`{url: "https://a.example", read_back: {interval: 1s}}`, "[0].read_back.interval: it must be from 1m"},
		"a mode it does not know":      {`{url: "https://a.example", mode: post}`, "[0].mode: it must be auto, conditional-update, conditional-create-then-update, search-then-write or transaction"},
		"a shape it does not know":     {`{url: "https://a.example", shape: ball}`, "[0].shape: it must be"},
		"references it does not know":  {`{url: "https://a.example", references: urn}`, "[0].references: it must be"},
		"a read-back unknown":          {`{url: "https://a.example", read_back: {action: shout}}`, "[0].read_back.action: it must be"},
		"birth dates unknown":          {`{url: "https://a.example", birth_date: yes please}`, "[0].birth_date: it must be off or ask"},
		"a test patient elsewhere":     {`{url: "https://a.example", check_patient: "https://b.example/Patient/17"}`, "[0].check_patient: it must be the reference"},
		"a coding for nothing":         {`{url: "https://a.example", codings: {add: [{system: s, code: c}]}}`, "[0].codings.add[0]: it needs for"},
		"a coding of unknown names":    {`{url: "https://a.example", codings: {add: [{of: scorad, system: s, code: c}]}}`, "[0].codings.add: it must be a list of for"},
		"a category without a code":    {`{url: "https://a.example", category: [{system: s}]}`, "[0].category[0]: it needs system and code"},
		"a category of a text":         {`{url: "https://a.example", category: exam}`, "[0].category: it must be a list"},
		"no system of patients":        {`{url: "https://a.example", subject: {match: identifier}}`, "[0].subject.system: it is needed"},
		"a system for nothing":         {`{url: "https://a.example", subject: {system: x}}`, "[0].subject.system: it is for"},
		"no references":                {`{url: "https://a.example", subject: {match: reference}}`, "[0].subject.references: it is needed"},
		"references for nothing":       {`{url: "https://a.example", subject: {references: {a: b}}}`, "[0].subject.references: it is for"},
		"a login it does not know":     {`{url: "https://a.example", auth: {type: digest}}`, "[0].auth.type: it must be none, basic, bearer or smart"},
		"basic without a user":         {`{url: "https://a.example", auth: {type: basic, password_file: ` + secret + `}}`, "[0].auth.user: it is needed with auth.type: basic"},
		"a user with a colon":          {`{url: "https://a.example", auth: {type: basic, user: "a:b", password_file: ` + secret + `}}`, "[0].auth.user: a colon"},
		"basic without a password":     {`{url: "https://a.example", auth: {type: basic, user: a}}`, "[0].auth.password_file: it is needed"},
		"a password itself":            {`{url: "https://a.example", auth: {type: basic, user: a, password: invented}}`, "[0].auth.password: there is no such setting"},
		"bearer without a token":       {`{url: "https://a.example", auth: {type: bearer}}`, "[0].auth.token_file: it is needed"},
		"a token that is not there":    {`{url: "https://a.example", auth: {type: bearer, token_file: /none}}`, "[0].auth.token_file: stat /none"},
		"a token that is empty":        {`{url: "https://a.example", auth: {type: bearer, token_file: ` + empty + `}}`, "[0].auth.token_file: /"},
		"a directory of tokens":        {`{url: "https://a.example", auth: {type: bearer, token_file: ` + t.TempDir() + `}}`, "[0].auth.token_file: /"},
		"smart without keys":           {`{url: "https://a.example", auth: {type: smart, client_id: a}}`, "[0].auth.key_file: it is needed"},
		"a client without smart":       {`{url: "https://a.example", auth: {client_id: a}}`, "[0].auth.client_id: it is for auth.type: smart"},
		"a shared algorithm":           {`{url: "https://a.example", auth: {type: smart, client_id: a, key_file: ` + secret + `, alg: HS384}}`, "[0].auth.alg: it must be RS384 or ES384"},
		"tokens by plain http":         {`{url: "https://a.example", auth: {type: smart, client_id: a, key_file: ` + secret + `, token_url: "http://b.example/token"}}`, "[0].auth.token_url: tokens would travel"},
		"a password by plain http":     {`{url: "http://a.example", auth: {type: basic, user: a, password_file: ` + secret + `}}`, "[0].url: with auth.type the credentials would travel"},
		"a name that looks local":      {`{url: "http://localhost.a.example", auth: {type: bearer, token_file: ` + secret + `}}`, "[0].url: with auth.type the credentials would travel"},
		"a key without certificate":    {`{url: "https://a.example", tls: {client_key: ` + secret + `}}`, "[0].tls.client_key: it needs tls.client_cert"},
		"authorities not there":        {`{url: "https://a.example", tls: {ca_file: /none}}`, "[0].tls.ca_file: stat /none"},
		"tls without tls":              {`{url: "http://127.0.0.1/fhir", tls: {server_name: a}}`, "[0].tls.server_name: it is for https"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := targets(t, "  - "+c.target+"\n")
			require.ErrorContains(t, err, "TIDEMARK_EHR_URL"+c.says)
			require.NotContains(t, err.Error(), "invented", "what a file or a secret holds is not repeated")
		})
	}
	t.Run("names and servers that are there twice", func(t *testing.T) {
		t.Parallel()
		_, err := targets(t, "  - url: https://a.example/fhir\n  - url: https://a.example/fhir/\n")
		require.ErrorContains(t, err, "TIDEMARK_EHR_URL[1].name: TIDEMARK_EHR_URL[0] has the name ehr too")
		require.ErrorContains(t, err, "TIDEMARK_EHR_URL[1].url: TIDEMARK_EHR_URL[0] is the same server")
	})
	t.Run("all that is wrong, at once", func(t *testing.T) {
		t.Parallel()
		_, err := targets(t, "  - {url: x, mode: y, colour: red}\n  - {name: b, url: https://b.example, rate: fast, auth: {type: bearer}}\n")
		require.Len(t, strings.Split(err.Error(), "\n"), 5)
	})
}

func TestOneTargetIsAskedForBirthDates(t *testing.T) {
	t.Parallel()
	one, two := config.NewTarget("a", "https://a.example"), config.NewTarget("b", "https://b.example")
	one.BirthDate = config.BirthDateAsk
	require.NotContains(t, config.Settings{Targets: []config.Target{one, two}}.Check().Error(), "birth dates")
	two.BirthDate = config.BirthDateAsk
	require.ErrorContains(t, config.Settings{Targets: []config.Target{one, two}}.Check(), "is asked for birth dates already")
}

// TestLoopbackIsNotPlain holds for addresses that can only be this machine.
func TestLoopbackIsNotPlain(t *testing.T) {
	t.Parallel()
	for base, plain := range map[string]bool{
		"http://127.0.0.1:8081/fhir": false, "http://[::1]/fhir": false, "http://localhost/fhir": false, "https://a.example": false,
		"http://a.example": true, "http://10.0.0.1": true, "http://127.0.0.1.a.example": true, "http://0.0.0.0": true,
	} {
		require.Equal(t, plain, config.NewTarget("a", base).Plain(), base)
	}
}

func TestScopeIsTheLeastThatIsNeeded(t *testing.T) {
	t.Parallel()
	target := config.NewTarget("a", "https://a.example")
	target.Shape, target.Mode = config.ShapeDocument, config.ModeTransaction
	target.Subject.Match = config.SubjectIdentifier
	require.Equal(t, "system/DocumentReference.crus system/Provenance.crus system/Device.crus system/Patient.rs", target.Scope())
	asked := config.NewTarget("b", "https://b.example")
	asked.BirthDate = config.BirthDateAsk
	require.Equal(t, "system/Observation.crus system/Patient.rs", asked.Scope())
	target.Auth.Scope = "system/*.cruds"
	require.Equal(t, "system/*.cruds", target.Scope())
}

func TestTargetSettingsTeach(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, setting := range config.TargetSettings() {
		require.NotEmpty(t, setting.Help, setting.Name)
		require.False(t, seen[setting.Name], setting.Name)
		seen[setting.Name] = true
	}
	for _, name := range []string{"name", "url", "auth.type", "auth.key_file", "tls.ca_file", "mode", "shape", "codings.systems", "category", "narrative", "references", "rate", "concurrency", "read_back.action", "subject.match"} {
		require.True(t, seen[name], name)
	}
}

// FuzzTargets: whatever stands in the file, what passes the check can be served
// with, and what does not is told by the name of a setting.
func FuzzTargets(f *testing.F) {
	for _, list := range []string{
		"- {name: a, url: https://a.example}\n- &b {name: b, url: https://b.example, rate: 1e3}\n", "[]", "- *a", "- {? [a]: b}", "- {auth: {type: {a: b}}}",
		"- {url: https://a.example, tls: {ca_file: ~}, category: [exam], read_back: {interval: 1h}}", "- {url: Https://a.example}", "- - - a", "https://a.example", "- {<<: {url: b}}",
	} {
		f.Add(list)
	}
	f.Fuzz(func(t *testing.T, list string) {
		file := filepath.Join(t.TempDir(), "tidemark.yaml")
		require.NoError(t, os.WriteFile(file, []byte("TIDEMARK_AUTH: off\nTIDEMARK_EHR_URL:\n"+list), 0o600))
		s, err := config.Read(file, env())
		if err != nil {
			return // it is no YAML
		}
		if err := s.Check(); err != nil {
			for line := range strings.SplitSeq(err.Error(), "\n") {
				if strings.Contains(line, "TIDEMARK_") {
					return
				}
			}
			require.Fail(t, "no setting is named", "%v", err)
		}
		seen := map[string]bool{}
		for _, target := range s.Targets {
			require.Regexp(t, `^[a-z0-9-]{1,40}$`, target.Name)
			require.False(t, seen[target.Name])
			seen[target.Name] = true
			require.Regexp(t, `^(?i:https?)://[^/?#]+`, target.URL) // RFC 3986 3.1: schemes in any case
			require.GreaterOrEqual(t, target.Interval(), time.Duration(0))
			require.Positive(t, target.Concurrency)
		}
	})
}
