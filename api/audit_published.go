package api

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir/audit"
)

// publishedSummary is how long reads of what is published are counted before an
// event tells of them.
const publishedSummary = 10 * time.Second

// maxPublishedReads is how many different reads are counted apart; what goes
// beyond counts as one of its route.
const maxPublishedReads = 1000

// countedPaths are the routes that read what is published: forms, terminology,
// the Device, what the server offers. Nobody's data is in it.
func countedPaths(routes []route) map[string]bool {
	paths, others := map[string]bool{}, map[string]bool{}
	for _, r := range routes {
		published := auditInteraction(r) == "capabilities" || r.resource == "Device" || r.resource == "Basic" || slices.Contains(publishedTypes, r.resource)
		if published && r.method == http.MethodGet && r.operation == "" {
			paths[r.path] = true
		} else {
			others[r.path] = true
		}
	}
	for path := range others {
		delete(paths, path)
	}
	return paths
}

// publishedReads counts the reads of what is published.
type publishedReads struct {
	server *Server
	every  time.Duration
	mu     sync.Mutex
	reads  map[publishedRead]*audit.Event
	timer  *time.Timer
	closed bool
	// telling is held while events are written.
	telling sync.Mutex
}

// publishedRead is what is counted apart: what was asked for, by whom.
type publishedRead struct{ address, client, user string }

// count counts one answer.
func (p *publishedReads) count(c *gin.Context) {
	agent := audit.AgentOf(c.Request.Context())
	if grant := grantOf(c.Request.Context()); grant != nil {
		agent.Client, agent.User = grant.ClientID, grant.User
	}
	key := publishedRead{c.Request.URL.Path, agent.Client, agent.User}
	if c.Request.URL.RawQuery != "" {
		key.address += "?" + c.Request.URL.RawQuery
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if known := p.reads[key]; known != nil {
		known.Count++
		return
	}
	if len(p.reads) >= maxPublishedReads {
		key = publishedRead{address: c.FullPath()}
		if known := p.reads[key]; known != nil {
			known.Count++
			return
		}
	}
	first := p.begin(c, key)
	p.reads[key] = &first
	if p.timer == nil && !p.closed {
		p.timer = time.AfterFunc(p.every, p.tell)
	}
}

// begin is the event of a read that was not counted yet.
func (p *publishedReads) begin(c *gin.Context, key publishedRead) audit.Event {
	t := p.server.newTrail(c)
	if route := exchangeOf(c).route; route != nil {
		t.follow(c, *route)
	}
	if strings.Contains(key.address, "/:") {
		t.entity, t.query = "", key.address
	}
	e := p.server.event(t)
	e.Entity, e.Query, e.Count, e.Since = t.entity, t.query, 1, e.Recorded
	return e
}

// tell writes an event for each that was counted.
func (p *publishedReads) tell() {
	p.telling.Lock()
	defer p.telling.Unlock()
	p.mu.Lock()
	var events []audit.Event
	for _, read := range p.reads {
		read.Recorded = time.Now()
		events = append(events, *read)
	}
	clear(p.reads)
	p.timer = nil
	p.mu.Unlock()
	if len(events) == 0 {
		return
	}
	if err := p.server.appendAudit(context.Background(), events); err != nil {
		p.server.metrics.auditLost.Add(float64(len(events)))
		p.server.options.Logger.Error("audit lost", "events", len(events), "error", err)
	}
}

// close tells what was counted.
func (p *publishedReads) close() {
	p.mu.Lock()
	p.closed = true
	if p.timer != nil {
		p.timer.Stop()
	}
	p.mu.Unlock()
	p.tell()
}
