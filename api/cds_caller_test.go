package api_test

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"maps"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

// Two invented EHRs: the first has the patients of this server, the other those of
// its own.
const (
	ehr      = "https://ehr.brindlemoor.example"
	ehrKeys  = ehr + "/jwks.json"
	otherEHR = "https://ehr.saltmarsh.example"
	otherMRN = "https://saltmarsh.example/mrn"
)

var otherRing = sync.OnceValue(func() *authserver.Ring {
	ring, err := authserver.NewRing("RS384", time.Now())
	if err != nil {
		panic(err)
	}
	return ring
})

// newCDSRig has both EHRs as clients, and tokens for FHIR.
func newCDSRig(t testing.TB, adjust ...func(*api.Options)) *authRig {
	t.Helper()
	return newAuthRig(t, append([]func(*api.Options){func(o *api.Options) {
		o.CDS = &api.CDS{Now: func() time.Time { return cdsNow }, Clients: []api.CDSClient{
			{Issuer: ehr, Keys: auth.NewFixedKeys(loginRing().Public()), JWKSURL: ehrKeys, Local: true},
			{Issuer: otherEHR, Keys: auth.NewFixedKeys(otherRing().Public()), Tenant: "saltmarsh-clinic", FHIRBase: otherEHR + "/fhir", Identifiers: []string{otherMRN}},
		}}
	}}, adjust...)...)
}

// jwt is one of an EHR for the service; nil takes a claim away.
func (r *authRig) jwt(ring *authserver.Ring, issuer string, more ...claims) string {
	r.t.Helper()
	text, err := ring.Sign("JWT", r.jwtClaims(issuer, more...))
	require.NoError(r.t, err)
	return text
}

func (r *authRig) jwtClaims(issuer string, more ...claims) claims {
	now := time.Now().Unix()
	all := claims{"iss": issuer, "aud": api.CDSServiceURL(r.base), "exp": now + 290, "iat": now - 5, "jti": random()}
	for _, each := range more {
		maps.Copy(all, each)
	}
	for name, value := range all {
		if value == nil {
			delete(all, name)
		}
	}
	return all
}

// byHand makes a token with any header, signed by HMAC with a key, or not at all.
func byHand(header, body claims, key []byte) string {
	part := func(v any) string {
		data, _ := json.Marshal(v)
		return base64.RawURLEncoding.EncodeToString(data)
	}
	text := part(header) + "." + part(body)
	if key == nil {
		return text + "."
	}
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(text))
	return text + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

