package writeback

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/fhir/store"
)

// A target that keeps no references to other servers refuses a score that names
// our Device and the response by their addresses here, or drops them. By their
// identifiers they can be named anywhere (R4 references.html 2.3.0.2).

// logical gives the body of a score with the Device and the response named by
// identifier, where the target's profile asks for that. In a transaction it gets
// our Device as well, and the score refers to that one.
func (s *delivering) logical(ctx context.Context, body []byte) ([]byte, error) {
	if !s.w.profile.Logical {
		return body, nil
	}
	members, err := membersOf(body)
	if err != nil {
		return nil, err
	}
	for i, m := range members {
		switch {
		case m.name == "device" && s.w.standing.way().mode != Transaction:
			members[i].raw, err = deviceByIdentifier(m.raw)
		case m.name == "derivedFrom":
			members[i].raw, err = s.sourcesByIdentifier(ctx, m.raw)
		}
		if err != nil {
			return nil, err
		}
	}
	return encodeMembers(members), nil
}

// deviceByIdentifier names our Device by its identifier, which a stored score has
// beside the address.
func deviceByIdentifier(raw []byte) ([]byte, error) {
	var device map[string]any
	if err := json.Unmarshal(raw, &device); err != nil {
		return nil, fmt.Errorf("writeback: the stored device is no Reference: %w", err)
	}
	if device["identifier"] == nil {
		device["identifier"] = map[string]any{"system": observation.DeviceSystem, "value": observation.DeviceID}
	}
	return json.Marshal(unnamed(device, "Device"))
}

// sourcesByIdentifier names the responses that a score was computed from.
func (s *delivering) sourcesByIdentifier(ctx context.Context, raw []byte) ([]byte, error) {
	var sources []map[string]any
	if err := json.Unmarshal(raw, &sources); err != nil {
		return nil, fmt.Errorf("writeback: a stored source is no Reference: %w", err)
	}
	for i, source := range sources {
		literal, _ := source["reference"].(string)
		reference, ok := fhir.ParseReference([]byte(literal))
		if !ok || reference.Type != "QuestionnaireResponse" {
			continue
		}
		identifier, err := s.responseIdentifier(ctx, reference)
		if err != nil {
			return nil, err
		}
		named := maps.Clone(source)
		named["identifier"] = identifier
		sources[i] = unnamed(named, reference.Type)
	}
	return json.Marshal(sources)
}

// responseIdentifier is the identifier that the sender gave a response, else one
// of ours.
func (s *delivering) responseIdentifier(ctx context.Context, reference fhir.Reference) (any, error) {
	own := map[string]any{"system": observation.ResponseIdentifierSystem, "value": reference.ID}
	version, err := json.Number(reference.Version).Int64()
	if err != nil {
		return own, nil //nolint:nilerr // a reference without a version is not read
	}
	for ; version > 0; version-- {
		stored, err := s.w.store.Version(ctx, store.Key{Type: reference.Type, ID: reference.ID}, version)
		if errors.Is(err, store.ErrNotFound) {
			return own, nil
		}
		if err != nil {
			return nil, unread(err)
		}
		if stored.Deleted {
			// What it said before holds on: a score that is taken back names the same.
			continue
		}
		tree, err := parseResource(stored.Body)
		if err != nil {
			return nil, errScore
		}
		if given, ok := tree["identifier"].(map[string]any); ok {
			return given, nil
		}
		return own, nil
	}
	return own, nil
}
