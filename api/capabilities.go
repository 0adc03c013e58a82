package api

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"

	"github.com/gin-gonic/gin"
	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"tidemark.example/tidemark/fhir/subscription"
	"tidemark.example/tidemark/questionnaire"
)

// capabilities answers the CapabilityStatement, made from the routes, so that
// it cannot claim what is not there. It is the same for as long as the program
// runs, so it is written and compressed once; its tag is a digest of it.
func (s *Server) capabilities() func(*gin.Context) (reply, error) {
	once := sync.OnceValues(func() (reply, error) {
		body, err := json.Marshal(s.statement())
		if err != nil {
			return reply{}, fmt.Errorf("api: writing the CapabilityStatement: %w", err)
		}
		digest := sha256.Sum256(body)
		return reply{
			status: http.StatusOK, body: body, zipped: sync.OnceValue(func() []byte { return zipBest(body) }),
			etag: `W/"` + hex.EncodeToString(digest[:8]) + `"`, cache: cacheCurrent,
		}, nil
	})
	return func(*gin.Context) (reply, error) { return once() }
}

func ptr[T any](v T) *T { return &v }

// statementDate is when the statement last changed in kind.
const statementDate = "2026-11-30"

// sdcRole begins the canonical URLs of SDC's roles. Of the form manager's only
// the fill manager's part is there: forms are not created by clients. A response
// manager, a fill manager and a receiver are what their SHALLs say (SDC 4).
const sdcRole = "http://hl7.org/fhir/uv/sdc/CapabilityStatement/sdc-"

const restText = "JSON in UTF-8 only; XML is not offered, nor is patching. Bodies may be sent and asked for as gzip. " +
	"Published forms, code systems, value sets and profiles keep every version readable under its version as version id, and searches find " +
	"all versions, the newest first. Expression languages (SDC): the forms' variables and calculatedExpressions are text/fhirpath; scores and " +
	"extraction are computed by the server itself from the answers, without text/cql or application/x-fhir-query, and $populate evaluates no expressions."

const securityText = "Requests are not authenticated: the server listens on a loopback address only, for trial and development."

// smartService is how R4 names servers that follow SMART.
const smartService = "http://terminology.hl7.org/CodeSystem/restful-security-service"

// security tells how requests are authorised.
func (s *Server) security() *models.CapabilityStatementRestSecurity {
	security := &models.CapabilityStatementRestSecurity{Cors: ptr(len(s.options.CORSOrigins) > 0), Description: ptr(securityText)}
	if s.options.Auth != nil {
		security.Service = []models.CodeableConcept{{
			Coding: []models.Coding{{System: ptr(smartService), Code: ptr("SMART-on-FHIR"), Display: ptr("SMART-on-FHIR")}},
			Text:   ptr("OAuth2 using SMART-on-FHIR profile (see http://docs.smarthealthit.org)"),
		}}
		security.Description = ptr(s.options.Auth.Description + " See " + s.options.BaseURL + "/.well-known/smart-configuration.")
	}
	return security
}

func (s *Server) statement() models.CapabilityStatement {
	statement := models.CapabilityStatement{
		Url: ptr(questionnaire.Base + "/CapabilityStatement/tidemark"), Version: ptr(s.options.Version), Name: ptr("Tidemark"), Title: ptr("Tidemark"),
		Status: models.PublicationStatusActive, Date: statementDate, Publisher: ptr("Tidemark"),
		Description: ptr("Publishes the SCORAD forms, takes responses to them and answers with scores. XML is not offered."),
		Kind:        models.CapabilityStatementKindInstance,
		Software:    &models.CapabilityStatementSoftware{Name: "Tidemark", Version: ptr(s.options.Version)},
		Implementation: &models.CapabilityStatementImplementation{
			Description: "Tidemark", Url: ptr(s.options.BaseURL),
		},
		FhirVersion: models.FHIRVersion4_0_1, Format: []string{"application/fhir+json", "json"},
		Instantiates:        []string{sdcRole + "form-fill-manager", sdcRole + "form-response-manager", sdcRole + "form-receiver"},
		ImplementationGuide: []string{"http://hl7.org/fhir/uv/sdc/ImplementationGuide/hl7.fhir.uv.sdc"},
	}
	rest := models.CapabilityStatementRest{
		Mode: models.RestfulCapabilityModeServer, Documentation: ptr(restText),
		Security: s.security(),
	}
	for _, r := range s.routes {
		if r.resource == "" {
			if r.operation != "" {
				rest.Operation = withOperation(rest.Operation, r)
			}
			if r.interaction == "transaction" {
				rest.Interaction = append(rest.Interaction,
					models.CapabilityStatementRestInteraction{Code: models.SystemRestfulInteractionTransaction},
					models.CapabilityStatementRestInteraction{Code: models.SystemRestfulInteractionBatch})
			}
			continue
		}
		describe(&rest, r)
	}
	if s.options.Exports != nil {
		statement.Instantiates = append(statement.Instantiates, bulkGuide+"CapabilityStatement/bulk-data")
	}
	if s.options.Subscriptions != nil {
		statement.Instantiates = append(statement.Instantiates, subscription.ServerR4)
	}
	statement.Rest = []models.CapabilityStatementRest{rest}
	return statement
}