// TestCDSCallers: who is answered, by the JWT of CDS Hooks 2.0, "Trusting CDS
// Clients".
func TestCDSCallers(t *testing.T) {
	t.Parallel()
	r := newCDSRig(t)
	r.keep(filledFor(oonaID, random()))
	call := func(jwt string) answer {
		return r.do(http.MethodPost, cdsService, hookCall(oonaID), "Content-Type", "application/json", "Authorization", "Bearer "+jwt)
	}
	good := r.jwt(loginRing(), ehr)
	require.Equal(t, 1, r.call(hookCall(oonaID), "Authorization", "Bearer "+good).count("cards"))
	require.Equal(t, 1, r.call(hookCall(oonaID), "Authorization", "Bearer "+r.jwt(loginRing(), ehr, claims{"aud": []string{"https://other.example", api.CDSServiceURL(r.base)}, "tenant": "any"})).count("cards"))

	now := time.Now().Unix()
	public, err := json.Marshal(loginRing().Public())
	require.NoError(t, err)
	kid := loginRing().Public()[0].ID
	for name, c := range map[string]struct{ jwt, code string }{
		"used before":             {good, "unknown"},
		"another audience":        {r.jwt(loginRing(), ehr, claims{"aud": "https://elsewhere.example/cds-services/x"}), "unknown"},
		"the FHIR base":           {r.jwt(loginRing(), ehr, claims{"aud": r.base}), "unknown"},
		"the discovery":           {r.jwt(loginRing(), ehr, claims{"aud": api.CDSURL(r.base)}), "unknown"},
		"no audience":             {r.jwt(loginRing(), ehr, claims{"aud": nil}), "unknown"},
		"expired":                 {r.jwt(loginRing(), ehr, claims{"exp": now - 60}), "expired"},
		"no exp":                  {r.jwt(loginRing(), ehr, claims{"exp": nil}), "unknown"},
		"good for too long":       {r.jwt(loginRing(), ehr, claims{"exp": now + 3600}), "unknown"},
		"no iat":                  {r.jwt(loginRing(), ehr, claims{"iat": nil}), "unknown"},
		"iat ahead":               {r.jwt(loginRing(), ehr, claims{"iat": now + 120}), "unknown"},
		"no jti":                  {r.jwt(loginRing(), ehr, claims{"jti": nil}), "unknown"},
		"unknown issuer":          {r.jwt(loginRing(), "https://unknown.example"), "unknown"},
		"no issuer":               {r.jwt(loginRing(), ehr, claims{"iss": nil}), "unknown"},
		"the key of another":      {r.jwt(otherRing(), ehr), "unknown"},
		"an access token":         {r.token("system/*.rs", ""), "unknown"},
		"alg none":                {byHand(claims{"alg": "none", "typ": "JWT", "kid": kid}, r.jwtClaims(ehr), nil), "unknown"},
		"HS256 with a public key": {byHand(claims{"alg": "HS256", "typ": "JWT", "kid": kid}, r.jwtClaims(ehr), public), "unknown"},
		"a jku of its own":        {byHand(claims{"alg": "ES384", "typ": "JWT", "kid": kid, "jku": "https://elsewhere.example/keys"}, r.jwtClaims(ehr), public), "unknown"},
		"another tenant":          {r.jwt(otherRing(), otherEHR, claims{"tenant": "elsewhere"}), "unknown"},
		"no tenant":               {r.jwt(otherRing(), otherEHR), "unknown"},
		"tenant no text":          {r.jwt(otherRing(), otherEHR, claims{"tenant": 7}), "unknown"},
		"changed":                 {good[:len(good)-8] + "AAAAAAAA", "unknown"},
	} {
		t.Run(name, func(t *testing.T) {
			a := call(c.jwt)
			a.wrong(http.StatusUnauthorized, c.code, "")
			require.Contains(t, a.header.Get("WWW-Authenticate"), `Bearer realm="cds-hooks", error="invalid_token"`)
			require.NotContains(t, string(a.body), "cards")
		})
	}
	none := r.do(http.MethodPost, cdsService, hookCall(oonaID))
	none.wrong(http.StatusUnauthorized, "login", "")
	require.Equal(t, `Bearer realm="cds-hooks"`, none.header.Get("WWW-Authenticate"))
	r.do(http.MethodPost, cdsService+"?access_token="+good, hookCall(oonaID)).wrong(http.StatusBadRequest, "login", "")
	r.do(http.MethodPost, cdsService, `{}`, "Authorization", "Bearer x").wrong(http.StatusUnauthorized, "unknown", "") // before the body is read

	// Such a JWT opens nothing of FHIR.
	r.as(r.jwt(loginRing(), ehr, claims{"iss": login, "aud": r.base, "scope": "system/*.rs", "sub": "x", "client_id": "x"}), http.MethodGet, "/fhir/Observation", "").refused(http.StatusUnauthorized, "unknown")
	require.NotContains(t, r.log.String(), good)
}

// TestCDSJWTIsGoodOnce, for all of many that come at once.
func TestCDSJWTIsGoodOnce(t *testing.T) {
	t.Parallel()
	r := newCDSRig(t)
	jwt := r.jwt(loginRing(), ehr)
	var mu sync.Mutex
	var all sync.WaitGroup
	seen := map[int]int{}
	for range 8 {
		all.Go(func() {
			a, err := send(r.origin, http.MethodPost, cdsService, hookCall(oonaID), "Content-Type", "application/json", "Authorization", "Bearer "+jwt)
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				seen[a.status]++
			}
		})
	}
	all.Wait()
	require.Equal(t, map[int]int{http.StatusOK: 1, http.StatusUnauthorized: 7}, seen)
}

