package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"net/http"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/receipt"
	"tidemark.example/tidemark/fhir/store"
)

// A receipt is the Task that tells the sender of a response what became of it.
// It has the id of the response and is computed when it is read, so that there
// is one for each response that was ever accepted, and it has no versions.

// madeFrom marks reads of one type that only resources of another are made from,
// whose scopes count then: of the first nothing else is given.
type madeFrom struct{}

// making is what is made, and what from.
type making struct{ as, from string }

func asReceipt(ctx context.Context) context.Context {
	return context.WithValue(ctx, madeFrom{}, making{"Task", "QuestionnaireResponse"})
}

// readReceipt answers the receipt of a response, also of one that was deleted,
// since its score then has to arrive as taken back.
func (s *Server) readReceipt(c *gin.Context) (reply, error) {
	key, err := keyOf("QuestionnaireResponse", c.Param("id"))
	if err != nil {
		return reply{}, err
	}
	ctx := asReceipt(c.Request.Context())
	found, err := s.options.Store.Get(ctx, key)
	if err != nil {
		return reply{}, stored(ctx, err)
	}
	receipts, err := s.receipts(ctx, []store.Resource{found})
	if err != nil {
		return reply{}, stored(ctx, err)
	}
	// Without Last-Modified: two changes may come within its one second.
	digest := sha256.Sum256(receipts[0].Body)
	return reply{status: http.StatusOK, body: receipts[0].Body, etag: `W/"` + hex.EncodeToString(digest[:12]) + `"`}, nil
}

// searchReceipts finds receipts by the responses they are about.
func (s *Server) searchReceipts(c *gin.Context) (reply, error) {
	asked, err := s.asked(c)
	if err != nil {
		return reply{}, err
	}
	found, err := s.parseSearch("Task", asked.values, strict(c))
	if err != nil {
		return reply{}, err
	}
	page, ctx := store.Page{}, asReceipt(c.Request.Context())
	if !found.none {
		found.query.Type = "QuestionnaireResponse"
		if page, err = s.options.Store.Search(ctx, found.query); err != nil {
			return reply{}, stored(ctx, err)
		}
	}
	if page.Resources, err = s.receipts(ctx, page.Resources); err != nil {
		return reply{}, stored(ctx, err)
	}
	return s.results(c, &found, page, asked)
}

// focusParam asks for the receipt of a response.
func focusParam(s *Server, p *parsed, c criterion) error {
	ids := []string{}
	for _, key := range c.referenceKeys(s.options.BaseURL, "QuestionnaireResponse") {
		if r, ok := fhir.ParseReference([]byte(key)); ok && r.Base == "" && r.Type == "QuestionnaireResponse" {
			ids = append(ids, r.ID)
		}
	}
	p.query.IDs = p.narrow(p.query.IDs, ids)
	p.none = p.none || len(ids) == 0
	return nil
}

// receipts makes those of responses that the request may see. What else goes
// into them is read without asking again.
func (s *Server) receipts(ctx context.Context, responses []store.Resource) ([]store.Resource, error) {
	if len(responses) == 0 {
		return nil, nil
	}
	ids, keys := make([]string, len(responses)), make([]store.Key, len(responses))
	for i, r := range responses {
		ids[i], keys[i] = r.ID, store.Key{Type: "Observation", ID: r.ID}
	}
	// The state of the deliveries is read last: then it knows of every version
	// that was read before.
	scores, err := s.raw.Search(ctx, store.Query{Type: "Observation", IDs: ids, Sort: store.ByID, Limit: len(ids)})
	if err != nil {
		return nil, err
	}
	deliveries, err := s.deliveriesOf(ctx, keys)
	if err != nil {
		return nil, err
	}
	all := make([]store.Resource, len(responses))
	for i, r := range responses {
		in := receipt.Input{ID: r.ID, Deleted: r.Deleted, Modified: r.LastUpdated, Deliveries: deliveries[keys[i]], Targets: s.targets()}
		for _, score := range scores.Resources {
			if score.ID == r.ID {
				in.Score, in.ScoreModified = score.Version, score.LastUpdated
			}
		}
		if all[i], err = s.receipt(ctx, r, &in); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// receipt makes one.
func (s *Server) receipt(ctx context.Context, r store.Resource, in *receipt.Input) (store.Resource, error) {
	in.Accepted = r.LastUpdated
	if r.Version > 1 {
		first, err := s.raw.Version(ctx, r.Key, 1)
		if err != nil {
			return store.Resource{}, err
		}
		in.Accepted = first.LastUpdated
	}
	if r.Deleted {
		var err error
		if r, err = before(ctx, s.raw, r); err != nil {
			return store.Resource{}, err
		}
	}
	document, err := fhir.Decode(r.Body)
	if err != nil {
		return store.Resource{}, &fault{"a stored response does not decode", err}
	}
	defer document.Release()
	in.Response = document.Root()
	return store.Resource{Key: store.Key{Type: "Task", ID: r.ID}, Body: receipt.Task(in)}, nil
}

// deliveriesOf are the deliveries of some scores.
func (s *Server) deliveriesOf(ctx context.Context, keys []store.Key) (map[store.Key][]store.Delivery, error) {
	query := store.DeliveryQuery{Keys: keys, Limit: deliveryPage}
	all := make(map[store.Key][]store.Delivery, len(keys))
	for {
		page, err := s.raw.Deliveries(ctx, query)
		if err != nil {
			return nil, err
		}
		for _, d := range page.Deliveries {
			all[d.Key] = append(all[d.Key], d)
		}
		if query.After = page.Next; query.After == "" {
			return all, nil
		}
	}
}

// deliveryPage is how many deliveries are read at once.
const deliveryPage = 1000

// targets are the servers that scores are delivered to.
func (s *Server) targets() []receipt.Target {
	all := make([]receipt.Target, len(s.options.Targets))
	for i, t := range s.options.Targets {
		all[i] = receipt.Target{Name: t.Name, Base: t.Base}
	}
	return all
}

// receiptLink leads from the answer to a submission to its receipt (RFC 8631
// section 4.4, the relation "status").
func (s *Server) receiptLink(response store.Key) string {
	base := s.options.BaseURL
	return "<" + base + "/Task/" + response.ID + `>; rel="status"; anchor="` + base + "/" + response.String() + `"`
}
