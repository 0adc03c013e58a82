package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// targetField is one setting of a target.
type targetField struct {
	// path is its name in the list, env that in the environment, "" if only a
	// list has it.
	path, env string
	// def is the default as YAML, help what it is for.
	def, help string
	// at is where it is kept; text is the same for those of the environment.
	at   func(*Target) any
	text func(*Target) *string
}

// text is a field that is one text, in the environment too if env is not "".
func text(path, env, def, help string, at func(*Target) *string) targetField {
	return targetField{path: path, env: env, def: def, help: help, at: func(t *Target) any { return at(t) }, text: at}
}

// targetFields lists every setting of a target in the order of help.
func targetFields() []targetField {
	return slices.Concat(placeFields(), loginFields(), shapeFields())
}

func placeFields() []targetField {
	return []targetField{
		text("name", "", "", "its name in store, logs and metrics: small letters, digits and hyphens; ehr if it is left out", func(t *Target) *string { return &t.Name }),
		text("url", ehrSetting, "", "FHIR base of the hospital's server", func(t *Target) *string { return &t.URL }),
		text("timeout", "TIDEMARK_EHR_TIMEOUT", "30s", "time that it may take to answer, 1s to 5m; what a killed replica was delivering is taken over after four times that", func(t *Target) *string { return &t.Timeout }),
		text("tls.ca_file", "TIDEMARK_EHR_TLS_CA_FILE", "", "file with the authorities (PEM) of its certificate; by default those of the system", func(t *Target) *string { return &t.TLS.CAFile }),
		text("tls.client_cert", "TIDEMARK_EHR_TLS_CLIENT_CERT", "", "file with our certificate chain (PEM), if it asks for one", func(t *Target) *string { return &t.TLS.ClientCert }),
		text("tls.client_key", "TIDEMARK_EHR_TLS_CLIENT_KEY", "", "file with its private key (PEM)", func(t *Target) *string { return &t.TLS.ClientKey }),
		text("tls.server_name", "TIDEMARK_EHR_TLS_SERVER_NAME", "", "name in its certificate, if that is not the URL's", func(t *Target) *string { return &t.TLS.ServerName }),
	}
}

func loginFields() []targetField {
	return []targetField{
		text("auth.type", "TIDEMARK_EHR_AUTH", LoginNone, "how to log in: none, basic, bearer or smart (SMART Backend Services); not without TLS, but on this machine", func(t *Target) *string { return &t.Auth.Type }),
		text("auth.user", "TIDEMARK_EHR_AUTH_USER", "", "basic: the user", func(t *Target) *string { return &t.Auth.User }),
		text("auth.password_file", "TIDEMARK_EHR_AUTH_PASSWORD_FILE", "", "basic: file that holds the password, read again when it changes", func(t *Target) *string { return &t.Auth.PasswordFile }),
		text("auth.token_file", "TIDEMARK_EHR_AUTH_TOKEN_FILE", "", "bearer: file that holds the token, read again when it changes", func(t *Target) *string { return &t.Auth.TokenFile }),
		text("auth.client_id", "TIDEMARK_EHR_AUTH_CLIENT_ID", "", "smart: the client_id that the hospital gave us", func(t *Target) *string { return &t.Auth.ClientID }),
		text("auth.key_file", "TIDEMARK_EHR_AUTH_KEY_FILE", "", "smart: file of our keys, made by tidemark keys make; give the hospital <TIDEMARK_BASE_URL>/.well-known/jwks.json", func(t *Target) *string { return &t.Auth.KeyFile }),
		text("auth.token_url", "TIDEMARK_EHR_AUTH_TOKEN_URL", "", "smart: the token endpoint; by default what <url>/.well-known/smart-configuration names", func(t *Target) *string { return &t.Auth.TokenURL }),
		text("auth.scope", "TIDEMARK_EHR_AUTH_SCOPE", "", "smart: the scopes to ask for; by default the least that mode and shape need, as system/Observation.crus", func(t *Target) *string { return &t.Auth.Scope }),
		text("auth.alg", "TIDEMARK_EHR_AUTH_ALG", "", "smart: RS384 or ES384, if the keys must be for that; by default whichever they are for", func(t *Target) *string { return &t.Auth.Alg }),
	}
}