// TestCDSClientsSeeTheirOwnPatients: one id at two hospitals is two people.
func TestCDSClientsSeeTheirOwnPatients(t *testing.T) {
	t.Parallel()
	r := newCDSRig(t)
	keep := func(subject, itch string) {
		body := filledFor(oonaID, random())
		body.itch = itch
		text := strings.Replace(body.json(), `"subject":{"reference":"Patient/`+oonaID+`"}`, `"subject":`+subject, 1)
		a := r.as(r.everything(), http.MethodPost, "/fhir/QuestionnaireResponse", text)
		require.Equal(t, http.StatusCreated, a.status, "%s", a.body)
	}
	keep(`{"reference":"`+otherEHR+`/fhir/Patient/`+oonaID+`"}`, "1")      // 37.00
	keep(`{"identifier":{"system":"`+otherMRN+`","value":"0018"}}`, "2")   // 38.00
	keep(`{"identifier":{"system":"https://a.example","value":"1"}}`, "3") // 39.00
	keep(`{"reference":"Patient/`+oonaID+`"}`, "0")                        // 36.00, and the last, which would win
	ours := func(more ...string) answer {
		return r.call(hookCall(oonaID, more...), "Authorization", "Bearer "+r.jwt(loginRing(), ehr))
	}
	theirs := func(patient string, more ...string) answer {
		return r.do(http.MethodPost, cdsService, hookCall(patient, more...), "Content-Type", "application/json", "Authorization", "Bearer "+r.jwt(otherRing(), otherEHR, claims{"tenant": "saltmarsh-clinic"}))
	}
	named := func(patient, system, value string) string {
		return `,"prefetch":{"patient":{"resourceType":"Patient","id":"` + patient + `","identifier":[{"system":"` + system + `","value":"` + value + `"}]}}`
	}
	require.Contains(t, ours().text("cards", 0, "summary"), "36.00")
	require.Contains(t, ours(`,"fhirServer":"`+otherEHR+`/fhir"`).text("cards", 0, "summary"), "36.00", "naming another's server gives nothing more")
	require.Contains(t, ours(named(oonaID, otherMRN, "0018")).text("cards", 0, "summary"), "36.00", "nor does another's identifier")
	require.Contains(t, theirs(oonaID).text("cards", 0, "summary"), "37.00")
	require.Contains(t, theirs(oonaID, `,"fhirServer":"`+otherEHR+`/fhir/"`).text("cards", 0, "summary"), "37.00")
	require.Contains(t, theirs("18", named("18", otherMRN, "0018")).text("cards", 0, "summary"), "38.00")
	require.Zero(t, theirs("1", named("1", "https://a.example", "1")).count("cards"))
	require.Zero(t, theirs(casperID).count("cards"))
	theirs(oonaID, `,"fhirServer":"`+ehr+`/fhir"`).wrong(http.StatusForbidden, "forbidden", "fhirServer")
}

// TestCDSCallsAreOnRecord: who asked, for whom, and what became of it.
func TestCDSCallsAreOnRecord(t *testing.T) {
	t.Parallel()
	r := newCDSRig(t)
	r.keep(filledFor(oonaID, random()))
	jwt := claims{"jti": "an-invented-jti"}
	r.call(hookCall(oonaID), "Authorization", "Bearer "+r.jwt(loginRing(), ehr, jwt))
	record := r.newest()
	require.Equal(t, "Patient/"+oonaID, record.Patient)
	require.Equal(t, ehr, record.Client)
	require.Equal(t, "operation", record.Subtype)
	require.Equal(t, "0", record.Outcome)
	require.Contains(t, string(record.Event), "an-invented-jti")
	query := base64.StdEncoding.EncodeToString([]byte("cds-services/scorad-patient-view?patientId=" + oonaID + "&userId=Practitioner%2Firis-fenwarden"))
	require.Contains(t, string(record.Event), query)
	r.do(http.MethodPost, cdsService, hookCall(oonaID), "Authorization", "Bearer "+r.jwt(loginRing(), ehr, jwt)).wrong(http.StatusUnauthorized, "unknown", "")
	refused := r.newest()
	require.Equal(t, "4", refused.Outcome)
	require.Contains(t, string(refused.Event), "110122", "DCM's code of a login")
}

// TestCDSWhileTheDatabaseIsGone: a JWT that could be used twice is not taken.
func TestCDSWhileTheDatabaseIsGone(t *testing.T) {
	t.Parallel()
	r := newCDSRig(t)
	require.NoError(t, r.store.Close())
	a := r.do(http.MethodPost, cdsService, hookCall(oonaID), "Content-Type", "application/json", "Authorization", "Bearer "+r.jwt(loginRing(), ehr))
	a.wrong(http.StatusServiceUnavailable, "transient", "")
	require.NotEmpty(t, a.header.Get("Retry-After"))
}
