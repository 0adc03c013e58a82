package api

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/export"
)

// maxExportPatients is how many patients one export may name, by a parameter or as
// a group: each is a value of a statement.
const maxExportPatients = 10_000

// exportFormats are the values of _outputFormat that name the one format there is.
var exportFormats = []string{"application/fhir+ndjson", "application/ndjson", "ndjson"}

// readExport reads what is to be exported.
func (s *Server) readExport(c *gin.Context, level exportLevel) (*export.Plan, error) {
	values, err := s.exportInput(c)
	if err != nil {
		return nil, err
	}
	plan := &export.Plan{Research: level.research, URL: s.options.BaseURL + strings.TrimPrefix(c.Request.URL.RequestURI(), "/fhir"), Owned: level.resource != "" || level.research}
	if c.Request.Method == http.MethodPost {
		plan.URL, _, _ = strings.Cut(plan.URL, "?")
	}
	if err := s.readExportValues(c, level, values, plan); err != nil {
		return nil, err
	}
	if err := s.permitExport(c.Request.Context(), level, values.Has("_type"), plan); err != nil {
		return nil, err
	}
	if err := s.exportPatients(c, level, values, plan); err != nil {
		return nil, err
	}
	if level.research {
		plan.Key = export.NewKey()
	}
	return plan, nil
}

// exportInput reads the parameters of a kick-off; one by POST may have them in its
// URL alone.
func (s *Server) exportInput(c *gin.Context) (url.Values, error) {
	if c.Request.ContentLength == 0 {
		return queryOf(c.Request.URL.RawQuery)
	}
	return s.operationInput(c)
}

// readExportValues reads all but the patients. What is not offered is refused, or
// with handling=lenient told with the result (Bulk Data Access, query parameters).
func (s *Server) readExportValues(c *gin.Context, level exportLevel, values url.Values, plan *export.Plan) error {
	lenient := handled(c) == "lenient"
	for name := range values {
		if slices.Contains([]string{"_outputFormat", "_since", "_type", "_elements", "patient", "_format", "_pretty"}, name) && !(level.research && (name == "_type" || name == "_elements")) {
			continue
		}
		if !lenient {
			return badInput(fhir.IssueNotSupported, "The export does not take the parameter "+clipName(name)+"; leave it out, or send Prefer: handling=lenient to have it ignored.")
		}
		plan.Notes = append(plan.Notes, "Ignored, since this server does not offer it: "+clipName(name)+".")
	}
	slices.Sort(plan.Notes)
	// A plus that was not encoded arrives as a space.
	if format := strings.ReplaceAll(values.Get("_outputFormat"), " ", "+"); format != "" && !slices.Contains(exportFormats, format) {
		return badInput(fhir.IssueNotSupported, "_outputFormat must be application/fhir+ndjson, application/ndjson or ndjson.")
	}
	if text := strings.ReplaceAll(values.Get("_since"), " ", "+"); text != "" {
		since, err := fhir.ParseDateTime([]byte(text))
		if err != nil || since.Precision != fhir.ToSecond {
			return badInput(fhir.IssueValue, "_since must be an instant, as 2026-03-04T19:30:00.000Z; send the transactionTime of the export before.")
		}
		plan.Since = since.Time.UTC().Truncate(time.Millisecond)
	}
	if err := readExportTypes(level, values, lenient, plan); err != nil {
		return err
	}
	return readExportElements(level, values, plan)
}

// listedIn gives the parts of a parameter that is a list, however often it came.
func listedIn(values url.Values, name string) (all []string) {
	for _, text := range values[name] {
		for part := range strings.SplitSeq(text, ",") {
			if part = strings.TrimSpace(part); part != "" && !slices.Contains(all, part) {
				all = append(all, part)
			}
		}
	}
	return all
}

func readExportTypes(level exportLevel, values url.Values, lenient bool, plan *export.Plan) error {
	offered := level.types()
	if level.research || !values.Has("_type") {
		plan.Types = offered
		return nil
	}
	for _, kind := range listedIn(values, "_type") {
		switch {
		case slices.Contains(offered, kind):
			plan.Types = append(plan.Types, kind)
		case lenient:
			plan.Notes = append(plan.Notes, "Ignored in _type, since it is not exported here: "+clipName(kind)+".")
		default:
			return badInput(fhir.IssueNotSupported, "_type "+clipName(kind)+" is not exported here; ask for "+strings.Join(offered, ", ")+".")
		}
	}
	if len(plan.Types) == 0 {
		return badInput(fhir.IssueRequired, "_type names nothing that is exported here; ask for "+strings.Join(offered, ", ")+", or leave it out.")
	}
	return nil
}

