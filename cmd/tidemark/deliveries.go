package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
)

// deliveriesPatience is how long the server may take; wanting all scores of a
// large store takes the longest.
const deliveriesPatience = 10 * time.Minute

// maxDeliveriesAnswer is the most that is read of an answer.
const maxDeliveriesAnswer = 16 << 20

func deliveriesHelp(out io.Writer) {
	fmt.Fprint(out, "  list     what is delivered where, or not\n"+
		"  retry    try parked deliveries again at once; with --resource also one that was given up,\n"+
		"           and with --resource or --fault those whose copy differs\n"+
		"  drop     give parked deliveries up, for a --reason that is kept and that senders read\n"+
		"  want     let a --target have every score that is stored, as one that was added later\n\n"+
		"  --target NAME      those to one target\n"+
		"  --resource ID      those of one score, as 17 or Observation/17; --member NAME is one part of it\n"+
		"  --fault NAME       those whose last attempt failed so, as list shows it\n"+
		"  --state NAME,...   list: parked, in-doubt, differs, pending, dropped or delivered; by default all but delivered\n"+
		"  --limit N, --after PLACE   list: the most to show (100), and where to go on\n"+
		"  --json             as JSON\n"+
		"  --reason TEXT      drop: why; say nothing of a patient\n"+
		"  --since DATE       want: only scores of assessments since this date\n"+
		"  --config FILE      settings as for serve: TIDEMARK_ADMIN_LISTEN and TIDEMARK_ADMIN_TOKEN or _FILE\n"+
		"  --admin URL        the admin listener, if it is not at TIDEMARK_ADMIN_LISTEN\n\n"+
		"It asks the running server, which alone decides what is sent; nothing is done to the database directly.\n"+
		"Exit codes: 0 done, 1 nothing was there to be changed, 2 usage or token, 3 the server does not answer.\n")
}

// desk is the admin listener of a running server.
type desk struct {
	base   string
	token  config.Secret
	client *http.Client
}

// ordered is what the command line asks for.
type ordered struct {
	api.Decision
	verb, state, after string
	limit              int
	json               bool
	desk               desk
}

