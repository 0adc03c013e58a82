package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/writeback"
	"tidemark.example/tidemark/fhir/writeback/login"
)

// visit is what the checks of one target learn for those after them.
type visit struct {
	*checker
	target config.Target
	// network carries requests there, way those that are logged in; nil while there
	// is none.
	network *witness
	way     http.RoundTripper
	// granted is the scope of the access token, "" if it was not said; tokenless says
	// that there is none.
	granted   string
	tokenless bool
	// seen is what the target shows of itself.
	seen writeback.Seen
	// barred says why a canary is not written, "" if it may be.
	barred string
}

func newVisit(c *checker, t config.Target) *visit { return &visit{checker: c, target: t} }

// setting is the full name of one of the target's settings, with what a list in
// the file calls it where the environment has no name for it.
func (v *visit) setting(path string) string {
	name := v.target.Setting(path)
	if path != "url" && name == v.target.Setting("url") {
		return name + " as a list in the file, with " + path
	}
	return name
}

// writer is the target as the write-back has it.
func (v *visit) writer() writeback.Target {
	profile, _ := profileOf(v.target) // settingsHold has refused what is none
	return writeback.Target{Name: v.target.Name, Base: v.target.URL, Transport: v.way, Mode: writeback.Mode(v.target.Mode), Subject: subjectOf(v.target), Profile: profile}
}

// witness keeps what the last answer says of the one who gave it, or why there was
// none.
type witness struct {
	next http.RoundTripper

	mu    sync.Mutex
	date  time.Time
	asked time.Time
	tls   *tls.ConnectionState
	err   error
}

// RoundTrip implements http.RoundTripper.
func (w *witness) RoundTrip(request *http.Request) (*http.Response, error) {
	begun := time.Now()
	response, err := w.next.RoundTrip(request)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.err = err
	if err == nil {
		w.tls, w.date = response.TLS, time.Time{}
		if date, err := http.ParseTime(response.Header.Get("Date")); err == nil {
			// Halfway, for the answer was written between the two.
			w.date, w.asked = date, begun.Add(time.Since(begun)/2)
		}
	}
	return response, err
}

// given is a header of which there is no other.
type given string

// Authorization implements login.Source.
func (g given) Authorization(context.Context, string) (string, error) { return string(g), nil }

// checkToken logs in.
func checkToken(ctx context.Context, v *visit) []finding {
	r := reach{target: v.target, metrics: api.NewMetrics(), logger: slog.New(slog.DiscardHandler)}
	network, err := r.network()
	if err != nil {
		return []finding{ofSetting(err)}
	}
	v.network = &witness{next: network}
	v.way = v.network
	if v.target.Auth.Type == config.LoginSMART {
		return v.askToken(ctx, &r)
	}
	source, err := r.source(v.network)
	if err != nil {
		v.barred = "there is nothing to log in with"
		return []finding{ofSetting(r.named(err))}
	}
	if source == nil {
		return []finding{ok("it is sent no credentials")}
	}
	if v.way, err = login.New(v.network, v.target.URL, source); err != nil {
		return []finding{wrong(v.setting("url"), "", "%v", err)}
	}
	return []finding{ok("it is sent the credentials of %s", v.target.Auth.PasswordFile+v.target.Auth.TokenFile)}
}

// askToken gets an access token, which the other checks use.
func (v *visit) askToken(ctx context.Context, r *reach) []finding {
	v.tokenless, v.barred = true, "there is no access token"
	client, err := r.client(v.network)
	if err != nil {
		return []finding{ofSetting(err)}
	}
	token, err := client.Token(ctx)
	if err != nil {
		return []finding{v.noToken(err)}
	}
	v.tokenless, v.barred = false, ""
	v.granted = token.Scope
	if v.way, err = login.New(v.network, v.target.URL, given("Bearer "+token.Text)); err != nil {
		return []finding{wrong(v.setting("url"), "", "%v", err)}
	}
	return []finding{ok("an access token was given, for %s", token.Lifetime)}
}

// noToken says what to change so that there is a token.
func (v *visit) noToken(err error) finding {
	keys := strings.TrimSuffix(v.settings.BaseURL, "/") + "/.well-known/jwks.json"
	refusal := (*login.Refusal)(nil)
	if !errors.As(err, &refusal) {
		if errors.Is(err, writeback.ErrLogin) {
			return wrong(v.setting("auth.token_url"), "name the token endpoint, or see that url is the FHIR base", "%v", err)
		}
		return v.unreachable(v.setting("auth.token_url"), err)
	}
	if !errors.Is(err, writeback.ErrLogin) {
		// It failed by itself or has no time now, which no setting of ours changes.
		return broken(v.setting("auth.token_url"), "ask the hospital; check again later", "%v", err)
	}
	switch refusal.Code {
	case "invalid_scope":
		return wrong(v.setting("auth.scope"), "set what the hospital has allowed this client, at least "+v.needed(), "%v", err)
	case "unauthorized_client", "unsupported_grant_type", "access_denied":
		return wrong(v.setting("auth.client_id"), "have the hospital allow this client client_credentials", "%v", err)
	default:
		return wrong(v.setting("auth.key_file")+" and "+v.setting("auth.client_id"), "have the hospital register the keys at "+keys+" (tidemark keys public prints them) for this client_id; see the clock too", "%v", err)
	}
}

