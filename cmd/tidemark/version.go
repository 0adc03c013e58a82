package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/scoring"
)

// release is the version that deploy/release/build was told, "" for other builds.
var release string

// version is the program's, from the build.
func version() string {
	if release != "" {
		return release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "unknown"
	}
	return info.Main.Version
}

func printVersion(_ context.Context, p *program, args []string) int {
	if len(args) > 0 {
		return p.fail(exitUsage, fmt.Errorf("version takes no argument %q", args[0]))
	}
	fmt.Fprintf(p.out, "tidemark %s, SCORAD algorithm %s\n", version(), scoring.AlgorithmVersion)
	return exitFine
}

const healthTimeout = 5 * time.Second

func healthcheckHelp(out io.Writer) {
	fmt.Fprint(out, "Asks whether the server takes requests, for containers that have no curl: the admin listener of the settings, from this\n"+
		"machine, or the URL given.\n\n"+
		"  --config FILE  settings, as for serve\n\n"+
		"Exit codes: 0 ready, 1 not ready, 2 usage or configuration, 3 nothing answers.\n")
}

// probe is what to ask, and how.
func (p *program) probe(args []string) (string, *http.Client, error) {
	flags := flag.NewFlagSet("healthcheck", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	file := flags.String("config", "", "")
	if err := flags.Parse(args); err != nil {
		return "", nil, fmt.Errorf("%w; see tidemark healthcheck --help", err)
	}
	if url := flags.Arg(0); flags.NArg() == 1 && (strings.HasPrefix(url, "http://") || strings.HasPrefix(url, "https://")) {
		return url, http.DefaultClient, nil
	}
	if flags.NArg() > 0 {
		return "", nil, errors.New("healthcheck takes one http or https URL")
	}
	s, err := config.Read(*file, p.getenv)
	if err != nil {
		return "", nil, err
	}
	base, err := adminAddress(&s)
	if err != nil {
		return "", nil, err
	}
	client, err := adminClient(&s)
	return base + "/readyz", client, err
}

// healthcheck asks the admin listener, for containers that have no curl.
func healthcheck(ctx context.Context, p *program, args []string) int {
	url, client, err := p.probe(args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	ctx, cancel := context.WithTimeout(ctx, healthTimeout)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	response, err := client.Do(request)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	defer response.Body.Close()
	if response.StatusCode != http.StatusOK {
		return p.fail(exitFound, fmt.Errorf("not ready: %s answered %s", url, response.Status))
	}
	fmt.Fprintln(p.out, "ready")
	return exitFine
}
