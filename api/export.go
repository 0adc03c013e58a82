package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/export"
	"tidemark.example/tidemark/fhir/store"
)

// Defaults of Exports.
const (
	DefaultExportKeep = 24 * time.Hour
	DefaultExportMost = 2
)

// Exports says how bulk exports are offered (HL7 Bulk Data Access).
type Exports struct {
	// Groups gives the patients of a group, as store.Index has them; nil if there
	// are no groups. An error says that it is not known who belongs to it now.
	Groups func(id string) (patients []string, known bool, err error)
	// Keep is how long an export can be downloaded, Most how many of one client are
	// prepared at once; 0 means the defaults.
	Keep time.Duration
	Most int
	// Kick wakes whoever prepares them.
	Kick func()
}

// The operations.
const (
	bulkExport     = "export"
	researchExport = "scorad-research-export"
)

// The interactions of the routes by which an export is followed.
const (
	exportStatus = "export-status"
	exportCancel = "export-cancel"
	exportFile   = "export-file"
)

// Where an export is followed.
const (
	exportPath     = "/fhir/$export"
	exportJobPath  = exportPath + "/:id"
	exportFilePath = exportJobPath + "/:file"
)

// exportRoutes are there if exports are offered; those of groups, if there are
// any.
func (s *Server) exportRoutes() []route {
	if s.options.Exports == nil {
		return nil
	}
	routes := []route{
		{http.MethodGet, exportJobPath, "", exportStatus, "", s.exportStatus},
		{http.MethodDelete, exportJobPath, "", exportCancel, "", s.cancelExport},
		{http.MethodGet, exportFilePath, "", exportFile, "", s.exportFile},
	}
	offer := func(path, resource, operation string) {
		kickOff := s.kickOff(exportLevel{resource, operation == researchExport})
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			routes = append(routes, route{method, path + "/$" + operation, resource, "", operation, kickOff})
		}
	}
	offer("/fhir", "", bulkExport)
	offer("/fhir/Patient", "Patient", bulkExport)
	offer("/fhir", "", researchExport)
	if s.options.Exports.Groups != nil {
		offer("/fhir/Group/:id", "Group", bulkExport)
		offer("/fhir/Group/:id", "Group", researchExport)
	}
	return routes
}

// exports says whether a route is about a bulk export: any of the types that there
// are will do for it, and what may be seen of each is settled for each export.
func (r route) exports() bool {
	return r.operation == bulkExport || slices.Contains([]string{exportStatus, exportCancel, exportFile}, r.interaction)
}

// exportLevel is what an export is asked of: everything, every patient or a group.
type exportLevel struct {
	resource string
	research bool
}

// types are those that can be asked for.
func (l exportLevel) types() []string {
	if l.research {
		return []string{"Observation"}
	}
	return auth.ExportTypes()
}

// kickOff starts an export (Bulk Data Access, kick-off request).
func (s *Server) kickOff(level exportLevel) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		if err := alone(c); err != nil {
			return reply{}, err
		}
		if !strings.Contains(prefer(c), "respond-async") {
			return reply{}, badInput(fhir.IssueRequired, "An export is prepared in the background; send the header Prefer: respond-async.")
		}
		plan, err := s.readExport(c, level)
		if err != nil {
			return reply{}, err
		}
		started, err := s.startExport(c, plan)
		if err != nil {
			return reply{}, err
		}
		s.metrics.Exported("started", 1)
		if s.options.Exports.Kick != nil {
			s.options.Exports.Kick()
		}
		c.Header("Content-Location", s.options.BaseURL+"/$export/"+started.ID)
		return reply{status: http.StatusAccepted, body: fhir.Issues{{Severity: fhir.Information, Code: fhir.IssueInformational,
			Text: "The export is being prepared; Content-Location is where to ask for it, and to cancel it by DELETE."}}.JSON()}, nil
	}
}

// alone refuses to do an export as a part of a Bundle, whose answer is in memory
// as a whole.
func alone(c *gin.Context) error {
	if c.Request.Context().Value(partOfBundle{}) != nil {
		return badInput(fhir.IssueNotSupported, "Exports are asked for by requests of their own, not within a Bundle.")
	}
	return nil
}

// startExport keeps what is to be exported, unless the client has too many under
// way.
func (s *Server) startExport(c *gin.Context, plan *export.Plan) (started store.Export, err error) {
	ctx, most, keep := c.Request.Context(), s.options.Exports.Most, s.options.Exports.Keep
	if most == 0 {
		most = DefaultExportMost
	}
	if keep == 0 {
		keep = DefaultExportKeep
	}
	request, err := json.Marshal(plan)
	if err != nil {
		return store.Export{}, &fault{"an export that JSON cannot hold", err}
	}
	id, err := uuid.NewRandom() // it tells nobody when the export was made
	if err != nil {
		return store.Export{}, &fault{"no random id", err}
	}
	err = s.options.Store.Write(ctx, nil, func(tx store.Tx) error {
		running, err := tx.Exports(exportOwner(ctx))
		if err != nil {
			return err
		}
		if running >= most {
			return errExports
		}
		started, err = tx.StartExport(store.Export{ID: id.String(), Owner: exportOwner(ctx), Expires: tx.Now().Add(keep), Request: request})
		return err
	})
	if errors.Is(err, errExports) {
		c.Header("Retry-After", "30")
		return store.Export{}, fail(http.StatusTooManyRequests, fhir.IssueThrottled,
			"This client has as many exports under way as it may; wait for one of them, or cancel it by DELETE at its Content-Location.")
	}
	return started, stored(ctx, err)
}

// errExports says that a client has too many exports under way.
var errExports = errors.New("api: as many exports as a client may have")

// exportOf reads an export of the client's own, if the request may see now what
// the export was started with.
func (s *Server) exportOf(c *gin.Context) (store.Export, *export.Plan, *export.State, error) {
	ctx := c.Request.Context()
	if err := alone(c); err != nil {
		return store.Export{}, nil, nil, err
	}
	found, err := s.options.Store.Export(ctx, c.Param("id"))
	if errors.Is(err, store.ErrNotFound) {
		return store.Export{}, nil, nil, fail(http.StatusNotFound, fhir.IssueNotFound,
			"There is no such export of this client: it was cancelled, or its time is over. Start another.")
	}
	if err != nil {
		return store.Export{}, nil, nil, stored(ctx, err)
	}
	plan, state, err := export.Read(found)
	if err == nil {
		err = sameRights(ctx, plan)
	}
	return found, plan, state, err
}

// cancelExport forgets an export (Bulk Data Access, delete request).
func (s *Server) cancelExport(c *gin.Context) (reply, error) {
	found, _, _, err := s.exportOf(c)
	if err != nil {
		return reply{}, err
	}
	ctx := c.Request.Context()
	if err := s.options.Store.Write(ctx, nil, func(tx store.Tx) error { return tx.DeleteExport(found.ID) }); err != nil {
		return reply{}, stored(ctx, err)
	}
	s.metrics.Exported("cancelled", 1)
	return reply{status: http.StatusAccepted, body: fhir.Issues{{Severity: fhir.Information, Code: fhir.IssueInformational,
		Text: "The export is forgotten."}}.JSON()}, nil
}

// exportOwner is whose an export is: of one client, user and patient, so that two
// who use the same app do not meet.
func exportOwner(ctx context.Context) string {
	g := grantOf(ctx)
	if g == nil {
		return ""
	}
	return ownerOf("export", g.Issuer, g.ClientID, g.Subject, g.Patient)
}
