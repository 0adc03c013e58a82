package sqlite_test

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

// clients is how many submit at once, and the size of the batches of the plain
// loop the store is measured against.
const clients = 64

// submission is what one submission stores: a response of five kilobytes, the
// Observation made of it, and its Provenance, all invented.
type submission struct {
	number                       int
	response, observation, trace store.Key
	patient, portal              string
}

// newSubmission makes the n-th submission. Ids grow with time, as those of the
// server do.
func newSubmission(n int, random *rand.Rand) submission {
	id := func(kind byte) string {
		var b [16]byte
		binary.BigEndian.PutUint64(b[:], uint64(n)<<16|uint64(kind))
		binary.BigEndian.PutUint64(b[8:], random.Uint64())
		return hex.EncodeToString(b[:])
	}
	return submission{
		number:      n,
		response:    store.Key{Type: "QuestionnaireResponse", ID: id(1)},
		observation: store.Key{Type: "Observation", ID: id(2)},
		trace:       store.Key{Type: "Provenance", ID: id(3)},
		portal:      fmt.Sprintf("https://portal.example|%016x%016x", random.Uint64(), random.Uint64()),
		patient:     fmt.Sprintf("Patient/%016x", random.Uint64N(20000)*0x9E3779B97F4A7C15),
	}
}

// itemNames stand for the questions of the form.
var itemNames = []string{"extent.head-front", "extent.head-back", "extent.trunk-front", "extent.trunk-back",
	"extent.arm-right-front", "extent.arm-right-back", "extent.arm-left-front", "extent.arm-left-back",
	"extent.leg-right-front", "extent.leg-right-back", "extent.leg-left-front", "extent.leg-left-back",
	"extent.genitals", "intensity.erythema", "intensity.oedema", "intensity.oozing", "intensity.excoriation",
	"intensity.lichenification", "intensity.dryness", "symptoms.itch", "symptoms.sleep-loss"}

// responseBody is about five kilobytes of answers.
func (s submission) responseBody() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `{"resourceType":"QuestionnaireResponse","id":%q,"meta":{"versionId":"1"},"status":"completed","subject":{"reference":%q},"item":[`, s.response.ID, s.patient)
	for i, name := range itemNames {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `{"linkId":%q,"text":"How much of this part of the body was affected over the last three days and nights (%s)?","answer":[{"valueQuantity":{"value":%d,"unit":"percent","system":"http://unitsofmeasure.org","code":"%%"}}]}`,
			name, name, (s.number*7+i*13)%101)
	}
	b.WriteString("]}")
	return []byte(b.String())
}

// observationBody is a score with its components, about five kilobytes.
func (s submission) observationBody() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `{"resourceType":"Observation","id":%q,"meta":{"versionId":"1"},"status":"final","subject":{"reference":%q},"derivedFrom":[{"reference":"%s/_history/1"}],"component":[`, s.observation.ID, s.patient, s.response)
	for i, name := range itemNames {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `{"code":{"coding":[{"system":"https://tidemark.example/fhir/CodeSystem/scorad","code":%q}]},"valueQuantity":{"value":%d,"unit":"percent","system":"http://unitsofmeasure.org","code":"%%"}}`,
			name, (s.number*7+i*13)%101)
	}
	b.WriteString("]}")
	return []byte(b.String())
}

// traceBody is who sent what.
func (s submission) traceBody() []byte {
	return fmt.Appendf(nil, `{"resourceType":"Provenance","id":%q,"target":[{"reference":"%s/_history/1"}],"entity":[{"role":"source","what":{"reference":"%s/_history/1"}}],"agent":[{"who":{"reference":%q}}]}`,
		s.trace.ID, s.observation, s.response, s.patient)
}

// indexes are what the three resources are found by.
func (s submission) indexes() (response, observation, trace store.Index) {
	at := time.Date(2024, 5, 10, 0, 0, 0, 0, time.UTC).Add(time.Duration(s.number) * time.Second)
	response = store.Index{Patient: s.patient, Status: "completed", Start: at, End: at, Tokens: []store.Token{
		{Param: "identifier", Value: s.portal},
		{Param: "questionnaire", Value: "https://tidemark.example/fhir/Questionnaire/scorad-self-assessment"},
	}}
	observation = store.Index{Patient: s.patient, Status: "final", Start: at.Add(-72 * time.Hour), End: at, Tokens: []store.Token{
		{Param: "code", Value: "https://tidemark.example/fhir/CodeSystem/scorad|scorad"},
		{Param: "identifier", Value: "https://tidemark.example/fhir/sid/score|" + s.observation.ID},
		{Param: "derived-from", Value: s.response.String()},
	}, Numbers: []store.Number{{Param: "value-quantity", Value: int64(s.number % 5150)}}}
	trace = store.Index{Tokens: []store.Token{{Param: "target", Value: s.observation.String()}}}
	return response, observation, trace
}

// identity is the name of the submission's identity key.
func (s submission) identity() string { return s.portal }

// job is the submission as the server's job writes it.
func (s submission) job(bodies [3][]byte) store.Job {
	render := func(i int) store.Render {
		return func(int64, time.Time) ([]byte, error) { return bodies[i], nil }
	}
	response, observation, trace := s.indexes()
	return func(tx store.Tx) error {
		if _, found, err := tx.Identity(s.identity()); err != nil || found {
			return err
		}
		if _, err := tx.Put(s.response, "POST", response, render(0)); err != nil {
			return err
		}
		if _, err := tx.Put(s.observation, "POST", observation, render(1)); err != nil {
			return err
		}
		if _, err := tx.Put(s.trace, "POST", trace, render(2)); err != nil {
			return err
		}
		if err := tx.PutIdentity(s.identity(), store.Identity{Key: s.response, Digest: s.observation.ID}); err != nil {
			return err
		}
		return tx.Want("ehr", s.observation, 1, false)
	}
}

