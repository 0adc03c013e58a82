package api

import (
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/export"
	"tidemark.example/tidemark/fhir/store"
)

// exportNotes is the name of the file that tells about the export itself.
const exportNotes = "notes"

// manifest lists the files of an export (Bulk Data Access, output manifest).
type manifest struct {
	TransactionTime     string           `json:"transactionTime"`
	Request             string           `json:"request"`
	RequiresAccessToken bool             `json:"requiresAccessToken"`
	Output              []manifestOutput `json:"output"`
	Deleted             []manifestOutput `json:"deleted"`
	Error               []manifestOutput `json:"error"`
}

type manifestOutput struct {
	Type  string `json:"type"`
	URL   string `json:"url"`
	Count int    `json:"count"`
}

// exportStatus says how far an export is (Bulk Data Access, status request).
func (s *Server) exportStatus(c *gin.Context) (reply, error) {
	found, plan, state, err := s.exportOf(c)
	if err != nil {
		return reply{}, err
	}
	switch found.Status {
	case store.ExportFailed:
		return reply{}, fail(http.StatusInternalServerError, fhir.IssueException,
			"The export could not be made; the log of the server has the cause. Cancel it, and start another when its operator has mended that.")
	case store.ExportRunning:
		c.Header("X-Progress", "in progress: "+strconv.FormatInt(state.Found, 10)+" resources found")
		c.Header("Retry-After", "2")
		return reply{status: http.StatusAccepted}, nil
	}
	body, err := json.Marshal(s.manifest(found, plan, state))
	if err != nil {
		return reply{}, &fault{"a manifest that JSON cannot hold", err}
	}
	c.Header("Expires", found.Expires.UTC().Format(http.TimeFormat))
	return reply{status: http.StatusOK, body: body, media: "application/json"}, nil
}

func (s *Server) manifest(e store.Export, plan *export.Plan, state *export.State) manifest {
	m := manifest{
		TransactionTime: e.Instant.Format(fhir.InstantFormat), Request: plan.URL, RequiresAccessToken: s.options.Auth != nil,
		Output: []manifestOutput{}, Deleted: []manifestOutput{}, Error: []manifestOutput{},
	}
	address := func(name string) string { return s.options.BaseURL + "/$export/" + e.ID + "/" + name }
	for i, file := range state.Files {
		out := manifestOutput{file.Type, address(strconv.Itoa(i + 1)), file.Count}
		if file.Deleted {
			out.Type = "Bundle"
			m.Deleted = append(m.Deleted, out)
		} else {
			m.Output = append(m.Output, out)
		}
	}
	if notes := export.Notes(plan, state); len(notes) > 0 {
		m.Error = append(m.Error, manifestOutput{"OperationOutcome", address(exportNotes), len(notes)})
	}
	return m
}

// pageTime is how long a page of a download may take, and the client to read it.
const pageTime = time.Minute
