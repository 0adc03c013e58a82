package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
)

func checkHelp(out io.Writer) {
	fmt.Fprint(out, "It looks at everything that the server needs, before a family waits for it, and says for whatever is not right\n"+
		"which setting to change and how:\n\n"+
		"  settings     all of them can be served with; if not, only the database is looked at besides\n"+
		"  database     it answers a write, its schema is this program's, commits are on disk, there is room\n"+
		"  base-url     what others know the server by, and what tokens are for\n"+
		"  tls          our certificate: good now, for that name, and for how long\n"+
		"  keys         signing keys; issuers are those whose tokens are taken\n"+
		"and for each target\n"+
		"  token        it lets us log in; scope is what it granted of what is needed\n"+
		"  reach        it answers as a FHIR server, and in what mode it is written to\n"+
		"  certificate  its certificate, and ours toward it\n"+
		"  clock        the difference between its clock and ours\n"+
		"  access       it lets us search\n"+
		"  canary       it takes a result, shows it, and lets it be taken back\n\n"+
		"The canary is one Observation (or whatever shape the target gets) that says by code and in words that it is a\n"+
		"test. It is about nobody, or about the test patient of check_patient (TIDEMARK_EHR_CHECK_PATIENT). It is written,\n"+
		"read, entered in error and read again; also if you stop the check, and if that is killed, by the next one. There\n"+
		"is one for each installation (TIDEMARK_BASE_URL), and it stays there entered in error.\n\n"+
		"  --no-canary    write nothing at the targets\n"+
		"  --json         as JSON\n"+
		"  --config FILE  settings as for serve\n\n"+
		"Each line begins with ok, look (it works, but see to it), fault, or skipped.\n"+
		"Exit codes: 0 nothing is wrong; 1 there is something to look at; 2 a setting is to be changed, here or at the\n"+
		"hospital; 3 database, network, clock, or it was stopped. Of several, 2 goes before 3 and 3 before 1.\n"+
		"serve does the same without the canary when it starts, and logs what is wrong.\n")
}

func check(ctx context.Context, p *program, args []string) int {
	flags := flag.NewFlagSet("check", flag.ContinueOnError)
	file, noCanary, asJSON := flags.String("config", "", ""), flags.Bool("no-canary", false, ""), flags.Bool("json", false, "")
	if err := p.parse(flags, args); err != nil {
		return p.fail(exitUsage, err)
	}
	s, err := config.Load(*file, p.getenv)
	if !readable(s) {
		return p.fail(exitUsage, err)
	}
	r := newAccount(p, *asJSON, s.Targets)
	c := &checker{settings: s, unfit: err, canary: !*noCanary, report: r.add, begin: r.begin}
	c.run(ctx)
	if err := r.end(); err != nil {
		return p.fail(exitEnvironment, err)
	}
	return r.exit()
}

// verdict is how a check came out.
type verdict string

// The verdicts.
const (
	// fine: nothing is wrong.
	fine verdict = "ok"
	// look: it works, but someone should see to it.
	look verdict = "look"
	// fault: it does not work.
	fault verdict = "fault"
	// skipped: it was not looked at, for the reason given.
	skipped verdict = "skipped"
)

// finding is what one check found.
type finding struct {
	// Check is its name, Target the one that it is about, "" for ourselves.
	Check  string `json:"check"`
	Target string `json:"target,omitempty"`
	// Verdict is how it came out, Found what was found.
	Verdict verdict `json:"verdict"`
	Found   string  `json:"found"`
	// Setting is what to change, Do how; both "" where nothing is.
	Setting string `json:"setting,omitempty"`
	Do      string `json:"do,omitempty"`

	// environment says that the fault is of database, network or clock.
	environment bool
}

// ok, toSee, wrong and broken make findings: wrong is a setting, broken the
// environment.
func ok(format string, args ...any) finding {
	return finding{Verdict: fine, Found: fmt.Sprintf(format, args...)}
}

func toSee(setting, do, format string, args ...any) finding {
	return finding{Verdict: look, Setting: setting, Do: do, Found: fmt.Sprintf(format, args...)}
}

func wrong(setting, do, format string, args ...any) finding {
	return finding{Verdict: fault, Setting: setting, Do: do, Found: fmt.Sprintf(format, args...)}
}

func broken(setting, do, format string, args ...any) finding {
	return finding{Verdict: fault, Setting: setting, Do: do, Found: fmt.Sprintf(format, args...), environment: true}
}

func notLooked(format string, args ...any) finding {
	return finding{Verdict: skipped, Found: fmt.Sprintf(format, args...)}
}

// ofSetting is a fault whose error begins with the setting's name.
func ofSetting(err error) finding {
	setting, found, named := strings.Cut(strings.TrimPrefix(err.Error(), "config: "), ": ")
	if !named || !strings.HasPrefix(setting, "TIDEMARK_") {
		return wrong("", "", "%v", err)
	}
	return wrong(setting, "", "%s", found)
}

