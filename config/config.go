// Package config reads the settings, once: from the environment or from a YAML
// file with the same names, and reports everything wrong with them at once.
package config

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"tidemark.example/tidemark/scoring"
)

// Settings are what an operator decides.
type Settings struct {
	// Listen and AdminListen are the addresses of the FHIR server and of the
	// admin listener.
	Listen, AdminListen string
	// BaseURL is the FHIR base that others know the server under.
	BaseURL string
	// Database is where the data is kept.
	Database Database
	// Targets are the servers that scores are written back to; none writes
	// nothing back.
	Targets []Target
	// Auth is how requests are authorised; "off" only on a loopback address.
	Auth string
	// Bands is the name of the set that scores are interpreted by.
	Bands string
	// CORSOrigins are the origins, separated by commas, whose pages may use the
	// server from a browser.
	CORSOrigins string
	// Forms names files or directories of portals' own forms; see FormFiles.
	Forms string
	// AuditShip is where the audit trail is given to: a file, stdout, or the base
	// of a FHIR server; "" keeps it here alone.
	AuditShip string
	// AdminToken authorises changes on the admin listener, "" allows none;
	// AdminTokenFile is where it was read from, if it was.
	AdminToken     Secret
	AdminTokenFile string
	// Authorization says whose tokens are taken, with TIDEMARK_AUTH=token.
	Authorization
	// Hooks are whom notifications may go to.
	Hooks
	// CDS are whose CDS Hooks calls are answered.
	CDS
	// Exports are how bulk exports are offered.
	Exports
	// Tracing is where spans are sent.
	Tracing
	// Edges are the limits, TLS and proxies.
	Edges

	// single is the target that texts name, rather than a list.
	single       Target
	targetFaults []error
}

// Origins lists the CORSOrigins.
func (s Settings) Origins() []string { return listed(s.CORSOrigins) }

// Setting describes one setting for help and documentation.
type Setting struct {
	Name, Default, Help string
	field               func(*Settings) *string
}

// All lists every setting in the order in which help shows them.
func All() []Setting {
	return slices.Concat([]Setting{
		{"TIDEMARK_LISTEN", "127.0.0.1:8080", "address of the FHIR server", func(s *Settings) *string { return &s.Listen }},
		{"TIDEMARK_ADMIN_LISTEN", "127.0.0.1:9464", "address of metrics, probes and the status page; with an admin token, of forms and deliveries; keep it from the public", func(s *Settings) *string { return &s.AdminListen }},
		{"TIDEMARK_BASE_URL", "", "FHIR base others know the server under; by default http://<TIDEMARK_LISTEN>/fhir, https with TLS", func(s *Settings) *string { return &s.BaseURL }},
		{"TIDEMARK_DATABASE", "tidemark.db", "path of the SQLite file, on a local disk and in a directory that exists; or postgres://user@host/database, which several replicas may share: PostgreSQL 14 or later, ?sslmode=verify-full across a network, the password in PGPASSWORD or a passfile", func(s *Settings) *string { return (*string)(&s.Database) }},
		{"TIDEMARK_AUTH", "", "token: requests carry an access token; off: no authentication, only on a loopback address", func(s *Settings) *string { return &s.Auth }},
		{"TIDEMARK_FORMS", "", "files or directories of portals' own forms, separated by commas or as a list; self=FILE or clinician=FILE says who rates", func(s *Settings) *string { return &s.Forms }},
		{"TIDEMARK_ADMIN_TOKEN", "", "token that registers forms and decides about deliveries on the admin listener, 16 characters at least; empty allows no change", func(s *Settings) *string { return (*string)(&s.AdminToken) }},
		{"TIDEMARK_ADMIN_TOKEN_FILE", "", "file that holds the admin token", func(s *Settings) *string { return &s.AdminTokenFile }},
		{"TIDEMARK_AUDIT_SHIP", "", "where the audit trail is given to beside the database: a file (JSON lines), stdout, or the base of a FHIR server", func(s *Settings) *string { return &s.AuditShip }},
		{"TIDEMARK_BANDS", "usual-25-50", "band set: " + strings.Join(bandNames(), ", "), func(s *Settings) *string { return &s.Bands }},
		{"TIDEMARK_CORS_ORIGINS", "", "origins whose pages may use the server from a browser, as https://portal.example, separated by commas; empty lets none", func(s *Settings) *string { return &s.CORSOrigins }},
	}, hookSettings(), cdsSettings(), exportSettings(), targetSettings(), authSettings(), edgeSettings(), tracingSettings())
}

func bandNames() []string {
	var names []string
	for _, set := range scoring.BandSets() {
		names = append(names, set.Name)
	}
	return names
}

// Read takes the settings from a YAML file, "" for none, and over it from the
// environment. It does not check them; see Check.
func Read(file string, getenv func(string) string) (Settings, error) {
	s, err := read(file, getenv)
	if err != nil {
		return Settings{}, err
	}
	return *s, nil
}

// Load reads and checks the settings to serve with. It reports what cannot be read
// together with what is wrong with the rest, so that nobody has to start twice to
// be told twice.
func Load(file string, getenv func(string) string) (Settings, error) {
	s, err := read(file, getenv)
	if s == nil {
		return Settings{}, err
	}
	return *s, errors.Join(err, s.Check())
}

