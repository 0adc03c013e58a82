package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"tidemark.example/tidemark/scoring"
)

// version is the program's, from the build.
func version() string {
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

// healthcheck asks the admin listener, for containers that have no curl.
func healthcheck(ctx context.Context, p *program, args []string) int {
	url := "http://127.0.0.1:9464/readyz"
	if address := p.getenv("TIDEMARK_ADMIN_LISTEN"); address != "" {
		url = "http://" + address + "/readyz"
	}
	if len(args) > 0 {
		url = args[0]
	}
	if len(args) > 1 || !strings.HasPrefix(url, "http://") && !strings.HasPrefix(url, "https://") {
		return p.fail(exitUsage, errors.New("healthcheck takes one http or https URL"))
	}
	ctx, cancel := context.WithTimeout(ctx, healthTimeout)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	response, err := http.DefaultClient.Do(request)
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
