package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
)

// rights are what the client of a subscription may be told. A token is gone long
// before the subscription, so what its scopes and its patient allowed when the
// subscription was last written is kept with it; whoever writes it again brings
// the rights of their own token.
type rights struct {
	// Scores and Responses say which Observations and which responses.
	Scores    auth.Restriction `json:"scores,omitempty"`
	Responses auth.Restriction `json:"responses,omitempty"`
}

// everything are the rights where requests are not authorised.
var everything = rights{auth.Restriction{{}}, auth.Restriction{{}}}

func rightsOfGrant(g *auth.Grant) rights {
	return rights{g.Restriction("Observation", auth.Read), g.Restriction("QuestionnaireResponse", auth.Read)}
}

// rightsOf are those of a request, as they are kept: to be told of scores takes
// the right to read them.
func rightsOf(ctx context.Context) ([]byte, error) {
	r := everything
	if a := accessOf(ctx); a != nil {
		if r = rightsOfGrant(a.grant); len(r.Scores) == 0 {
			return nil, insufficient(auth.Need{Type: "Observation", Does: auth.Read})
		}
	}
	return json.Marshal(r)
}

// scores says whether a score is within the rights.
func (r rights) scores(score fhir.Node, base string) bool {
	return r.Scores.Permits(auth.Facts{
		Patient: patientID(patientKey(score.Get("subject"), base)),
		Codings: func(param string) []auth.Coding { return codingsOf(score, param) },
	})
}

// SubscriptionRights judges what the clients of subscriptions may be told, at the
// server of a base.
type SubscriptionRights struct{ Base string }

// Patient is what the patient of a score is found by.
func (s SubscriptionRights) Patient(score fhir.Node) string {
	return patientKey(score.Get("subject"), s.Base)
}

// Permits says whether rights cover a score, and the response that it is of.
// Rights that cannot be read cover nothing.
func (s SubscriptionRights) Permits(kept []byte, score fhir.Node) (ofScore, ofResponse bool) {
	var r rights
	if err := json.Unmarshal(kept, &r); err != nil {
		return false, false
	}
	// What codes a response has is not known here, so that scopes which name some
	// do not cover it.
	return r.scores(score, s.Base), r.Responses.Permits(auth.Facts{Patient: patientID(s.Patient(score))})
}

// owners are those whose subscriptions a grant may do something with. One of
// system/ is the client's; one of user/ is its user's, one of patient/ its
// patient's, so that two who use the same app do not meet.
func owners(g *auth.Grant, does auth.Interaction) []string {
	all := []string{}
	for _, context := range g.Contexts("Subscription", does) {
		of := ""
		switch context {
		case auth.PatientContext:
			of = g.Patient
		case auth.UserContext:
			if of = g.User; of == "" {
				of = g.Subject
			}
		}
		all = append(all, ownerOf(string(context), g.Issuer, g.ClientID, of))
	}
	return all
}

// ownerOf is the digest that something is kept under as somebody's.
func ownerOf(parts ...string) string {
	name, err := json.Marshal(parts)
	if err != nil {
		panic("api: " + err.Error()) // texts only
	}
	digest := sha256.Sum256(name)
	return hex.EncodeToString(digest[:])
}