func deliveries(ctx context.Context, p *program, args []string) int {
	o, err := p.order(args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	ctx, cancel := context.WithTimeout(ctx, deliveriesPatience)
	defer cancel()
	if o.verb == "list" {
		return p.listDeliveries(ctx, o)
	}
	var done api.Decided
	body, err := json.Marshal(o.Decision)
	if err == nil {
		err = o.desk.ask(ctx, http.MethodPost, "/deliveries/"+o.verb, body, &done)
	}
	if err != nil {
		return p.fail(exitOf(err), err)
	}
	past := map[string]string{"retry": "to be tried again", "drop": "given up", "want": "wanted"}[o.verb]
	if o.json {
		_ = json.NewEncoder(p.out).Encode(done)
	} else {
		fmt.Fprintf(p.out, "%d %s\n", done.Changed, past)
	}
	if done.Changed == 0 {
		return exitFound
	}
	return exitFine
}

// order reads the command line.
func (p *program) order(args []string) (*ordered, error) {
	o := &ordered{}
	if len(args) > 0 {
		o.verb, args = args[0], args[1:]
	}
	switch o.verb {
	case "list", "retry", "drop", "want":
	default:
		return nil, fmt.Errorf("deliveries needs list, retry, drop or want; see tidemark deliveries --help")
	}
	flags := flag.NewFlagSet("deliveries", flag.ContinueOnError)
	for name, at := range map[string]*string{"target": &o.Target, "resource": &o.Resource, "fault": &o.Fault} {
		flags.StringVar(at, name, "", "")
	}
	flags.Func("member", "", func(name string) error { o.Member = &name; return nil })
	flags.BoolVar(&o.json, "json", false, "")
	file, admin := flags.String("config", "", ""), flags.String("admin", "", "")
	switch o.verb {
	case "list":
		flags.StringVar(&o.state, "state", "parked,in-doubt,differs,pending,dropped", "")
		flags.StringVar(&o.after, "after", "", "")
		flags.IntVar(&o.limit, "limit", 100, "")
	case "drop":
		flags.StringVar(&o.Reason, "reason", "", "")
	case "want":
		flags.StringVar(&o.Since, "since", "", "")
	}
	if err := p.parse(flags, args); err != nil {
		return nil, err
	}
	if o.verb == "drop" && o.Reason == "" {
		return nil, errors.New("deliveries drop needs a --reason")
	}
	if o.verb == "want" && o.Target == "" {
		return nil, errors.New("deliveries want needs a --target")
	}
	return o, o.desk.find(*file, *admin, p.getenv)
}

// find takes address and token of the admin listener from the settings.
func (d *desk) find(file, admin string, getenv func(string) string) error {
	s, err := config.Read(file, getenv)
	if err != nil {
		return err
	}
	if s.AdminToken == "" {
		return errors.New("set TIDEMARK_ADMIN_TOKEN_FILE or TIDEMARK_ADMIN_TOKEN as the server has it")
	}
	d.token, d.base = s.AdminToken, strings.TrimSuffix(admin, "/")
	if d.base != "" {
		d.client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		return nil
	}
	if d.base, err = adminAddress(&s); err == nil {
		d.client, err = adminClient(&s)
	}
	return err
}

// refusedByDesk is what the server says against a request.
type refusedByDesk struct{ text string }

// Error gives the server's words.
func (r *refusedByDesk) Error() string { return r.text }

// exitOf tells a refusal from a server that does not answer.
func exitOf(err error) int {
	if refused := (*refusedByDesk)(nil); errors.As(err, &refused) {
		return exitUsage
	}
	return exitEnvironment
}

// ask makes one request. The token goes to no other address.
func (d desk) ask(ctx context.Context, method, path string, body []byte, into any) error {
	request, err := http.NewRequestWithContext(ctx, method, d.base+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+string(d.token))
	response, err := d.client.Do(request)
	if err != nil {
		return fmt.Errorf("the admin listener does not answer; is the server running, and is this its address? %w", err)
	}
	defer response.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(response.Body, maxDeliveriesAnswer))
	if err != nil {
		return fmt.Errorf("reading what the server answers: %w", err)
	}
	if response.StatusCode == http.StatusOK && json.Unmarshal(answer, into) == nil {
		return nil
	}
	var outcome struct {
		Issue []struct{ Details struct{ Text string } }
	}
	if response.StatusCode < 500 && json.Unmarshal(answer, &outcome) == nil && len(outcome.Issue) > 0 {
		return &refusedByDesk{outcome.Issue[0].Details.Text}
	}
	return fmt.Errorf("%s answers %d and nothing that this program knows", d.base, response.StatusCode)
}

func (p *program) listDeliveries(ctx context.Context, o *ordered) int {
	query := url.Values{"state": {o.state}, "count": {strconv.Itoa(o.limit)}}
	for name, value := range map[string]string{"target": o.Target, "resource": o.Resource, "fault": o.Fault, "after": o.after} {
		if value != "" {
			query.Set(name, value)
		}
	}
	if o.Member != nil {
		query.Set("member", *o.Member)
	}
	var list api.DeliveryList
	if err := o.desk.ask(ctx, http.MethodGet, "/deliveries?"+query.Encode(), nil, &list); err != nil {
		return p.fail(exitOf(err), err)
	}
	if o.json {
		encoder := json.NewEncoder(p.out)
		encoder.SetIndent("", "  ")
		if err := encoder.Encode(list); err != nil {
			return p.fail(exitEnvironment, err)
		}
		return exitFine
	}
	if err := tabulate(p.out, list.Deliveries, time.Now()); err != nil {
		return p.fail(exitEnvironment, err)
	}
	fmt.Fprintf(p.err, "%d of %d\n", len(list.Deliveries), list.Total)
	if list.Next != "" {
		fmt.Fprintf(p.err, "more with --after %s\n", list.Next)
	}
	return exitFine
}

// tabulate writes deliveries for people, the longest text last.
func tabulate(out io.Writer, all []api.Delivery, now time.Time) error {
	if len(all) == 0 {
		return nil
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "TARGET\tSTATE\tAGE\tTRIES\tVERSION\tRESOURCE\tMEMBER\tFAULT\tREASON")
	for _, d := range all {
		age := "-"
		if !d.Since.IsZero() {
			age = now.Sub(d.Since).Truncate(time.Second).String()
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%d\t%d of %d\t%s\t%s\t%s\t%s\n", d.Target, d.State, age, d.Attempts, d.Delivered, d.Wanted, d.Resource,
			orDash(d.Member), orDash(d.Fault), orDash(d.Reason))
	}
	return table.Flush()
}

func orDash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}
