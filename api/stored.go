package api

import (
	"net/http"
	"strconv"

	"github.com/gin-gonic/gin"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// read answers the current version of a stored resource.
func (s *Server) read(resource string) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		key, err := keyOf(resource, c.Param("id"))
		if err != nil {
			return reply{}, err
		}
		found, err := s.options.Store.Get(c.Request.Context(), key)
		if err != nil {
			return reply{}, stored(c.Request.Context(), err)
		}
		return versionReply(found)
	}
}

// vread answers one version.
func (s *Server) vread(resource string) func(*gin.Context) (reply, error) {
	return func(c *gin.Context) (reply, error) {
		key, err := keyOf(resource, c.Param("id"))
		if err != nil {
			return reply{}, err
		}
		version, err := strconv.ParseInt(c.Param("vid"), 10, 64)
		if err != nil || version < 1 {
			return reply{}, fail(http.StatusNotFound, fhir.IssueNotFound, "There is no such version; versions count from 1.")
		}
		found, err := s.options.Store.Version(c.Request.Context(), key, version)
		if err != nil {
			return reply{}, stored(c.Request.Context(), err)
		}
		return versionReply(found)
	}
}

func keyOf(resource, id string) (store.Key, error) {
	if !fhir.IsID(id) {
		return store.Key{}, fail(http.StatusNotFound, fhir.IssueNotFound, "There is no such resource or operation; an id has 1 to 64 of A-Z, a-z, 0-9, - and . only.")
	}
	return store.Key{Type: resource, ID: id}, nil
}

func versionReply(r store.Resource) (reply, error) {
	if r.Deleted {
		return reply{}, fail(http.StatusGone, fhir.IssueDeleted, "The resource was deleted.")
	}
	return resourceReply(http.StatusOK, r), nil
}

// readDevice answers a Device that stands for this software, alone or in its one
// version: another algorithm is another Device.
func (s *Server) readDevice(c *gin.Context) (reply, error) {
	version := c.Param("vid")
	device, ok := s.device(c.Param("id"))
	if !ok || version != "" && version != observation.DeviceVersion {
		return reply{}, store.ErrNotFound
	}
	return reply{status: http.StatusOK, body: device.Body, etag: `W/"` + observation.DeviceVersion + `"`}, nil
}

// device is the Device of an id; ok is false if it is not one of ours.
func (s *Server) device(id string) (device store.Resource, ok bool) {
	for _, version := range s.options.Algorithms.Versions() {
		if observation.DeviceOf(version) == id {
			return store.Resource{Key: store.Key{Type: "Device", ID: id}, Body: observation.Device(version)}, true
		}
	}
	return store.Resource{}, false
}
