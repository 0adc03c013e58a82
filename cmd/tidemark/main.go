// Command tidemark turns questionnaire responses about eczema into SCORAD
// Observations: as a server, or on files. `tidemark help` says more.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"text/tabwriter"

	"tidemark.example/tidemark/scoring"
)

// Exit codes of every command.
const (
	exitFine        = 0
	exitFound       = 1 // some inputs were refused, or differences were found
	exitUsage       = 2 // usage or configuration
	exitEnvironment = 3 // database or network
)

// program is what a command may touch, so that a test can stand in for it.
type program struct {
	in       io.Reader
	out, err io.Writer
	getenv   func(string) string
	// algorithms are the versions of the arithmetic that there are.
	algorithms scoring.Algorithms
}

// command is one of the program's; more, if there is any, writes what help says
// beyond the one line.
type command struct {
	name, args, help string
	run              func(context.Context, *program, []string) int
	more             func(io.Writer)
}

func commands() []command {
	return []command{
		{"demo", "[--once]", "the whole story on this machine, with invented patients and a stand-in hospital server", demo, demoHelp},
		{"serve", "[--config FILE]", "the FHIR server and the write-back", serve, settingsHelp},
		{"check", "[--no-canary] [--json] [--config FILE]", "see that everything the server needs is right, before it is needed: clock, keys, TLS, database, each target", check, checkHelp},
		{"score", "[--form FILE] [FILE...|-]", "score responses from JSON, NDJSON or Bundles without storing anything", score, scoreHelp},
		{"verify", "[--algorithm VERSION] [--bands SET] [--write]", "compute every stored score again, follow the audit trail, and report what differs; or rescore", verify, verifyHelp},
		{"report", "--patient REF [--out FILE]", "draw a patient's page for a visit, as PDF or SVG", writeReport, reportHelp},
		{"deliveries", "list|retry|drop|want", "see and decide what a running server delivers", deliveries, deliveriesHelp},
		{"backup", "--to FILE", "copy the SQLite database, also while a server uses it, and check the copy", backup, backupHelp},
		{"restore", "--from FILE", "put a backup that was verified in the place of the SQLite database, of a server that is stopped", restore, restoreHelp},
		{"keys", "make|show|rotate|public FILE", "signing keys of the token endpoint, or of a client", keys, keysHelp},
		{"token", "--client ID --key FILE", "get an access token from the token endpoint of a running server", token, tokenHelp},
		{"healthcheck", "[--config FILE] [URL]", "ask a running server whether it is ready", healthcheck, healthcheckHelp},
		{"version", "", "program and algorithm version", printVersion, nil},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the program at once
	p := &program{in: os.Stdin, out: os.Stdout, err: os.Stderr, getenv: os.Getenv, algorithms: scoring.Published()}
	code := p.run(ctx, os.Args[1:])
	stop()
	os.Exit(code)
}

func (p *program) run(ctx context.Context, args []string) int {
	if len(args) == 0 || args[0] == "help" || asksHelp(args[0]) {
		p.help()
		return exitFine
	}
	for _, c := range commands() {
		if c.name == args[0] {
			if slices.ContainsFunc(args[1:], asksHelp) {
				c.explain(p.out)
				return exitFine
			}
			return c.run(ctx, p, args[1:])
		}
	}
	fmt.Fprintf(p.err, "tidemark: there is no command %q; see tidemark help\n", args[0])
	return exitUsage
}

func asksHelp(arg string) bool { return slices.Contains([]string{"-h", "-help", "--help"}, arg) }

// explain writes the help of one command.
func (c command) explain(out io.Writer) {
	fmt.Fprintf(out, "%s\n\n%s.\n", strings.TrimSpace("tidemark "+c.name+" "+c.args), c.help)
	if c.more != nil {
		fmt.Fprintln(out)
		c.more(out)
	}
}

// parse reads a command's flags; there are no arguments besides them.
func (p *program) parse(flags *flag.FlagSet, args []string) error {
	flags.SetOutput(io.Discard)
	if err := flags.Parse(args); err != nil {
		return fmt.Errorf("%w; see tidemark %s --help", err, flags.Name())
	}
	if flags.NArg() > 0 {
		return fmt.Errorf("%s takes no argument %q; see tidemark %[1]s --help", flags.Name(), flags.Arg(0))
	}
	return nil
}

func (p *program) help() {
	fmt.Fprint(p.out, "Tidemark takes completed eczema assessments as FHIR QuestionnaireResponses, computes SCORAD\n"+
		"and gives it back as an Observation. It supports, and never replaces, a clinician's judgement.\n\n")
	table := tabwriter.NewWriter(p.out, 0, 0, 1, ' ', 0)
	for _, c := range commands() {
		fmt.Fprintf(table, "  tidemark %s\t%s\t%s\n", c.name, c.args, c.help)
	}
	_ = table.Flush() // to where nobody may be reading
	fmt.Fprint(p.out, "\nStart with: tidemark demo\nSettings: tidemark serve --help\n"+
		"Exit codes: 0 fine, 1 inputs refused or differences found, 2 usage or configuration, 3 database or network.\n")
}

// fail tells what went wrong and what to do.
func (p *program) fail(code int, err error) int {
	if errors.Is(err, context.Canceled) {
		return exitFine
	}
	fmt.Fprintln(p.err, "tidemark:", err)
	return code
}
