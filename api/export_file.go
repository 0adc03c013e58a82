package api

import (
	"context"
	"errors"
	"io"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/klauspost/compress/gzip"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/audit"
	"tidemark.example/tidemark/fhir/export"
	"tidemark.example/tidemark/fhir/store"
)

// ndjsonType is what files are of (Bulk Data Access, output file request).
const ndjsonType = "application/fhir+ndjson"

// negotiateExport settles how a file is answered. It has one format, whatever is
// accepted; a refusal is FHIR.
func (s *Server) negotiateExport(c *gin.Context) {
	answer := format{media: jsonTypes[0]}
	var err error
	answer.coding, err = acceptedCoding(c.Request.Header)
	exchangeOf(c).format = answer
	if err != nil {
		s.writeError(c, err)
	}
}

// exportFile answers a file, in memory for one page of it: what was there at the
// instant of the export is read from the store again, and is the same each time.
func (s *Server) exportFile(c *gin.Context) (reply, error) {
	found, plan, state, err := s.exportOf(c)
	if err != nil {
		return reply{}, err
	}
	number, err := strconv.Atoi(c.Param("file"))
	notes := c.Param("file") == exportNotes
	if found.Status != store.ExportDone || !notes && (err != nil || number < 1 || number > len(state.Files)) {
		return reply{}, fail(http.StatusNotFound, fhir.IssueNotFound, "The export has no such file; its manifest lists those that it has.")
	}
	d := &download{server: s, c: c, told: map[string]bool{}, anonymous: plan.Research}
	if c.Request.Method == http.MethodHead {
		return reply{sent: true}, d.begin(nil)
	}
	defer d.release()
	if notes {
		for _, note := range export.Notes(plan, state) {
			line := fhir.Issues{{Severity: fhir.Warning, Code: fhir.IssueInformational, Text: note}}.JSON()
			if err := d.page([]export.Made{{Text: line}}); err != nil {
				return reply{}, err
			}
		}
		return d.end()
	}
	lines := ExportLines{Store: s.raw, Base: s.options.BaseURL}
	// The request's own time is for what is answered at once; here each page has one.
	ctx := context.WithoutCancel(c.Request.Context())
	if err := export.Walk(ctx, paged{s.options.Store}, lines.Line, plan, found.Instant, state.Files[number-1], d.page); err != nil {
		return d.fail(stored(ctx, err))
	}
	return d.end()
}

// paged gives each page its time.
type paged struct{ from export.Snapshots }

// Snapshot implements export.Snapshots.
func (p paged) Snapshot(ctx context.Context, query store.SnapshotQuery) ([]store.Snapshotted, error) {
	ctx, cancel := context.WithTimeout(ctx, pageTime)
	defer cancel()
	return p.from.Snapshot(ctx, query)
}

// download is a file on its way out.
type download struct {
	server *Server
	c      *gin.Context
	// told are the patients that are on record as given out by it; anonymous says
	// that nobody is.
	told      map[string]bool
	anonymous bool
	begun     bool
	out       io.Writer
	zip       *gzip.Writer
}

// page gives out some lines, once it is on record whose they are.
func (d *download) page(lines []export.Made) error {
	var patients []string
	for _, line := range lines {
		if line.Patient != "" && !d.anonymous && !d.told[line.Patient] {
			d.told[line.Patient] = true
			patients = append(patients, line.Patient)
		}
	}
	if !d.begun {
		if err := d.begin(patients); err != nil {
			return err
		}
	} else if err := d.record(patients); err != nil {
		return err
	}
	// A writer without a connection has no deadline to set.
	_ = http.NewResponseController(d.c.Writer).SetWriteDeadline(time.Now().Add(pageTime))
	for _, line := range lines {
		if _, err := d.out.Write(append(line.Text, '\n')); err != nil {
			return errGone
		}
		d.server.metrics.exportedLines.Inc()
	}
	if d.zip == nil {
		d.c.Writer.Flush()
	}
	return nil
}

// errGone says that the client does not read any more.
var errGone = errors.New("api: the client of a download has gone")

// begin writes the head of the answer, with the first events on record.
func (d *download) begin(patients []string) error {
	if len(patients) == 0 {
		patients = []string{""}
	}
	if err := d.record(patients); err != nil {
		return err
	}
	if t := trailOf(d.c.Request.Context()); t != nil {
		t.done = true
	}
	h := d.c.Writer.Header()
	h["Vary"] = append(h["Vary"], varies...)
	h.Set("Content-Type", ndjsonType)
	d.out = d.c.Writer
	if exchangeOf(d.c).format.coding != plain {
		h["Content-Encoding"] = codedAsGzip
		d.zip = zippers.Get().(*gzip.Writer)
		d.zip.Reset(d.c.Writer)
		d.out = d.zip
	}
	d.begun = true
	d.c.Status(http.StatusOK)
	d.server.account(d.c)
	d.c.Writer.WriteHeaderNow()
	return nil
}

// record puts on record that data of some patients is given out.
func (d *download) record(patients []string) error {
	ctx := d.c.Request.Context()
	t := trailOf(ctx)
	if t == nil || len(patients) == 0 {
		return nil
	}
	events := make([]audit.Event, len(patients))
	for i, patient := range patients {
		events[i] = d.server.event(t)
		events[i].Query, events[i].Patient = t.query, patient
	}
	if err := d.server.appendAudit(ctx, events); err != nil {
		d.server.metrics.auditLost.Add(float64(len(events)))
		return &outage{err}
	}
	return nil
}

// fail ends a file that cannot be finished. Once it has begun, breaking off the
// connection is the one way to say so: what was sent must not pass for the whole.
func (d *download) fail(err error) (reply, error) {
	if !d.begun {
		return reply{}, err
	}
	if !errors.Is(err, errGone) {
		d.server.report(d.c, classify(err), err)
	}
	panic(http.ErrAbortHandler)
}

// end finishes a file.
func (d *download) end() (reply, error) {
	if !d.begun {
		if err := d.begin(nil); err != nil {
			return reply{}, err
		}
	}
	if d.zip != nil {
		if err := d.zip.Close(); err != nil {
			return d.fail(errGone)
		}
	}
	return reply{sent: true}, nil
}

// release gives back what compresses.
func (d *download) release() {
	if d.zip != nil {
		d.zip.Reset(nil)
		zippers.Put(d.zip)
	}
}