func shapeFields() []targetField {
	field := func(path, def, help string, at func(*Target) any) targetField {
		return targetField{path: path, def: def, help: help, at: at}
	}
	return []targetField{
		text("mode", "", ModeAuto, "how to write: "+strings.Join(modes, ", "), func(t *Target) *string { return &t.Mode }),
		text("shape", "", ShapeObservation, "what to write: observation (one with components), panel (with members), observations (single ones), document (DocumentReference)", func(t *Target) *string { return &t.Shape }),
		field("codings.systems", "", "code systems whose codings are sent, in this order; all if it is left out", func(t *Target) any { return &t.Codings.Systems }),
		field("codings.add", "", "codings of the site's own, each with for (a code of ours, as scorad), system, code and display", func(t *Target) any { return &t.Codings.Add }),
		field("category", "", "categories in place of those stored: codes of observation-category, or system, code and display; [] for none", func(t *Target) any { return &t.Category }),
		field("narrative", "true", "whether narrative text is sent", func(t *Target) any { return &t.Narrative }),
		text("references", "", ReferLiteral, "how a panel names its members, and a score our Device and the response: literal (by the target's ids, by our addresses) or logical (by identifier)", func(t *Target) *string { return &t.References }),
		field("rate", "0", "most requests a second; 0 for no limit", func(t *Target) any { return &t.Rate }),
		field("concurrency", "4", "deliveries under way at once", func(t *Target) any { return &t.Concurrency }),
		text("read_back.action", "", ReadBackReport, "what becomes of a copy that differs from ours: report, repair or off", func(t *Target) *string { return &t.ReadBack.Action }),
		field("read_back.interval", "24h", "time between two looks at a copy", func(t *Target) any { return &t.ReadBack.Interval }),
		text("subject.match", "", SubjectKeep, "how its patients are found: keep (the reference as it is), identifier or reference", func(t *Target) *string { return &t.Subject.Match }),
		text("subject.system", "", "", "identifier: the system that it knows patients by", func(t *Target) *string { return &t.Subject.System }),
		field("subject.references", "", "reference: bases of references, and the base to put in place of each", func(t *Target) any { return &t.Subject.References }),
		text("birth_date", "TIDEMARK_EHR_BIRTH_DATE", BirthDateOff, "ask: it is asked when the patient of a response was born, for the warnings that need the age, unless the patient came along; off: nobody is asked", func(t *Target) *string { return &t.BirthDate }),
		text("check_patient", "TIDEMARK_EHR_CHECK_PATIENT", "", "test patient there, as Patient/17, that tidemark check may write its test about; by default it is about nobody", func(t *Target) *string { return &t.CheckPatient }),
	}
}

func (f targetField) setDefault(t *Target) {
	if f.def != "" {
		_ = yaml.Unmarshal([]byte(f.def), f.at(t)) // every default is tested
	}
}

// TargetSettings describes the settings of a target in a list.
func TargetSettings() []Setting {
	var all []Setting
	for _, f := range targetFields() {
		all = append(all, Setting{Name: f.path, Default: f.def, Help: f.help})
	}
	return all
}

// targetSettings are those of the one target that the environment may name.
func targetSettings() []Setting {
	var all []Setting
	for _, f := range targetFields() {
		help := f.help
		if f.env == ehrSetting {
			help = "FHIR base of the hospital's server, or in the file a list of servers; empty writes nothing back"
		}
		if f.env != "" {
			all = append(all, Setting{f.env, f.def, help, func(s *Settings) *string { return f.text(&s.single) }})
		}
	}
	return all
}