// checkReach asks for the CapabilityStatement.
func checkReach(ctx context.Context, v *visit) []finding {
	if v.way == nil {
		return []finding{notLooked("there is no way to it before its TLS settings hold")}
	}
	limited, cancel := context.WithTimeout(ctx, v.target.RequestTimeout())
	defer cancel()
	seen, err := v.writer().Inspect(limited)
	if err != nil {
		return []finding{wrong(v.setting("url"), "", "%v", err)}
	}
	v.seen = seen
	if seen.Fault != writeback.FaultNone {
		return []finding{v.unstated()}
	}
	if !seen.Updates {
		v.barred = "it does not offer updates, so that nothing could be taken back"
	}
	modeSetting := v.setting("mode")
	if len(seen.Lacks) > 0 {
		do := "set one that it offers, as " + string(seen.Safer) + ", or have the hospital allow that"
		return []finding{toSee(modeSetting, do, "FHIR %s; it is written to in mode %s, for which it does not offer %s", seen.Version, seen.Mode, strings.Join(seen.Lacks, ", "))}
	}
	return []finding{ok("FHIR %s; it is written to in mode %s", seen.Version, seen.Mode)}
}

// unstated says why there is no CapabilityStatement. Without one, a target may
// take results all the same.
func (v *visit) unstated() finding {
	switch v.seen.Fault {
	case writeback.FaultGone, writeback.FaultUnsupported, writeback.FaultRequest:
		return toSee(v.setting("mode"), "set the one that the hospital names", "it has no CapabilityStatement, and is written to in mode %s", v.seen.Mode)
	}
	if v.tokenless && (v.seen.Fault == writeback.FaultLogin || v.seen.Fault == writeback.FaultForbidden) {
		return notLooked("it answers, but shows nothing without an access token")
	}
	v.barred = "it does not answer as it should"
	if v.network.err != nil && v.seen.Fault != writeback.FaultLogin {
		return v.unreachable(v.setting("url"), v.network.err)
	}
	return v.blame(v.seen.Fault, v.seen.Fault.Says())
}

// unreachable is why there was no answer, with the setting of the cause.
func (v *visit) unreachable(setting string, err error) finding {
	var invalid x509.CertificateInvalidError
	var authority x509.UnknownAuthorityError
	var name x509.HostnameError
	var record tls.RecordHeaderError
	var remote *net.OpError
	switch {
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return wrong(v.setting("url"), "have the hospital renew its certificate; see that this machine's clock is right", "the certificate of %s is good from %s to %s only",
			invalid.Cert.Subject.CommonName, invalid.Cert.NotBefore.UTC().Format(time.DateOnly), invalid.Cert.NotAfter.UTC().Format(time.DateOnly))
	case errors.As(err, &authority):
		return wrong(v.setting("tls.ca_file"), "name a file with the authority (PEM) that has signed the target's certificate; ask the hospital for it", "its certificate is signed by an authority that is not known here")
	case errors.As(err, &name):
		return wrong(v.setting("tls.server_name"), "set the name that stands in its certificate, or the URL by that name", "its certificate is for another name: %v", err)
	case errors.As(err, &record):
		return wrong(setting, "see whether it is http, or another port", "it does not speak TLS")
	case errors.As(err, &remote) && remote.Op == "remote error": // an alert of TLS
		return wrong(v.setting("tls.client_cert"), "name the certificate and key that the hospital has given for this service", "it refuses the connection: %v", err)
	}
	return broken(setting, "see that the address is right and that this machine may call it (name, port, firewall, proxy)", "there is no answer: %v", err)
}

// checkCertificate looks at what the target presents, and at ours toward it.
func checkCertificate(_ context.Context, v *visit) []finding {
	var found []finding
	if v.network != nil && v.network.tls != nil && len(v.network.tls.PeerCertificates) > 0 {
		first := v.network.tls.PeerCertificates[0]
		for _, each := range v.network.tls.PeerCertificates {
			if each.NotAfter.Before(first.NotAfter) {
				first = each
			}
		}
		found = append(found, judgeDates(first, v.setting("url"), "have the hospital renew it"))
	}
	if v.target.TLS.ClientCert != "" {
		f := judgeOurs(v.target)
		f.Found = "ours toward it: " + f.Found
		found = append(found, f)
	}
	switch {
	case len(found) > 0:
		return found
	case strings.HasPrefix(v.target.URL, "https:"):
		return []finding{notLooked("it has not shown one")}
	case v.target.Plain():
		return []finding{toSee(v.setting("url"), "use https", "scores travel there readable for all on the way")}
	}
	return []finding{ok("it has none, and is on this machine")}
}

