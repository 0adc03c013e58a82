package main

import (
	"errors"
	"fmt"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/config"
)

// cdsHooks makes the CDS Hooks service out of the settings. Where requests are not
// authorised, on this machine, it answers everybody.
func cdsHooks(s *config.Settings) (*api.CDS, error) {
	if s.Auth == "off" {
		return &api.CDS{Open: true}, nil
	}
	callers, _ := s.Callers() // Check has refused what is none
	cds := &api.CDS{}
	var faults []error
	for _, caller := range callers {
		client := api.CDSClient{Issuer: caller.Issuer, Tenant: caller.Tenant, FHIRBase: caller.FHIRBase, Local: caller.Local, Identifiers: caller.Identifiers}
		var err error
		if caller.JWKSURL() {
			client.JWKSURL = caller.JWKS
			client.Keys, err = auth.NewURLKeys(caller.JWKS, nil, nil)
		} else {
			client.Keys, err = auth.NewFileKeys(caller.JWKS, nil)
		}
		if err != nil {
			faults = append(faults, fmt.Errorf("TIDEMARK_CDS_CLIENTS: %s: %w", caller.Issuer, err))
		}
		cds.Clients = append(cds.Clients, client)
	}
	if err := errors.Join(faults...); err != nil {
		return nil, &badSetting{err}
	}
	return cds, nil
}
