package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store"
)

// rescore reports what another version of the algorithm or another band set comes
// to, and then writes it if it was told to.
func rescore(ctx context.Context, p *program, f *verifyFlags) int {
	targets, err := wantedTargets(f.settings.Targets)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	db, err := openExisting(ctx, f.settings.Database)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	r := &rescoring{program: p, flags: f, store: db, plan: api.Rescoring{Algorithm: f.algorithm, Bands: f.set}, targets: len(targets)}
	options := api.Options{Store: db, BaseURL: f.settings.BaseURL, Bands: f.set, Algorithms: p.algorithms, Targets: targets, Forms: api.NewForms(db)}
	if len(f.settings.Hooks.Hosts()) > 0 {
		options.Subscriptions = &api.Subscriptions{}
	}
	r.server = api.New(options, api.NewMetrics())
	code, err := r.run(ctx)
	if err = errors.Join(err, db.Close()); err != nil {
		return p.fail(exitEnvironment, err)
	}
	return code
}

// wantedTargets are the targets as the API wants scores at them.
func wantedTargets(targets []config.Target) (all []api.Target, err error) {
	var faults []error
	for _, t := range targets {
		profile, err := profileOf(t)
		faults = append(faults, err)
		all = append(all, wanted(t, profile))
	}
	return all, errors.Join(faults...)
}

// rescoring is one run of the command.
type rescoring struct {
	*program
	flags   *verifyFlags
	store   store.Store
	server  *api.Server
	plan    api.Rescoring
	targets int
}

func (r *rescoring) run(ctx context.Context) (int, error) {
	total, err := r.store.Search(ctx, store.Query{Type: "Observation", Total: true})
	if err != nil {
		return 0, err
	}
	out := newRescoreReport(r.out, r.flags)
	bar := newProgress(r.err, "%d scores computed again, %d differ")
	bar.begin(int64(total.Total))
	err = r.server.Rescore(ctx, r.plan, func(found api.Rescored) error {
		bar.read.Add(1)
		bar.clear()
		out.add(found)
		bar.show(out.Looked, out.Differ)
		return out.err
	})
	bar.clear()
	if err != nil {
		return 0, err
	}
	out.totals()
	code := exitFine
	if out.Differ+out.Failed > 0 {
		code = exitFound
	}
	if r.flags.write && out.Differ > 0 {
		code, err = r.write(ctx, out)
	}
	out.end(r.flags.write)
	return code, errors.Join(err, out.err)
}

// write amends what was reported, once that is confirmed.
func (r *rescoring) write(ctx context.Context, out *rescoreReport) (int, error) {
	text := fmt.Sprintf("%d scores are to be written as amended versions, which %d targets and all who subscribed get. The answers are not\n"+
		"changed, and the versions before stay readable.\n", out.Differ, r.targets)
	fmt.Fprint(r.err, text)
	if !r.flags.yes && !confirmed(r.in, r.err, out.Differ) {
		fmt.Fprintln(r.err, "Nothing was written.")
		return exitFound, nil
	}
	bar := newProgress(r.err, "%d scores looked at, %d amended")
	bar.begin(int64(out.Looked))
	looked := 0
	err := r.server.Amend(ctx, r.plan, func(found api.Rescored) error {
		looked++
		bar.read.Add(1)
		if found.Amended > 0 {
			out.Written++
		}
		bar.show(looked, out.Written)
		return nil
	})
	bar.clear()
	switch {
	case err != nil:
		fmt.Fprintf(r.err, "Ended before all was written: at least %d are. Run the command again for the rest.\n", out.Written)
		return exitFound, err
	case out.Failed > 0:
		return exitFound, nil
	}
	return exitFine, nil
}

// confirmed asks for the number itself, which nobody types without having read it.
func confirmed(in io.Reader, out io.Writer, number int) bool {
	fmt.Fprintf(out, "Type %d to write them, anything else to leave them: ", number)
	answer, err := bufio.NewReader(in).ReadString('\n')
	return err == nil && strings.TrimSpace(answer) == strconv.Itoa(number)
}