// judgeOurs looks at our certificate toward a target, which has one.
func judgeOurs(t config.Target) finding {
	setting := t.Setting("tls.client_cert")
	pair, err := tls.LoadX509KeyPair(t.TLS.ClientCert, t.TLS.ClientKey)
	if err != nil {
		return wrong(setting, "name a certificate and its key", "%v", err)
	}
	return judgeDates(pair.Leaf, setting, "have it renewed; the file is read again when it changes")
}

// How far clocks may differ: servers allow about a minute, and an assertion of
// ours is good for four (common practice; SMART App Launch 2.2.0 allows five).
const (
	tellSkew = time.Minute
	mostSkew = 4 * time.Minute
)

// checkClock compares our clock with the target's.
func checkClock(_ context.Context, v *visit) []finding {
	if v.network == nil || v.network.date.IsZero() {
		return []finding{notLooked("it has not told its time")}
	}
	const setting = "the clock of this machine"
	const do = "set it by NTP; if it is right, have the hospital set theirs"
	skew := v.network.asked.Sub(v.network.date).Round(time.Second)
	text := "this machine's clock is " + skew.Abs().String() + " ahead of the target's"
	if skew < 0 {
		text = "this machine's clock is " + skew.Abs().String() + " behind the target's"
	}
	switch {
	case skew.Abs() > mostSkew:
		return []finding{broken(setting, do, "%s, too much to log in", text)}
	case skew.Abs() > tellSkew:
		return []finding{toSee(setting, do, "%s; many servers allow a minute when we log in", text)}
	}
	return []finding{ok("it and ours differ by less than a minute")}
}

// needed is the scope that mode and shape need.
func (v *visit) needed() string {
	t := v.target
	t.Auth.Scope = ""
	if v.seen.Mode != "" {
		t.Mode = string(v.seen.Mode)
	}
	return t.Scope()
}

// checkScope compares what was granted with what is needed.
func checkScope(_ context.Context, v *visit) []finding {
	switch {
	case v.target.Auth.Type != config.LoginSMART:
		return []finding{ok("the login has none")}
	case v.tokenless:
		return []finding{notLooked("there is no access token")}
	case v.granted == "":
		return []finding{ok("what was asked for (%s)", v.target.Scope())}
	}
	missing, updates := lacking(v.granted, v.needed())
	if len(missing) == 0 {
		return []finding{ok("all that is needed was granted (%s)", v.needed())}
	}
	if !updates {
		v.barred = "the token does not let us update, so that nothing could be taken back"
	}
	return []finding{wrong(v.setting("auth.scope"), "have the hospital allow this client "+v.needed()+", and ask for that", "the access token lacks %s", strings.Join(missing, " "))}
}

// lacking gives what of the scopes needed is not granted, and whether all that may
// be written may be updated too.
func lacking(granted, needed string) (missing []string, updates bool) {
	have, _, _ := auth.ParseScopes(granted) // what cannot be read grants nothing
	want, _, _ := auth.ParseScopes(needed)
	updates = true
	for _, w := range want {
		left := w.Allows
		for _, h := range have {
			if h.Context == w.Context && (h.Type == "*" || h.Type == w.Type) && len(h.Filters) == 0 {
				left &^= h.Allows
			}
		}
		if left != 0 {
			missing = append(missing, string(w.Context)+"/"+w.Type+"."+left.String())
			updates = updates && left&auth.Update == 0
		}
	}
	return missing, updates
}

// flyer is the canary of this installation at the target.
func (v *visit) flyer() writeback.Canary {
	return writeback.Canary{
		Target: v.writer(), Seen: v.seen, Patient: v.target.CheckPatient,
		Identifier: uuid.NewSHA1(uuid.NameSpaceURL, []byte(v.settings.BaseURL)).String(),
		Timeout:    v.target.RequestTimeout(), Interval: v.target.Interval(),
	}
}

// checkAccess searches, as every delivery may have to.
func checkAccess(ctx context.Context, v *visit) []finding {
	if v.tokenless || v.barred != "" && v.seen.Fault != writeback.FaultNone || v.way == nil {
		return []finding{notLooked("%s", orUnreached(v.barred))}
	}
	flight, err := v.flyer().Look(ctx)
	switch {
	case err != nil:
		return []finding{wrong(v.setting("url"), "", "%v", err)}
	case flight.Failed != "":
		v.barred = "it does not let us search, so that what was written might not be found again"
		return []finding{v.failed(flight)}
	case flight.Left != "" && !v.canary:
		return []finding{toSee(v.setting("url"), "run tidemark check, which takes it back", "a test of an earlier check was left there: %s", flight.Left)}
	}
	return []finding{ok("it lets us search by identifier")}
}

