package api

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/questionnaire"
	"tidemark.example/tidemark/scoring"
)

// validation is one call of $validate (R4 resource-operation-validate.html).
// What it finds is answered with 200, whatever it is; only a call that cannot be
// carried out fails.
type validation struct {
	server *Server
	// resource is the type; id is that of the instance, "" at type level.
	resource, id string
	// mode is create, update, delete or "", the content alone.
	mode   string
	issues fhir.Issues
}

// validate checks a resource of a type, or with an id in the path, one instance.
func (s *Server) validate(resource string) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		v := &validation{server: s, resource: resource, id: c.Param("id")}
		call, err := s.operation(c)
		defer call.release()
		var found fhir.Issues
		if errors.As(err, &found) {
			return v.reply(found)
		}
		if err != nil {
			return reply{}, err
		}
		if err := v.ask(call); err != nil {
			return reply{}, err
		}
		return v.run(c, call)
	}
}

// reply tells what was found, at the least that nothing was.
func (v *validation) reply(issues fhir.Issues) (reply, error) {
	return reply{status: http.StatusOK, body: append(v.issues, issues...).JSON()}, nil
}

// ask reads the mode and the profile. A profile that is not held here cannot be
// checked against, which is told and not skipped.
func (v *validation) ask(call operation) error {
	v.mode = call.text("mode")
	if v.mode != "" && !slices.Contains([]string{"create", "update", "delete"}, v.mode) {
		return fail(http.StatusBadRequest, fhir.IssueNotSupported, "The mode of $validate is create, update or delete; another is not supported.")
	}
	if profile := call.text("profile"); profile != "" && !v.holds(profile) {
		return fail(http.StatusUnprocessableEntity, fhir.IssueNotSupported, "Resources cannot be validated here against the profile given; leave it out, or validate "+v.resource+" against "+strings.Join(v.profiles(), " or ")+".")
	}
	return nil
}

// profiles are what the checks amount to: R4 itself, and of responses our own
// profile, since the reading code asks for all that it does.
func (v *validation) profiles() []string {
	profiles := []string{"http://hl7.org/fhir/StructureDefinition/" + v.resource}
	if v.resource == "QuestionnaireResponse" {
		profiles = append(profiles, questionnaire.Profiles(v.resource)...)
	}
	return profiles
}

func (v *validation) holds(profile string) bool {
	url, version, versioned := strings.Cut(profile, "|")
	if !slices.Contains(v.profiles(), url) {
		return false
	}
	_, published := questionnaire.Find("StructureDefinition", profile)
	return !versioned || published || version == "4.0.1"
}

func (v *validation) run(c *gin.Context, call operation) (reply, error) {
	switch {
	case v.mode == "delete":
		return v.deletable(c)
	case !call.root.Exists() || call.root.Type() == "Parameters" && !call.named("resource").Exists() && v.id != "":
		return v.stored(c)
	}
	node, err := call.resource("resource")
	if err != nil {
		return reply{}, err
	}
	return v.check(c.Request.Context(), node)
}

// stored checks what the server itself holds.
func (v *validation) stored(c *gin.Context) (reply, error) {
	if v.id == "" {
		return reply{}, malformed(fhir.IssueRequired, "", "The resource to validate is missing; send it alone or as the parameter resource.")
	}
	found, err := v.server.instance(c, v.resource)
	if err != nil {
		return reply{}, err
	}
	document, err := fhir.Decode(found.Body)
	var faults fhir.Issues
	if errors.As(err, &faults) {
		return v.reply(faults)
	}
	if err != nil {
		return reply{}, err
	}
	defer document.Release()
	v.mode = "" // it was accepted once, and is not to be accepted again
	return v.check(c.Request.Context(), document.Root())
}

