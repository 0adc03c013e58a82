package api

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// DeliveriesAdmin is where an operator sees and decides about deliveries, on the
// admin listener. Without a token it refuses everything.
type DeliveriesAdmin struct {
	server *Server
	token  config.Secret
}

// DeliveriesAdmin makes it for the deliveries of the server.
func (s *Server) DeliveriesAdmin(token config.Secret) *DeliveriesAdmin {
	return &DeliveriesAdmin{server: s, token: token}
}

// Mount adds the routes to those of the admin listener.
func (a *DeliveriesAdmin) Mount(mux *http.ServeMux) {
	for pattern, handle := range map[string]func(*http.Request) (reply, error){
		"GET /deliveries": a.list, "POST /deliveries/retry": a.deciding(a.retry), "POST /deliveries/drop": a.deciding(a.drop),
		"POST /deliveries/want": a.deciding(a.want), "/deliveries": a.noMethod, "/deliveries/{decision}": a.noMethod,
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, request *http.Request) {
			serveAdmin(w, request, adminDesk{a.server, a.token, "application/json"}, handle)
		})
	}
}

func (a *DeliveriesAdmin) noMethod(*http.Request) (reply, error) {
	return reply{}, fail(http.StatusMethodNotAllowed, fhir.IssueNotSupported, "GET /deliveries lists; POST /deliveries/retry, /deliveries/drop and /deliveries/want decide.")
}

// Delivery is a delivery as an operator sees it. It tells nothing of a patient.
type Delivery struct {
	Target string `json:"target"`
	// Resource is the score, as Observation/17; Member is which part of it, where
	// the target gets it in parts.
	Resource string              `json:"resource"`
	Member   string              `json:"member,omitempty"`
	State    store.DeliveryState `json:"state"`
	// Fault is the kind of what went wrong last, Reason the same in words.
	Fault  string `json:"fault,omitempty"`
	Reason string `json:"reason,omitempty"`
	// Wanted and Delivered are versions of the score.
	Wanted    int64 `json:"wanted"`
	Delivered int64 `json:"delivered"`
	Retract   bool  `json:"retract,omitempty"`
	Attempts  int   `json:"attempts"`
	// Checked is when the target's copy was read last, Repairs how often it was
	// written again since it differed.
	Checked time.Time `json:"checked,omitzero"`
	Repairs int       `json:"repairs,omitempty"`
	// Since is when the target first fell behind, Due when it is tried next,
	// Changed when anything was last recorded of it.
	Since   time.Time `json:"since,omitzero"`
	Due     time.Time `json:"due,omitzero"`
	Changed time.Time `json:"changed,omitzero"`
	// Remote is the target's own reference to what it holds, relative to its base.
	Remote string `json:"remote,omitempty"`
}

// DeliveryList is a page of deliveries. Next is the parameter after of the page
// that follows.
type DeliveryList struct {
	Deliveries []Delivery `json:"deliveries"`
	Total      int        `json:"total"`
	Next       string     `json:"next,omitempty"`
}

// Decision is what an operator decides about deliveries: those of a target, of
// a resource, of a member of it, and with a fault, as far as they are named.
type Decision struct {
	Target   string  `json:"target,omitempty"`
	Resource string  `json:"resource,omitempty"`
	Member   *string `json:"member,omitempty"`
	Fault    string  `json:"fault,omitempty"`
	// Reason is why deliveries are given up. It is kept, and senders read it.
	Reason string `json:"reason,omitempty"`
	// Since is the first date of the scores that are wanted, "" for all.
	Since string `json:"since,omitempty"`
}

// Decided tells how many deliveries a decision changed; of scores wanted, how
// many the target is to hold by it.
type Decided struct {
	Changed int `json:"changed"`
}

func (a *DeliveriesAdmin) list(request *http.Request) (reply, error) {
	query, err := deliveryQuery(request.URL.RawQuery)
	if err != nil {
		return reply{}, err
	}
	page, err := a.server.raw.Deliveries(request.Context(), query)
	if err != nil {
		return reply{}, stored(request.Context(), err)
	}
	list := DeliveryList{Deliveries: []Delivery{}, Total: page.Total, Next: page.Next}
	for _, d := range page.Deliveries {
		list.Deliveries = append(list.Deliveries, shown(d))
	}
	return jsonReply(list)
}

