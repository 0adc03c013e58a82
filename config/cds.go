package config

import (
	"fmt"
	"os"
	"strings"
)

// CDS are the settings of CDS Hooks.
type CDS struct {
	// CDSClients lists the EHRs whose calls are answered; see Callers.
	CDSClients string
}

func cdsSettings() []Setting {
	return []Setting{
		{"TIDEMARK_CDS_CLIENTS", "", "EHRs whose CDS Hooks calls are answered, separated by commas or as a list: URL that is iss of their JWTs, and after spaces jwks=URL or FILE, tenant=ID, and whom they may ask about: fhir=BASE of their FHIR server, patients=local, identifier=SYSTEM", func(s *Settings) *string { return &s.CDSClients }},
	}
}

// Caller is an EHR whose calls are answered.
type Caller struct {
	// Issuer is iss of its JWTs; JWKS the address or the file of its keys; Tenant
	// what tenant must be, "" for any.
	Issuer, JWKS, Tenant string
	// FHIRBase is the base of its FHIR server, "" if its patients are not named by
	// it; Local says that Patient/[id] of this server are its patients.
	FHIRBase string
	Local    bool
	// Identifiers are the systems by which its prefetch may name a patient.
	Identifiers []string
}

// JWKSURL says whether the keys are at an address, not in a file.
func (c Caller) JWKSURL() bool { return isHTTP(c.JWKS) }

// Callers reads the CDSClients, with all that is wrong with them.
func (c CDS) Callers() (callers []Caller, faults []error) {
	seen, local := map[string]bool{}, ""
	for _, text := range listed(c.CDSClients) {
		caller, wrong := parseCaller(text)
		faults = append(faults, wrong...)
		if seen[caller.Issuer] {
			faults = append(faults, fmt.Errorf("%s: it is there twice", caller.Issuer))
		}
		if caller.Local && local != "" {
			faults = append(faults, fmt.Errorf("%s: patients=local is said of %s already, and one id cannot be two people", caller.Issuer, local))
		}
		if seen[caller.Issuer] = true; caller.Local {
			local = caller.Issuer
		}
		callers = append(callers, caller)
	}
	return callers, faults
}

// parseCaller reads one, with all that is wrong with it.
func parseCaller(text string) (c Caller, faults []error) {
	parts := strings.Fields(text)
	c.Issuer = parts[0]
	bad := func(format string, args ...any) {
		faults = append(faults, fmt.Errorf("%s: %w", c.Issuer, fmt.Errorf(format, args...)))
	}
	for _, part := range parts[1:] {
		name, value, _ := strings.Cut(part, "=")
		switch name {
		case "jwks":
			c.JWKS = value
		case "tenant":
			c.Tenant = value
		case "fhir":
			c.FHIRBase = strings.TrimSuffix(value, "/")
		case "identifier":
			c.Identifiers = append(c.Identifiers, value)
		case "patients":
			if c.Local = value == "local"; !c.Local {
				bad("patients can only be local")
			}
		default:
			bad("%q is none of jwks, tenant, fhir, patients, identifier", name)
		}
	}
	c.check(bad)
	return c, faults
}

func (c *Caller) check(bad func(format string, args ...any)) {
	if !isHTTP(c.Issuer) {
		bad("an EHR begins with the absolute https URL that is iss of its JWTs")
	}
	if !c.JWKSURL() {
		if _, err := os.Stat(c.JWKS); err != nil {
			bad("jwks is neither an absolute URL nor a file: %w", err)
		}
	}
	if c.FHIRBase != "" && !isHTTP(c.FHIRBase) {
		bad("fhir must be the absolute URL of its FHIR base")
	}
	if c.FHIRBase == "" && !c.Local && len(c.Identifiers) == 0 {
		bad("say whom it may ask about: fhir, patients or identifier")
	}
}

// checkCDS reports what is wrong with the CDS.
func (s *Settings) checkCDS(bad func(name, format string, args ...any)) {
	callers, faults := s.Callers()
	for _, fault := range faults {
		bad("TIDEMARK_CDS_CLIENTS", "%v", fault)
	}
	for _, caller := range callers {
		if caller.FHIRBase == s.BaseURL {
			bad("TIDEMARK_CDS_CLIENTS", "%s: fhir is this server itself; say patients=local", caller.Issuer)
		}
	}
	if s.Auth == "off" && len(callers) > 0 {
		bad("TIDEMARK_CDS_CLIENTS", "TIDEMARK_AUTH=off asks for no JWT and answers everybody on this machine; take the one or the other away")
	}
}
