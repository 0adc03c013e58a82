package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"tidemark.example/tidemark/api"
	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// maxDocument bounds one response or Bundle in bytes.
const maxDocument = 64 << 20

func scoreHelp(out io.Writer) {
	fmt.Fprint(out, `Reads QuestionnaireResponses as JSON, as NDJSON (one on each line) or in Bundles, from files or
standard input, and stores nothing. Writes one Observation on a line of standard output for each
response accepted, in the order of the input, and one OperationOutcome on a line of standard error
for each refused, with the line it stood on. Exit code 1 says that some were refused.
--form FILE, as often as needed, names a form of a portal's own whose responses are scored too;
self=FILE or clinician=FILE says who rates by it, where the form does not.
`)
}

// errStopped keeps half of an input from looking like all of it.
var errStopped = errors.New("told to stop before the input ended; what was read until then is scored")

// score computes the scores of files on all cores, in flat memory.
func score(ctx context.Context, p *program, args []string) int {
	catalog, args, err := scoreFlags(args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	run := newScoring(p, catalog)
	for _, name := range args {
		if err = run.file(ctx, name); err != nil {
			break
		}
	}
	err = errors.Join(err, run.finish())
	switch {
	case ctx.Err() != nil:
		return p.fail(exitEnvironment, errStopped)
	case errors.Is(err, os.ErrNotExist), errors.Is(err, os.ErrPermission):
		return p.fail(exitUsage, err)
	case err != nil:
		return p.fail(exitEnvironment, err)
	}
	if run.refused > 0 {
		return exitFound
	}
	return exitFine
}

// scoreFlags reads the forms and the files to score, standard input if none.
func scoreFlags(args []string) (*questionnaire.Catalog, []string, error) {
	flags := flag.NewFlagSet("score", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	var forms []config.FormFile
	flags.Func("form", "", func(name string) error {
		files, err := config.ParseForms(name)
		forms = append(forms, files...)
		return err
	})
	if err := flags.Parse(args); err != nil {
		return nil, nil, fmt.Errorf("%w; see tidemark score --help", err)
	}
	catalog, err := catalogOf(forms)
	if args = flags.Args(); len(args) == 0 {
		args = []string{"-"}
	}
	return catalog, args, err
}

// scoringRun is a pipeline: lines are read in order, scored by as many workers
// as there are cores, and written in order again.
type scoringRun struct {
	p        *program
	slots    chan *document
	work     chan *document
	done     chan error
	progress *progress
	catalog  *questionnaire.Catalog

	accepted, refused int
}

// document is one JSON text of the input on its way.
type document struct {
	file string
	line int
	text []byte
	// ready closes when out and faults are there.
	ready  chan struct{}
	out    []byte
	faults []refusal
	count  int
}

type refusal struct{ issues fhir.Issues }

func newScoring(p *program, catalog *questionnaire.Catalog) *scoringRun {
	workers := runtime.GOMAXPROCS(0)
	run := &scoringRun{
		p: p, slots: make(chan *document, 64*workers), work: make(chan *document, 64*workers),
		done: make(chan error, 1), progress: newProgress(p.err, "%d scored, %d refused"), catalog: catalog,
	}
	for range workers {
		go func() {
			for d := range run.work {
				d.score(run.catalog)
				close(d.ready)
			}
		}()
	}
	go func() { run.done <- run.write() }()
	return run
}

func (run *scoringRun) file(ctx context.Context, name string) error {
	in, size := run.p.in, int64(0)
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		if info, err := f.Stat(); err == nil {
			size = info.Size()
		}
		in = f
	}
	run.progress.begin(size)
	in = &interruptible{ctx: ctx, in: run.progress.reader(in), done: make(chan chunk, 1)}
	return run.read(ctx, name, bufio.NewReaderSize(in, 1<<20))
}

// interruptible gives up waiting for input when the program is told to stop. It
// must not be read from again after that, since the read goes on behind it.
type interruptible struct {
	ctx  context.Context
	in   io.Reader
	done chan chunk
}

// chunk is what one read came to.
type chunk struct {
	n   int
	err error
}

// Read implements io.Reader.
func (i *interruptible) Read(p []byte) (int, error) {
	go func() {
		n, err := i.in.Read(p)
		i.done <- chunk{n, err}
	}()
	select {
	case got := <-i.done:
		return got.n, got.err
	case <-i.ctx.Done():
		return 0, i.ctx.Err()
	}
}

// read takes a file apart: NDJSON if its first line is an object by itself, or
// its second where the first is broken; else one document in all.
func (run *scoringRun) read(ctx context.Context, name string, in *bufio.Reader) error {
	source := &lines{name: name, in: in}
	d, err := source.next()
	if err == nil && !isObject(d.text) {
		d, err = run.readBroken(ctx, source, d)
	}
	for ; err == nil; d, err = source.next() {
		if err := run.send(ctx, d); err != nil {
			return err
		}
	}
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// readBroken goes on after a first line that is no object by itself, and gives
// the line to go on with.
func (run *scoringRun) readBroken(ctx context.Context, source *lines, first *document) (*document, error) {
	second, err := source.next()
	switch {
	case errors.Is(err, io.EOF):
		if err := run.send(ctx, first); err != nil {
			return nil, err
		}
		return nil, io.EOF
	case err != nil:
		return nil, err
	case isObject(second.text):
		return second, run.send(ctx, first)
	}
	rest, err := io.ReadAll(io.LimitReader(source.in, maxDocument))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", source.name, err)
	}
	first.text = bytes.Join([][]byte{first.text, second.text, rest}, []byte("\n"))
	if err := run.send(ctx, first); err != nil {
		return nil, err
	}
	return nil, io.EOF
}

func isObject(text []byte) bool { return text[0] == '{' && json.Valid(text) }

// lines gives the lines of a file that are not empty, with their numbers.
type lines struct {
	name   string
	in     *bufio.Reader
	number int
	ended  bool
}

// next gives io.EOF after the last line.
func (l *lines) next() (*document, error) {
	for !l.ended {
		line, err := readLine(l.in)
		l.number++
		if l.ended = errors.Is(err, io.EOF); err != nil && !l.ended {
			return nil, fmt.Errorf("%s: line %d: %w", l.name, l.number, err)
		}
		if text := bytes.TrimSpace(line); len(text) > 0 {
			return &document{file: l.name, line: l.number, text: text}, nil
		}
	}
	return nil, io.EOF
}

func readLine(in *bufio.Reader) ([]byte, error) {
	var line []byte
	for {
		part, err := in.ReadSlice('\n')
		line = append(line, part...)
		if len(line) > maxDocument {
			return nil, errors.New("the document is too large")
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			return line, err
		}
	}
}

func (run *scoringRun) send(ctx context.Context, d *document) error {
	d.ready = make(chan struct{})
	select {
	case run.slots <- d:
	case <-ctx.Done():
		return ctx.Err()
	}
	run.work <- d
	return nil
}

// write puts out what was scored, in the order of the input.
func (run *scoringRun) write() error {
	out, faults := bufio.NewWriterSize(run.p.out, 1<<16), bufio.NewWriter(run.p.err)
	var failed error
	for d := range run.slots {
		<-d.ready
		run.accepted += d.count
		run.refused += len(d.faults)
		if failed == nil {
			_, failed = out.Write(d.out)
		}
		for _, f := range d.faults {
			run.progress.clear()
			fmt.Fprintf(faults, "%s\n", withLine(f.issues, d).JSON())
		}
		if len(d.faults) > 0 {
			failed = errors.Join(failed, faults.Flush())
		}
		if failed == nil && len(run.slots) == 0 {
			failed = out.Flush() // whoever reads along sees what is scored while the input pauses
		}
		run.progress.show(run.accepted, run.refused)
	}
	return errors.Join(failed, out.Flush(), faults.Flush())
}

// withLine says in every issue where the response stood.
func withLine(issues fhir.Issues, d *document) fhir.Issues {
	told := slices.Clone(issues)
	for i := range told {
		told[i].Text = fmt.Sprintf("%s, line %d: %s", d.file, d.line, told[i].Text)
	}
	return told
}

func (run *scoringRun) finish() error {
	close(run.work)
	close(run.slots)
	err := <-run.done
	run.progress.end(run.accepted, run.refused)
	return err
}

// score fills in the Observations and refusals of one document.
func (d *document) score(catalog *questionnaire.Catalog) {
	parsed, err := fhir.Decode(d.text)
	if err != nil {
		d.refuse(err)
		return
	}
	defer parsed.Release()
	root := parsed.Root()
	if root.Type() != "Bundle" {
		d.scoreOne(catalog, root)
		return
	}
	for entry := range root.Each("entry") {
		if resource := entry.Get("resource"); resource.Type() == "QuestionnaireResponse" {
			d.scoreOne(catalog, resource)
		}
	}
}

func (d *document) scoreOne(catalog *questionnaire.Catalog, root fhir.Node) {
	response, err := catalog.Read(root)
	if err == nil && !response.Status.Scored() {
		err = fhir.Issues{{Severity: fhir.Error, Code: fhir.IssueBusinessRule, Expression: root.Get("status").Path(),
			Text: "Only a completed or amended response is scored."}}
	}
	if err != nil {
		d.refuse(err)
		return
	}
	d.count++
	d.out = append(d.out, compact(api.Extract(&response, &scoring.UsualBands))...)
	d.out = append(d.out, '\n')
}

// compact keeps an Observation on one line, whatever white space stood in the
// references copied from the response.
func compact(text []byte) []byte {
	if !bytes.ContainsAny(text, "\n\r") {
		return text
	}
	var b bytes.Buffer
	if err := json.Compact(&b, text); err != nil {
		return text
	}
	return b.Bytes()
}

func (d *document) refuse(err error) {
	var issues fhir.Issues
	if !errors.As(err, &issues) {
		issues = fhir.Issues{{Severity: fhir.Fatal, Code: fhir.IssueException, Text: "The response could not be scored."}}
	}
	d.faults = append(d.faults, refusal{issues})
}

// progress shows how far it is, on a terminal only.
type progress struct {
	out io.Writer
	// says is what is counted: "%d scored, %d refused".
	says        string
	shown       bool
	size, read  atomic.Int64
	start, last time.Time
}

func newProgress(out io.Writer, says string) *progress {
	if !isTerminal(out) {
		return &progress{}
	}
	return &progress{out: out, says: says, start: time.Now()}
}

func (b *progress) begin(size int64) { b.size.Add(size) }

func (b *progress) reader(in io.Reader) io.Reader { return &counted{in, b} }

type counted struct {
	in io.Reader
	b  *progress
}

// Read implements io.Reader.
func (c *counted) Read(p []byte) (int, error) {
	n, err := c.in.Read(p)
	c.b.read.Add(int64(n))
	return n, err
}

func (b *progress) show(accepted, refused int) {
	if b.out == nil || time.Since(b.last) < 100*time.Millisecond {
		return
	}
	b.last, b.shown = time.Now(), true
	bar := ""
	if size := b.size.Load(); size > 0 {
		done := int(30 * min(b.read.Load(), size) / size)
		bar = "[" + strings.Repeat("#", done) + strings.Repeat(".", 30-done) + "] "
	}
	fmt.Fprintf(b.out, "\r\x1b[K%s"+b.says+", %.0f a second", bar, accepted, refused, float64(accepted+refused)/max(time.Since(b.start).Seconds(), 0.001))
}

func (b *progress) clear() {
	if b.out != nil && b.shown {
		fmt.Fprint(b.out, "\r\x1b[K")
	}
}

func (b *progress) end(accepted, refused int) {
	if b.out != nil {
		b.clear()
		fmt.Fprintf(b.out, b.says+"\n", accepted, refused)
	}
}