// read gives the settings as far as they can be read, nil if the file is none.
func read(file string, getenv func(string) string) (*Settings, error) {
	values := fileValues{}
	var unread error
	if file != "" {
		if values, unread = readFile(file); values.texts == nil {
			return nil, unread
		}
	}
	s := Settings{single: NewTarget(onlyTarget, "")}
	for _, setting := range All() {
		text := setting.Default
		if fromFile, ok := values.texts[setting.Name]; ok {
			text = string(fromFile)
		}
		if fromEnv := getenv(setting.Name); fromEnv != "" {
			text = fromEnv
			if setting.Name == ehrSetting {
				values.targets = nil // the environment wins over the file
			}
		}
		*setting.field(&s) = text
	}
	unread = errors.Join(unread, s.readToken())
	if s.BaseURL == "" {
		s.BaseURL = s.scheme() + s.Listen + "/fhir"
	}
	s.BaseURL = strings.TrimSuffix(s.BaseURL, "/")
	s.readTargets(values.targets)
	return &s, unread
}

// fileValues are the settings of a file: texts, nil if it is no list of settings
// at all, and the targets if they are a list.
type fileValues struct {
	texts   map[string]value
	targets []targetNode
}

func readFile(file string) (fileValues, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return fileValues{}, fmt.Errorf("config: %w", err)
	}
	var nodes map[string]yaml.Node
	if err := yaml.Unmarshal(data, &nodes); err != nil {
		return fileValues{}, fmt.Errorf("config: %s must be a list of NAME: value lines: %w", file, err)
	}
	values := fileValues{texts: map[string]value{}}
	var errs []error
	for name, node := range nodes {
		if !slices.ContainsFunc(All(), func(s Setting) bool { return s.Name == name }) {
			errs = append(errs, fmt.Errorf("config: %s: there is no setting %s", file, name))
			continue
		}
		if name == ehrSetting && node.Kind == yaml.SequenceNode {
			for _, each := range node.Content {
				values.targets = append(values.targets, targetNode{each})
			}
			continue
		}
		var text value
		if err := node.Decode(&text); err != nil {
			errs = append(errs, fmt.Errorf("config: %s: %s must be a text or a list of texts: %w", file, name, err))
		}
		values.texts[name] = text
	}
	return values, errors.Join(errs...)
}

// Check reports every setting that cannot be served with.
func (s Settings) Check() error {
	errs := slices.Clone(s.targetFaults)
	bad := func(name, format string, args ...any) {
		errs = append(errs, fmt.Errorf("%s: %s", name, fmt.Sprintf(format, args...)))
	}
	for name, address := range map[string]string{"TIDEMARK_LISTEN": s.Listen, "TIDEMARK_ADMIN_LISTEN": s.AdminListen} {
		if _, _, err := net.SplitHostPort(address); err != nil {
			bad(name, "%q is no address; write host:port, as 127.0.0.1:8080", address)
		}
	}
	if !isHTTP(s.BaseURL) {
		bad("TIDEMARK_BASE_URL", "it must be an absolute http or https URL")
	}
	if strings.Contains(s.AuditShip, "://") && !isHTTP(s.AuditShip) {
		bad("TIDEMARK_AUDIT_SHIP", "it must be a file, stdout, or an absolute http or https URL without user, query and fragment")
	}
	if fault := s.Database.fault(); fault != "" {
		bad("TIDEMARK_DATABASE", "%s", fault)
	}
	if _, err := s.FormFiles(); err != nil {
		bad("TIDEMARK_FORMS", "%v", err)
	}
	if s.AdminToken != "" && len(s.AdminToken) < minToken {
		bad(s.tokenSetting(), "the token is shorter than %d characters and could be guessed", minToken)
	}
	if _, ok := scoring.BandSetByName(s.Bands); !ok {
		bad("TIDEMARK_BANDS", "there is no such band set; choose one of %s", strings.Join(bandNames(), ", "))
	}
	for _, origin := range s.Origins() {
		if !isOrigin(origin) {
			bad("TIDEMARK_CORS_ORIGINS", "%q is no origin as browsers write it; write scheme and host in small letters, with a port if it is not the usual one, as https://portal.example. There is no wildcard", origin)
		}
	}
	s.checkTargets(bad)
	s.checkHooks(bad)
	s.checkCDS(bad)
	s.checkExports(bad)
	s.checkEdges(bad)
	s.checkTracing(bad)
	s.checkAuthorization(bad)
	slices.SortFunc(errs, func(a, b error) int { return strings.Compare(a.Error(), b.Error()) })
	return errors.Join(errs...)
}

func isHTTP(text string) bool {
	u, err := url.Parse(text)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != "" && u.User == nil && u.RawQuery == "" && u.Fragment == ""
}

// isOrigin takes what a browser sends as Origin (RFC 6454 section 6.2): no path,
// no usual port, small letters. Another spelling would never match.
func isOrigin(text string) bool {
	u, err := url.Parse(text)
	return isHTTP(text) && err == nil && u.Scheme+"://"+u.Host == text && strings.ToLower(text) == text &&
		(u.Scheme != "https" || u.Port() != "443") && (u.Scheme != "http" || u.Port() != "80") && !strings.HasSuffix(u.Host, ":") && !strings.Contains(u.Host, "*")
}

// isLoopback takes only what surely is this machine; a name may resolve to anything.
func isLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}
