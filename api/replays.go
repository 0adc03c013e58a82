package api

import (
	"context"
	"strconv"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Replays remembers in the store which assertions clients have used, for all
// processes on the database and over a restart (SMART
// client-confidential-asymmetric: jti is used once).
type Replays struct{ Store store.Store }

// Use implements authserver.Replays. The length of the issuer keeps two pairs
// from having one name (onceName).
func (r Replays) Use(ctx context.Context, issuer, jti string, until time.Time) (bool, error) {
	return r.Store.Once(ctx, onceName("assertion", issuer, jti), until)
}

func onceName(kind, issuer, jti string) string {
	return kind + " " + strconv.Itoa(len(issuer)) + " " + issuer + " " + jti
}