// checker looks at an installation.
type checker struct {
	settings config.Settings
	// unfit is what config.Load said against them, nil if nothing.
	unfit error
	// canary says to write one at each target.
	canary bool
	// store is that of the running server; nil opens it.
	store store.Store
	// report is told what was found, begin what is looked at now.
	report func(finding)
	begin  func(check, target string)
}

// ownChecks look at ourselves.
var ownChecks = []struct {
	name string
	run  func(context.Context, *checker) []finding
}{
	{"database", checkDatabase},
	{"base-url", checkBase},
	{"tls", checkListeners},
	{"keys", checkKeys},
	{"issuers", checkIssuers},
}

// targetChecks look at a target, each with what those before have learned.
var targetChecks = []struct {
	name string
	run  func(context.Context, *visit) []finding
}{
	{"token", checkToken},
	{"reach", checkReach},
	{"certificate", checkCertificate},
	{"clock", checkClock},
	{"scope", checkScope},
	{"access", checkAccess},
	{"canary", checkCanary},
}

// run looks at everything.
func (c *checker) run(ctx context.Context) {
	if !c.settingsHold() {
		if !names(c.unfit, databaseSetting) && !c.stopped(ctx, "database", "") {
			c.tell("database", "", checkDatabase(ctx, c))
		}
		c.report(finding{Check: "the rest", Verdict: skipped, Found: "nothing more is looked at before the settings hold"})
		return
	}
	for _, check := range ownChecks {
		if c.stopped(ctx, check.name, "") {
			return
		}
		c.tell(check.name, "", check.run(ctx, c))
	}
	for _, t := range c.settings.Targets {
		v := newVisit(c, t)
		for _, check := range targetChecks {
			if c.stopped(ctx, check.name, t.Name) {
				return
			}
			c.tell(check.name, t.Name, check.run(ctx, v))
		}
	}
}

// stopped says whether somebody wants to wait no longer.
func (c *checker) stopped(ctx context.Context, check, target string) bool {
	if ctx.Err() != nil {
		c.report(finding{Check: check, Target: target, Verdict: fault, Found: "the check was stopped here", Do: "check again", environment: true})
		return true
	}
	c.begin(check, target)
	return false
}

func (c *checker) tell(check, target string, all []finding) {
	for _, f := range all {
		f.Check, f.Target = check, target
		c.report(f)
	}
}

// settingsHold reports every setting that cannot be served with.
func (c *checker) settingsHold() bool {
	err := c.unfit
	if err == nil {
		var faults []error
		for _, t := range c.settings.Targets {
			_, unfit := profileOf(t)
			faults = append(faults, unfit)
		}
		err = errors.Join(faults...)
	}
	if err == nil {
		c.tell("settings", "", []finding{ok("all can be served with")})
		return true
	}
	for line := range strings.SplitSeq(err.Error(), "\n") {
		c.tell("settings", "", []finding{ofSetting(errors.New(line))})
	}
	return false
}

// readable says whether there are settings at all to look at: a file that could
// not be read gives none, and they all have an address then.
func readable(s config.Settings) bool { return s.Listen != "" }

// names says whether an error speaks of a setting.
func names(err error, setting string) bool {
	return err != nil && strings.Contains(err.Error(), setting)
}

// otherFaults are what else keeps a server from starting, beside what is known: a
// start ends at the first fault of database, certificates or keys, and nobody wants
// to start once for each.
func otherFaults(ctx context.Context, s config.Settings, known error) error {
	if !readable(s) {
		return nil
	}
	c := &checker{settings: s}
	var others []error
	for _, look := range []func(context.Context, *checker) []finding{checkDatabase, checkListeners, checkKeys} {
		for _, f := range look(ctx, c) {
			setting, _, _ := strings.Cut(f.Setting, ",")
			if f.Verdict == fault && !names(known, setting) {
				others = append(others, fmt.Errorf("%s: %s; %s", f.Setting, f.Found, f.Do))
			}
		}
	}
	return errors.Join(others...)
}

// checkAtStart looks at everything that takes no writing, and logs what is wrong.
func (sv *service) checkAtStart(ctx context.Context, s config.Settings, logger *slog.Logger) {
	c := &checker{settings: s, store: sv.store, begin: func(string, string) {}, report: func(f finding) {
		if ctx.Err() != nil || f.Verdict == fine || f.Verdict == skipped {
			return
		}
		log := logger.Warn
		if f.Verdict == fault {
			log = logger.Error
		}
		log("check: "+f.Found, "check", f.Check, "target", f.Target, "setting", f.Setting, "do", f.Do)
	}}
	c.run(ctx)
}

// checkPatience is how long one question of ours may take that has no setting.
const checkPatience = 10 * time.Second
