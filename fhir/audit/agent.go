package audit

import "context"

// Agent is who made a request, as far as it was authenticated. The zero value is
// a client that was not.
type Agent struct {
	// Client is the client_id, User the subject of the token where it stands for a
	// person; Issuer is the authorization server whose names these are.
	Client, User, Issuer string
	// TokenID is the jti of the token, Opaque the token's own end where it has
	// none; see Tail.
	TokenID, Opaque string
	// Patient is the patient that the token is limited to, as a relative
	// reference.
	Patient string
	// Address is the network address the request came from, without its port.
	Address string
}

// Anonymous says whether nobody vouches for the agent.
func (a *Agent) Anonymous() bool { return a.Client == "" && a.User == "" }

// tailLength is how much of an opaque token may be kept (BALP,
// OAUTHaccessTokenUse.Opaque).
const tailLength = 32

// Tail is what may be kept of an opaque token: its last 32 characters, and never
// more than a quarter of it, so that what is kept is of no use to anybody.
func Tail(token string) string {
	return token[len(token)-min(tailLength, len(token)/4):]
}

type agentKey struct{}

// WithAgent gives a request its agent.
func WithAgent(ctx context.Context, agent Agent) context.Context {
	return context.WithValue(ctx, agentKey{}, agent)
}

// AgentOf is the agent of a request, the zero one if nobody authenticated it.
func AgentOf(ctx context.Context) Agent {
	agent, _ := ctx.Value(agentKey{}).(Agent)
	return agent
}
