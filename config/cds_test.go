package config_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/config"
)

func TestCDSClients(t *testing.T) {
	t.Parallel()
	const ehr = "https://ehr.brindlemoor.example"
	read := func(t *testing.T, clients string) config.Settings {
		t.Helper()
		s, err := config.Read("", env("TIDEMARK_AUTH", "token", "TIDEMARK_AUTH_ISSUERS", "https://login.brindlemoor.example", "TIDEMARK_CDS_CLIENTS", clients))
		require.NoError(t, err)
		return s
	}
	t.Run("are none by default", func(t *testing.T) {
		t.Parallel()
		s := read(t, "")
		require.NoError(t, s.Check())
		callers, faults := s.Callers()
		require.Empty(t, callers)
		require.Empty(t, faults)
	})
	t.Run("say by what key they prove themselves and whom they may ask about", func(t *testing.T) {
		t.Parallel()
		keys := write(t, "{}")
		s := read(t, ehr+" jwks="+ehr+"/jwks.json patients=local, https://b.example jwks="+keys+" tenant=clinic fhir=https://b.example/fhir/ identifier=https://b.example/mrn identifier=urn:oid:1.2.3")
		require.NoError(t, s.Check())
		callers, faults := s.Callers()
		require.Empty(t, faults)
		require.Equal(t, []config.Caller{
			{Issuer: ehr, JWKS: ehr + "/jwks.json", Local: true},
			{Issuer: "https://b.example", JWKS: keys, Tenant: "clinic", FHIRBase: "https://b.example/fhir", Identifiers: []string{"https://b.example/mrn", "urn:oid:1.2.3"}},
		}, callers)
		require.True(t, callers[0].JWKSURL())
		require.False(t, callers[1].JWKSURL())
	})
	t.Run("are refused where they say too little, or two of them the same", func(t *testing.T) {
		t.Parallel()
		jwks := " jwks=" + ehr + "/jwks.json"
		for clients, fault := range map[string]string{
			"ehr" + jwks + " patients=local":                "absolute https URL",
			ehr + " patients=local":                         "jwks is neither",
			ehr + " jwks=none.json patients=local":          "jwks is neither",
			ehr + jwks:                                      "whom it may ask about",
			ehr + jwks + " patients=all":                    "only be local",
			ehr + jwks + " fhir=ehr":                        "absolute URL of its FHIR base",
			ehr + jwks + " fhir=http://127.0.0.1:8080/fhir": "this server itself",
			ehr + jwks + " scope=all":                       "none of jwks",
			ehr + jwks + " patients=local," + ehr + jwks + " fhir=https://a.example":    "there twice",
			ehr + jwks + " patients=local,https://b.example" + jwks + " patients=local": "one id cannot be two people",
		} {
			err := read(t, clients).Check()
			require.ErrorContains(t, err, "TIDEMARK_CDS_CLIENTS: ", clients)
			require.ErrorContains(t, err, fault, clients)
		}
	})
	t.Run("are not asked for where nobody is", func(t *testing.T) {
		t.Parallel()
		s, err := config.Read("", env("TIDEMARK_AUTH", "off", "TIDEMARK_CDS_CLIENTS", ehr+" jwks="+ehr+"/k patients=local"))
		require.NoError(t, err)
		require.ErrorContains(t, s.Check(), "TIDEMARK_CDS_CLIENTS: TIDEMARK_AUTH=off")
	})
}