func orUnreached(why string) string {
	if why == "" {
		return "it was not reached"
	}
	return why
}

// checkCanary writes the canary and takes it back.
func checkCanary(ctx context.Context, v *visit) []finding {
	switch {
	case !v.canary:
		return []finding{notLooked("nothing is written there")}
	case v.barred != "" || v.way == nil:
		return []finding{notLooked("no test is written there: %s", orUnreached(v.barred))}
	}
	flight, err := v.flyer().Fly(ctx)
	if err != nil {
		return []finding{wrong(v.setting("url"), "", "%v", err)}
	}
	var found []finding
	if flight.Earlier {
		found = append(found, ok("a test of an earlier check had been left there and is entered in error now"))
	}
	if flight.Left != "" {
		found = append(found, wrong(v.setting("auth.type"), "enter it in error or remove it there, or check again once updates are allowed", "the test could not be taken back: %s", flight.Left))
	}
	if flight.Overwrites {
		found = append(found, toSee(v.setting("mode"), "set "+string(v.seen.Safer), "it takes a conditional update whatever If-None-Match says, so that a request held up on the way could put an older result over a newer one"))
	}
	if r := flight.ReadBack; r.Checked && !r.Complete() {
		found = append(found, toSee(v.setting("shape"), "if results need them, choose another shape, or other codings", "it did not keep what it was sent: %s", inWordsOf(r)))
	}
	switch {
	case flight.Failed != "":
		return append(found, v.failed(flight))
	case flight.Locked != "":
		return append(found, toSee(v.setting("url"), "remove it there to try writing again", "%s of an earlier check is entered in error, and the target lets nobody change it any more, so that nothing could be tried", flight.Locked))
	}
	return append(found, ok("a test was written, read, entered in error and read again"))
}

func inWordsOf(r writeback.ReadBack) string {
	var parts []string
	if len(r.Dropped) > 0 {
		parts = append(parts, "dropped "+strings.Join(r.Dropped, ", "))
	}
	if len(r.Changed) > 0 {
		parts = append(parts, "changed "+strings.Join(r.Changed, ", "))
	}
	return strings.Join(parts, "; ")
}

// failed is a step of the canary that failed.
func (v *visit) failed(f writeback.Flight) finding {
	return v.blame(f.Fault, fmt.Sprintf("%s: %s", f.Failed, f.Text))
}

// blame names the setting that a fault of the target may come from.
func (v *visit) blame(f writeback.Fault, text string) finding {
	blamed := func(make func(setting, do, format string, args ...any) finding, path, do string) finding {
		return make(v.setting(path), do, "%s", text)
	}
	credentials := map[string]string{config.LoginNone: "auth.type", config.LoginBasic: "auth.password_file", config.LoginBearer: "auth.token_file", config.LoginSMART: "auth.client_id"}[v.target.Auth.Type]
	switch f {
	case writeback.FaultLogin:
		return blamed(wrong, credentials, "set what the hospital gave for this service; if that is right, it does not accept it for this address")
	case writeback.FaultForbidden:
		if v.target.Auth.Type == config.LoginSMART {
			credentials = "auth.scope"
		}
		return blamed(wrong, credentials, "have the hospital allow this service to read, search, create and update, as "+v.needed()+" says")
	case writeback.FaultNotFHIR, writeback.FaultRedirect, writeback.FaultType, writeback.FaultTooLarge:
		return blamed(wrong, "url", "set the base of the FHIR server itself")
	case writeback.FaultUnsupported, writeback.FaultUnsearchable, writeback.FaultRequest:
		return blamed(wrong, "mode", "set one that it offers, or have the hospital allow what is needed")
	case writeback.FaultContent:
		if v.target.CheckPatient == "" {
			return blamed(wrong, "check_patient", "name a test patient there if it takes nothing without one; else choose the shape, category and codings that it takes")
		}
		return blamed(wrong, "shape", "choose the shape, category and codings that it takes, and see that check_patient is a patient there")
	case writeback.FaultAmbiguous:
		return blamed(wrong, "mode", "remove all but one there; if this comes again, set conditional-create-then-update, or conditional-update, if it does what it says")
	case writeback.FaultThrottled:
		return blamed(broken, "rate", "set as many requests a second as the hospital allows")
	case writeback.FaultTimeout:
		return blamed(broken, "timeout", "ask the hospital, or let it take longer")
	default:
		return blamed(broken, "url", "ask the hospital; check again later")
	}
}
