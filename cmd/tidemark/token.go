package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"

	"tidemark.example/tidemark/api/auth/authserver"
	"tidemark.example/tidemark/fhir/writeback"
	"tidemark.example/tidemark/fhir/writeback/login"
)

func tokenHelp(out io.Writer) {
	fmt.Fprint(out, "  --base URL    FHIR base of the server (default http://127.0.0.1:8080/fhir)\n"+
		"  --client ID   the client_id that is registered in the file of TIDEMARK_AUTH_CLIENTS\n"+
		"  --key FILE    the client's keys, made by tidemark keys make\n"+
		"  --scope TEXT  the scopes asked for (default system/*.rs)\n\n"+
		"It prints the token alone, which is a secret for the minutes that it lives.\n")
}

// token is a backend service that tries the token endpoint out.
func token(ctx context.Context, p *program, args []string) int {
	flags := flag.NewFlagSet("token", flag.ContinueOnError)
	base := flags.String("base", "http://127.0.0.1:8080/fhir", "")
	client, file := flags.String("client", "", ""), flags.String("key", "", "")
	scope := flags.String("scope", "system/*.rs", "")
	if err := p.parse(flags, args); err != nil {
		return p.fail(exitUsage, err)
	}
	if *client == "" || *file == "" {
		return p.fail(exitUsage, errors.New("token needs --client and --key; see tidemark token --help"))
	}
	ring, err := authserver.ReadRing(*file)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	network, err := login.NewNetwork(*base, login.Files{}, nil, nil)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	asking, err := login.NewClient(login.ClientOptions{Base: *base, ID: *client, Scope: *scope, Keys: ring, Transport: network})
	if err != nil {
		return p.fail(exitUsage, err)
	}
	given, err := asking.Token(ctx)
	switch {
	case errors.Is(err, writeback.ErrLogin):
		return p.fail(exitFound, fmt.Errorf("the server gives no token: %w", err))
	case err != nil:
		return p.fail(exitEnvironment, err)
	}
	fmt.Fprintln(p.out, given.Text)
	return exitFine
}