// describe adds a route to its resource.
func describe(rest *models.CapabilityStatementRest, r route) {
	at := slices.IndexFunc(rest.Resource, func(e models.CapabilityStatementRestResource) bool { return e.Type.Code() == r.resource })
	if at < 0 {
		at = len(rest.Resource)
		rest.Resource = append(rest.Resource, newResource(r.resource))
	}
	resource := &rest.Resource[at]
	if r.operation != "" {
		resource.Operation = withOperation(resource.Operation, r)
		return
	}
	switch r.interaction {
	case conditionalUpdate:
		resource.ConditionalUpdate = ptr(true)
		return
	case conditionalDelete:
		one := models.ConditionalDeleteStatusSingle
		resource.ConditionalDelete = &one
		return
	case "history-instance", "vread":
		resource.ReadHistory = ptr(true)
	}
	var code models.TypeRestfulInteraction
	mustCode(&code, r.interaction)
	if slices.ContainsFunc(resource.Interaction, func(i models.CapabilityStatementRestResourceInteraction) bool { return i.Code == code }) {
		return // by another method
	}
	resource.Interaction = append(resource.Interaction, models.CapabilityStatementRestResourceInteraction{Code: code})
}

// withOperation lists an operation once, on whatever levels and by whatever
// methods it is there.
func withOperation(all []models.CapabilityStatementRestResourceOperation, r route) []models.CapabilityStatementRestResourceOperation {
	if slices.ContainsFunc(all, func(o models.CapabilityStatementRestResourceOperation) bool { return o.Name == r.operation }) {
		return all
	}
	operation := models.CapabilityStatementRestResourceOperation{Name: r.operation, Definition: definitionOf(r.operation, r.resource)}
	if text := operationTexts[r.operation]; text != "" {
		operation.Documentation = ptr(text)
	}
	return append(all, operation)
}

// The interactions that the CapabilityStatement does not list as such, but
// states beside the plain ones.
const (
	conditionalUpdate = "conditional update"
	conditionalDelete = "conditional delete"
)

// bulkGuide begins the canonical URLs of the Bulk Data Access guide.
const bulkGuide = "http://hl7.org/fhir/uv/bulkdata/"

// definitionOf is the canonical URL of an operation of a type, "" for the system.
func definitionOf(operation, resource string) string {
	switch operation {
	case bulkExport:
		if resource != "" {
			operation = strings.ToLower(resource) + "-" + operation
		}
		return bulkGuide + "OperationDefinition/" + operation
	case "extract":
		return sdcOperation + "QuestionnaireResponse-extract"
	case "populate", "process-response":
		return sdcOperation + "Questionnaire-" + operation
	case "status":
		return subscription.StatusOperation
	case "events":
		return subscription.EventsOperation
	case "lastn", "stats":
		return "http://hl7.org/fhir/OperationDefinition/Observation-" + operation
	case "scorad-trend", "scorad-agreement", researchExport:
		return questionnaire.Base + "/OperationDefinition/" + operation
	case "validate":
		return "http://hl7.org/fhir/OperationDefinition/Resource-validate"
	}
	panic("api: $" + operation + " has no definition")
}

// operationTexts document what an operation does here.
var operationTexts = map[string]string{
	"extract":          shapeDocumentation,
	"events":           "What has been told and what is still to be, for seven days after it was accepted; at most 1000 at once. Content is what the subscription has.",
	"populate":         populateText,
	"scorad-trend":     "Of a patient's scores by series: latest, slope with its interval, time-weighted mean, change since the last and since a baseline against published sizes.",
	"scorad-agreement": "How well scores of family and team agree: by item, bias and limits, ICC(2,1), weighted kappa, concordance; without a patient of all, which takes a system scope.",
	bulkExport:         exportText,
	researchExport:     "Scores with their parts and answers, of valid ratings only, without what says who somebody is: a pseudonym of this export alone, dates moved by whole days. Read the notes that come with it.",
	"process-response": "Scores and stores a response as creating it would; a response in progress is refused.",
	"validate":         "Of responses everything that creating them would find, with mode create or update also whether it would be taken now; of other types R4's structure.",
}