// shown is a delivery without what is only the worker's.
func shown(d store.Delivery) Delivery {
	s := Delivery{
		Target: d.Target, Resource: d.Key.String(), Member: d.Member, State: d.State(), Fault: d.Fault, Reason: d.Reason,
		Wanted: d.Wanted, Delivered: d.Delivered, Retract: d.Retract, Attempts: d.Attempts, Since: d.WantedSince, Changed: d.Changed,
		Checked: d.Checked, Repairs: d.Repairs,
	}
	if s.State == store.Pending || s.State == store.InDoubt {
		s.Due = d.Due
	}
	if d.RemoteID != "" {
		s.Remote = observation.MemberType(d.Member) + "/" + d.RemoteID
	}
	return s
}

func jsonReply(value any) (reply, error) {
	body, err := json.Marshal(value)
	return reply{status: http.StatusOK, body: append(body, '\n')}, err
}

// The most deliveries of a list, and how many there are if nothing is said.
const (
	maxDeliveries     = 1000
	defaultDeliveries = 100
)

// deliveryQuery reads what to list.
func deliveryQuery(raw string) (store.DeliveryQuery, error) {
	query := store.DeliveryQuery{Limit: defaultDeliveries, Total: true}
	values, err := queryOf(raw)
	if err != nil {
		return query, err
	}
	d := Decision{}
	for name, all := range values {
		value := all[0]
		switch {
		case len(all) > 1:
			err = badParam(clipName(name), "given once")
		case name == "target":
			d.Target = value
		case name == "resource":
			d.Resource = value
		case name == "member":
			d.Member = &value
		case name == "fault":
			d.Fault = value
		case name == "state":
			query.States, err = statesOf(value)
		case name == "count":
			query.Limit, err = countParam(value)
		case name == "after":
			query.After = value
		default:
			err = fail(http.StatusBadRequest, fhir.IssueNotSupported, "There is no parameter "+clipName(name)+"; the list takes target, resource, member, fault, state, count and after.")
		}
		if err != nil {
			return query, err
		}
	}
	query.Limit = min(query.Limit, maxDeliveries)
	selected, err := d.selected()
	query.Target, query.Keys, query.Member, query.Fault = selected.Target, selected.Keys, selected.Member, selected.Fault
	return query, err
}

// statesOf reads states, separated by commas.
func statesOf(value string) ([]store.DeliveryState, error) {
	var states []store.DeliveryState
	for name := range strings.SplitSeq(value, ",") {
		state := store.DeliveryState(name)
		if !slices.Contains(store.DeliveryStates, state) {
			return nil, badParam("state", fmt.Sprint("of ", store.DeliveryStates))
		}
		states = append(states, state)
	}
	return states, nil
}

// selected is the query for what a decision names.
func (d *Decision) selected() (store.DeliveryQuery, error) {
	query := store.DeliveryQuery{Target: d.Target, Member: d.Member, Fault: d.Fault}
	if d.Resource == "" {
		return query, nil
	}
	kind, id, typed := strings.Cut(d.Resource, "/")
	if !typed {
		kind, id = "Observation", d.Resource
	}
	if !fhir.IsID(id) || !fhir.IsResource(kind) {
		return query, fail(http.StatusBadRequest, fhir.IssueValue, "resource is the id of a score, as 17 or Observation/17.")
	}
	query.Keys = []store.Key{{Type: kind, ID: id}}
	return query, nil
}

// written is the decision as the audit trail has it.
func (d *Decision) written(name string) string {
	values := url.Values{}
	for key, value := range map[string]string{"target": d.Target, "resource": d.Resource, "fault": d.Fault, "reason": d.Reason, "since": d.Since} {
		if value != "" {
			values.Set(key, value)
		}
	}
	if d.Member != nil {
		values.Set("member", *d.Member)
	}
	return "deliveries/" + name + "?" + values.Encode()
}

// deciding reads a decision, makes it and answers how much it changed.
func (a *DeliveriesAdmin) deciding(decide func(context.Context, *http.Request, *Decision) (int, error)) func(*http.Request) (reply, error) {
	return func(request *http.Request) (reply, error) {
		d := &Decision{}
		decoder := json.NewDecoder(request.Body)
		decoder.DisallowUnknownFields()
		if err := decoder.Decode(d); err != nil || decoder.More() {
			return reply{}, fail(http.StatusBadRequest, fhir.IssueStructure, "Send one JSON object with target, resource, member, fault, reason or since as texts.")
		}
		changed, err := decide(request.Context(), request, d)
		if err != nil {
			return reply{}, stored(request.Context(), err)
		}
		if kick := a.server.options.Kick; kick != nil {
			kick()
		}
		a.server.options.Logger.InfoContext(request.Context(), "deliveries were decided about", "path", request.URL.Path, "target", d.Target, "fault", d.Fault, "changed", changed)
		return jsonReply(Decided{Changed: changed})
	}
}