// check tells everything that is wrong with a resource that is valid R4, which
// the decoder has held already.
func (v *validation) check(ctx context.Context, node fhir.Node) (reply, error) {
	switch {
	case node.Type() != v.resource:
		return v.reply(fhir.Issues{{Severity: fhir.Error, Code: fhir.IssueStructure, Expression: node.Path(), Text: "A " + v.resource + " is expected here, not another resource."}})
	case v.resource == "QuestionnaireResponse":
		return v.response(ctx, node)
	case v.resource == "Questionnaire":
		v.form(node)
	}
	if v.mode != "" {
		v.issues = append(v.issues, fhir.Issue{Severity: fhir.Error, Code: fhir.IssueNotSupported, Expression: node.Path(), Text: "The server takes no " + v.mode + " of " + v.resource + "."})
	}
	return v.reply(fhir.Issues{{Severity: fhir.Information, Code: fhir.IssueInformational, Expression: node.Path(),
		Text: "Names, types, cardinalities and required codes of R4 were checked; profiles, invariants and terminology were not."}})
}

// response reads a response as if it had been sent, and with a mode also tries
// whether the server would take it now, and leaves no trace of that.
func (v *validation) response(ctx context.Context, node fhir.Node) (reply, error) {
	response, err := v.server.options.Forms.Read(node)
	var faults fhir.Issues
	if errors.As(err, &faults) {
		return v.reply(faults)
	}
	if err != nil {
		return reply{}, err
	}
	v.issues = append(v.issues, response.Issues...)
	if v.mode == "" {
		return v.reply(nil)
	}
	sub := v.server.prepare(response)
	if v.mode == "create" {
		err = sub.create()
	} else {
		err = v.aim(sub, node)
	}
	if err == nil {
		err = v.server.dryRun(ctx, sub.keys(), sub.apply)
	}
	return v.outcome(err)
}

// aim names the resource that an update would replace: the instance, or at type
// level the one of the id in the body.
func (v *validation) aim(sub *submission, node fhir.Node) error {
	id := v.id
	if id == "" {
		id = node.Get("id").Text()
	}
	return sub.replace(id, "", "")
}

// outcome turns a refusal into what was found; a failure stays one.
func (v *validation) outcome(err error) (reply, error) {
	if err == nil {
		return v.reply(nil)
	}
	f := classify(err)
	if f.status >= http.StatusInternalServerError {
		return reply{}, err
	}
	return v.reply(f.issues)
}

// deletable tells whether the instance could be deleted.
func (v *validation) deletable(c *gin.Context) (reply, error) {
	if v.id == "" {
		return reply{}, malformed(fhir.IssueInvalid, "", "Whether something can be deleted is asked of the resource itself: "+v.resource+"/[id]/$validate?mode=delete.")
	}
	if _, err := v.server.instance(c, v.resource); err != nil {
		return reply{}, err
	}
	if v.resource != "QuestionnaireResponse" {
		return v.reply(fhir.Issues{{Severity: fhir.Error, Code: fhir.IssueNotSupported, Text: "The server takes no delete of " + v.resource + "."}})
	}
	d := &deletion{server: v.server, id: v.id}
	return v.outcome(v.server.dryRun(c.Request.Context(), d.keys(), d.apply))
}

// form tells, of a form that is valid and not known here, whether responses to it
// could be scored.
func (v *validation) form(node fhir.Node) {
	canonical := node.Get("url").Text() + "|" + node.Get("version").Text()
	if _, known := v.server.options.Forms.Catalog().Form(canonical); known {
		return
	}
	_, err := questionnaire.Map(node.Raw(), scoring.Optional[scoring.Rater]{})
	var faults fhir.Issues
	if !errors.As(err, &faults) {
		return
	}
	for _, fault := range faults {
		fault.Severity, fault.Text = fhir.Information, "Responses to this form could not be scored here: "+fault.Text
		v.issues = append(v.issues, fault)
	}
}

// errDryRun ends a job that must leave nothing behind.
var errDryRun = errors.New("api: a dry run")

// dryRun does a job in the store's next batch and takes it back, so that what
// it says is what it would say.
func (s *Server) dryRun(ctx context.Context, keys []string, job store.Job) error {
	err := s.options.Store.Write(ctx, keys, func(tx store.Tx) error {
		if err := job(tx); err != nil {
			return err
		}
		return errDryRun
	})
	if errors.Is(err, errDryRun) {
		return nil
	}
	return stored(ctx, err)
}