// BenchmarkStore submits from 64 clients at once; each waits for its answer.
func BenchmarkStore(b *testing.B) {
	s, err := sqlite.Open(context.Background(), filepath.Join(b.TempDir(), "tidemark.db"), sqlite.Options{})
	require.NoError(b, err)
	var next atomic.Int64
	var group sync.WaitGroup
	for client := range clients {
		random := rand.New(rand.NewPCG(1, uint64(client)))
		group.Go(func() {
			for n := int(next.Add(1)); n <= b.N; n = int(next.Add(1)) {
				one := newSubmission(n, random)
				bodies := [3][]byte{one.responseBody(), one.observationBody(), one.traceBody()}
				if err := s.Write(context.Background(), []string{one.identity()}, one.job(bodies)); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	began := time.Now()
	group.Wait()
	report(b, time.Since(began))
	require.NoError(b, s.Close())
}

// report gives submissions a second.
func report(b *testing.B, took time.Duration) {
	b.ReportMetric(float64(b.N)/took.Seconds(), "submissions/s")
}

// BenchmarkPlainLoop is the yardstick: one goroutine inserts the very same rows,
// ready compressed, into the very same tables, with nothing asked, nothing
// waited for and no savepoints, and commits 64 submissions at a time.
func BenchmarkPlainLoop(b *testing.B) {
	path := filepath.Join(b.TempDir(), "tidemark.db")
	s, err := sqlite.Open(context.Background(), path, sqlite.Options{})
	require.NoError(b, err)
	require.NoError(b, s.Close())
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=synchronous(FULL)&_pragma=temp_store(MEMORY)&_pragma=cache_size(-65536)&_pragma=wal_autocheckpoint(4000)")
	require.NoError(b, err)
	defer func() { require.NoError(b, db.Close()) }()
	loop := newPlainLoop(b, db)
	random := rand.New(rand.NewPCG(1, 1))
	began := time.Now()
	for n := 0; n < b.N; n += clients {
		loop.exec("BEGIN IMMEDIATE")
		for i := n; i < min(n+clients, b.N); i++ {
			loop.insert(newSubmission(i+1, random))
		}
		loop.exec("COMMIT")
	}
	report(b, time.Since(began)-loop.preparing)
}

// plainLoop inserts rows one by one.
type plainLoop struct {
	b         *testing.B
	conn      *sql.Conn
	prepared  map[string]*sql.Stmt
	encoder   *zstd.Encoder
	rid       int64
	preparing time.Duration
}

func newPlainLoop(b *testing.B, db *sql.DB) *plainLoop {
	conn, err := db.Conn(context.Background())
	require.NoError(b, err)
	encoder, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest))
	require.NoError(b, err)
	return &plainLoop{b: b, conn: conn, prepared: map[string]*sql.Stmt{}, encoder: encoder}
}

// exec runs a statement, prepared the first time.
func (l *plainLoop) exec(text string, args ...any) {
	statement := l.prepared[text]
	if statement == nil {
		var err error
		statement, err = l.conn.PrepareContext(context.Background(), text)
		require.NoError(l.b, err)
		l.prepared[text] = statement
	}
	if _, err := statement.ExecContext(context.Background(), args...); err != nil {
		l.b.Fatal(err)
	}
}

// insert writes all rows of a submission. To make and compress the bodies is
// not part of the yardstick.
func (l *plainLoop) insert(s submission) {
	response, observation, trace := s.indexes()
	before := time.Now()
	bodies := [][]byte{
		l.encoder.EncodeAll(s.responseBody(), nil),
		l.encoder.EncodeAll(s.observationBody(), nil),
		l.encoder.EncodeAll(s.traceBody(), nil),
	}
	l.preparing += time.Since(before)
	at := int64(1700000000000 + s.number/clients)
	for i, key := range []store.Key{s.response, s.observation, s.trace} {
		index := []store.Index{response, observation, trace}[i]
		l.rid++
		var patient, status, end any
		start := int64(-1 << 62)
		if index.Patient != "" {
			patient, status, start, end = index.Patient, index.Status, index.Start.UnixMilli(), index.End.UnixMilli()
		}
		l.exec(`INSERT INTO resource (rid, type, id, version, deleted, last_updated, patient, status, period_start, period_end)
			VALUES (?, ?, ?, 1, 0, ?, ?, ?, ?, ?)`, l.rid, key.Type, key.ID, at, patient, status, start, end)
		l.exec("INSERT INTO resource_version (vid, at, method, deleted, body) VALUES (?, ?, 'POST', 0, ?)", l.rid<<20+1, at, bodies[i])
		for _, token := range index.Tokens {
			l.exec("INSERT INTO token (param, value, rid, version) VALUES (?, ?, ?, 1)", token.Param, token.Value, l.rid)
		}
		for _, number := range index.Numbers {
			l.exec("INSERT INTO number (param, value, rid, version) VALUES (?, ?, ?, 1)", number.Param, number.Value, l.rid)
		}
	}
	l.exec("INSERT INTO identity (name, type, id, digest) VALUES (?, ?, ?, ?)", s.identity(), s.response.Type, s.response.ID, s.observation.ID)
	l.exec(`INSERT INTO delivery (target, rid, wanted, retract, due, wanted_since) VALUES ('ehr', ?, 1, 0, ?, ?)`, l.rid-1, at, at)
}