func readExportElements(level exportLevel, values url.Values, plan *export.Plan) error {
	if level.research {
		return nil
	}
	for _, name := range listedIn(values, "_elements") {
		kind, element, typed := strings.Cut(name, ".")
		if !typed {
			kind, element = "", name
		}
		if !slices.ContainsFunc(plan.Types, func(t string) bool { return (kind == "" || kind == t) && fhir.HasElement(t, element) }) {
			return badInput(fhir.IssueValue, "_elements names what is no element at the root of the types exported: "+clipName(name)+". Write id, or Observation.status.")
		}
		plan.Elements = append(plan.Elements, name)
	}
	return nil
}

// permitExport settles what the client may see of each type, and leaves out the
// types that it may see nothing of, unless it asked for them in so many words.
func (s *Server) permitExport(ctx context.Context, level exportLevel, asked bool, plan *export.Plan) error {
	plan.Rights = map[string]json.RawMessage{}
	var missing []auth.Need
	for _, kind := range plan.Types {
		if rights := exportRights(ctx, kind, level.resource == "Patient"); len(rights) > 0 {
			plan.Rights[kind] = rightsText(rights)
		} else {
			missing = append(missing, auth.Need{Type: kind, Does: auth.Read | auth.Search})
		}
	}
	if len(missing) == len(plan.Types) || len(missing) > 0 && asked {
		return insufficient(missing...)
	}
	plan.Types = slices.DeleteFunc(slices.Clone(plan.Types), func(kind string) bool { return plan.Rights[kind] == nil })
	return nil
}

// exportPatients settles whom an export is of: those that were named, those of the
// group, and of a token for one patient nobody but that one.
func (s *Server) exportPatients(c *gin.Context, level exportLevel, values url.Values, plan *export.Plan) error {
	within, bound := s.boundPatients(c.Request.Context(), plan)
	if level.resource == "Group" {
		members, known, err := s.options.Exports.Groups(c.Param("id"))
		if err != nil {
			s.options.Logger.Error("the groups of exports cannot be read", "request_id", requestID(c), "error", err)
			return fail(http.StatusServiceUnavailable, fhir.IssueTransient, "It cannot be read who belongs to the groups now; the operator must mend the file of the setting TIDEMARK_EXPORT_GROUPS.")
		}
		if !known {
			return fail(http.StatusNotFound, fhir.IssueNotFound, "There is no such group. Groups are named by the operator of this server, in the file of the setting TIDEMARK_EXPORT_GROUPS.")
		}
		within, bound = members, true
	}
	if !values.Has("patient") {
		plan.Named, plan.Patients = bound, within
		return nil
	}
	if level.resource == "" || c.Request.Method != http.MethodPost {
		return badInput(fhir.IssueNotSupported, "patient is taken by POST only, in Parameters, by Patient/$export and Group/[id]/$export.")
	}
	for _, text := range values["patient"] {
		patient := s.readPatient(url.Values{"patient": {text}})
		if bound && !slices.Contains(within, patient) {
			return fail(http.StatusForbidden, fhir.IssueForbidden, "A patient that was named is not in the group, or not the one that the access token is for.")
		}
		if patient != "" && !slices.Contains(plan.Patients, patient) {
			plan.Patients = append(plan.Patients, patient)
		}
	}
	plan.Named = true
	if len(plan.Patients) > maxExportPatients {
		return fail(http.StatusBadRequest, fhir.IssueTooCostly, "One export names 10000 patients at most; export the others by another, or everybody.")
	}
	return nil
}

// boundPatients are those that all of the rights of an export are bound to.
func (s *Server) boundPatients(ctx context.Context, plan *export.Plan) (patients []string, bound bool) {
	if s.options.Auth == nil {
		return nil, false
	}
	for _, kind := range plan.Types {
		ids, all := exportRights(ctx, kind, true).Patients()
		if !all {
			return nil, false
		}
		for _, id := range ids {
			if patient := "Patient/" + id; !slices.Contains(patients, patient) {
				patients = append(patients, patient)
			}
		}
	}
	return patients, true
}