const exportText = "Prepared in the background (Prefer: respond-async): what was there at one instant, as application/fhir+ndjson. " +
	"Types are QuestionnaireResponse, Observation and Provenance. _since, _type and _elements are taken; patient by POST to Patient and Group."

const subscriptionText = "The channel is rest-hook, the content id-only or empty. Each client sees its own. Headers and signing key are never shown; " +
	"a header of value " + subscription.Withheld + " keeps what is stored. Events are sent at least once, in order, and are recorded while the status is error."

func newResource(name string) models.CapabilityStatementRestResource {
	resource := models.CapabilityStatementRestResource{}
	mustCode(&resource.Type, name)
	resource.SupportedProfile = questionnaire.Profiles(name)
	declareSearch(&resource, name)
	if searchParams[name] != nil {
		// Reads of what is stored hold If-None-Match and If-Modified-Since alike.
		full := models.ConditionalReadStatusFullSupport
		resource.ConditionalRead = &full
	}
	if slices.Contains(publishedTypes, name) {
		tags := models.ConditionalReadStatusNotMatch
		resource.ConditionalRead = &tags
	}
	versioned := models.ResourceVersionPolicyVersioned
	resource.Versioning = &versioned
	if name == "DiagnosticReport" {
		resource.Documentation = ptr(reportText)
	}
	if name == "Patient" || name == "Group" { // there are operations only
		versioning := models.ResourceVersionPolicyNoVersion
		resource.Versioning = &versioning
	}
	if isComputed(name) {
		tags, unversioned := models.ConditionalReadStatusNotMatch, models.ResourceVersionPolicyNoVersion
		resource.ConditionalRead, resource.Versioning = &tags, &unversioned
	}
	if name == "Subscription" {
		versioned = models.ResourceVersionPolicyVersionedUpdate
		resource.UpdateCreate = ptr(false)
		resource.SupportedProfile = []string{subscription.Profile}
		resource.Extension = []models.Extension{{Url: subscription.TopicExtension, ValueCanonical: ptr(subscription.Topic)}}
		resource.Documentation = ptr(subscriptionText)
	}
	if name == "QuestionnaireResponse" {
		versioned = models.ResourceVersionPolicyVersionedUpdate // If-Match is held
		resource.ReferencePolicy = []models.ReferenceHandlingPolicy{models.ReferenceHandlingPolicyLiteral, models.ReferenceHandlingPolicyLogical}
		resource.UpdateCreate = ptr(false)
		resource.ConditionalCreate = ptr(true)
	}
	return resource
}

// declareSearch lists what a type is searched by and joined with.
func declareSearch(resource *models.CapabilityStatementRestResource, name string) {
	declare := func(param, kind, definition, text string) {
		entry := models.CapabilityStatementRestResourceSearchParam{Name: param, Documentation: ptr(text)}
		mustCode(&entry.Type, kind)
		if definition != "" {
			entry.Definition = ptr(definition)
		}
		resource.SearchParam = append(resource.SearchParam, entry)
	}
	if params := searchParams[name]; params != nil {
		for _, p := range slices.Concat(paramsOf(name)...) {
			declare(p.name, p.kind, "http://hl7.org/fhir/SearchParameter/"+p.definition, p.text)
		}
	}
	for _, p := range auditParams {
		if name == "AuditEvent" {
			declare(p.name, p.kind, p.definition, p.text)
		}
	}
	for _, p := range fixedParams[name] {
		declare(p.name, p.kind, p.definition, p.text)
	}
	for _, j := range joins {
		if j.source == name {
			resource.SearchInclude = append(resource.SearchInclude, j.String())
		}
		if j.target == name && j.revIncluded() {
			resource.SearchRevInclude = append(resource.SearchRevInclude, j.String())
		}
	}
}

// mustCode sets an enumeration from a code of our own tables.
func mustCode(target json.Unmarshaler, code string) {
	if err := target.UnmarshalJSON([]byte(`"` + code + `"`)); err != nil {
		panic("api: " + err.Error())
	}
}