// targetNode is a target as it stands in the file.
type targetNode struct{ node *yaml.Node }

// read takes what it says, and reports what it should not say.
func (n targetNode) read(t *Target, bad func(name, format string, args ...any)) {
	readFields(n.node, "", t, bad)
}

// readFields reads a mapping whose names begin with prefix.
func readFields(node *yaml.Node, prefix string, t *Target, bad func(name, format string, args ...any)) {
	if node.Kind == yaml.AliasNode {
		node = node.Alias
	}
	if node.Kind != yaml.MappingNode {
		bad(t.Setting(strings.TrimSuffix(prefix, ".")), "write names with values, as %s", example(prefix))
		return
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(node.Content); i += 2 {
		path, value := prefix+node.Content[i].Value, node.Content[i+1]
		field, leaf := fieldAt(path)
		switch {
		case seen[path]:
			bad(t.Setting(path), "it is there twice; leave one")
		case leaf:
			if value.Tag != "!!null" && value.Decode(field.at(t)) != nil {
				bad(t.Setting(path), "%s", kindOf(field.at(t)))
			}
		case isGroup(path):
			readFields(value, path+".", t, bad)
		default:
			bad(t.Setting(path), "there is no such setting; here are %s", strings.Join(namesIn(prefix), ", "))
		}
		seen[path] = true
	}
}

func fieldAt(path string) (targetField, bool) {
	fields := targetFields()
	i := slices.IndexFunc(fields, func(f targetField) bool { return f.path == path })
	if i < 0 {
		return targetField{}, false
	}
	return fields[i], true
}

func isGroup(path string) bool {
	return slices.ContainsFunc(targetFields(), func(f targetField) bool { return strings.HasPrefix(f.path, path+".") })
}

// namesIn lists what may stand under a prefix.
func namesIn(prefix string) []string {
	var names []string
	for _, f := range targetFields() {
		if rest, under := strings.CutPrefix(f.path, prefix); under {
			name, _, _ := strings.Cut(rest, ".")
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names
}

// example shows how a mapping under a prefix begins.
func example(prefix string) string {
	if prefix == "" {
		return `"name: brindlemoor" and "url: https://ehr.brindlemoor.example/fhir"`
	}
	return strconv.Quote(namesIn(prefix)[0] + ": ...")
}

// kindOf says what a value must be.
func kindOf(at any) string {
	switch at.(type) {
	case *string:
		return "it must be a text"
	case *[]string:
		return "it must be a list of texts"
	case *bool:
		return "it must be true or false"
	case *int:
		return "it must be a whole number"
	case *float64:
		return "it must be a number"
	case *time.Duration:
		return "it must be a time, as 24h or 90m"
	case *map[string]string:
		return "it must be texts with a text each"
	case *[]AddedCoding:
		return "it must be a list of for, system, code and display, the last if you like"
	default:
		return "it must be a list of codes, or of system, code and display"
	}
}

// UnmarshalYAML implements yaml.Unmarshaler: a bare code is one of R4's
// observation-category.
func (c *Coding) UnmarshalYAML(node *yaml.Node) error {
	if node.Kind == yaml.ScalarNode {
		c.System = categorySystem
		return node.Decode(&c.Code)
	}
	return strictly(node, map[string]*string{"system": &c.System, "code": &c.Code, "display": &c.Display})
}

// UnmarshalYAML implements yaml.Unmarshaler.
func (c *AddedCoding) UnmarshalYAML(node *yaml.Node) error {
	return strictly(node, map[string]*string{"for": &c.For, "system": &c.System, "code": &c.Code, "display": &c.Display})
}

// strictly reads a mapping that has no other names.
func strictly(node *yaml.Node, into map[string]*string) error {
	var values map[string]string
	if err := node.Decode(&values); err != nil {
		return err
	}
	for name, value := range values {
		at, known := into[name]
		if !known {
			return fmt.Errorf("config: there is no %s", name)
		}
		*at = value
	}
	return nil
}
