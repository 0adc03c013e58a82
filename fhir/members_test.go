package fhir_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir"
)

// membersByDecoder reads the members of an object with encoding/json's decoder.
func membersByDecoder(t *testing.T, object []byte) (members []string) {
	t.Helper()
	decoder := json.NewDecoder(bytes.NewReader(object))
	_, err := decoder.Token()
	require.NoError(t, err)
	for decoder.More() {
		name, err := decoder.Token()
		require.NoError(t, err)
		var value json.RawMessage
		require.NoError(t, decoder.Decode(&value))
		members = append(members, fmt.Sprint(name, "=", string(value)))
	}
	return members
}

// TestMembersAreThoseOfEncodingJSON, of the resource and of everything in it.
func TestMembersAreThoseOfEncodingJSON(t *testing.T) {
	t.Parallel()
	texts := []string{
		`{"resourceType":"Patient"}`,
		" {\n\t\"id\" : \"p\" , \"resourceType\" : \"Patient\",\"name\" : [ {\"given\" : [ null , \"B]\" , \"[C\" ] , \"_given\":[ { \"id\":\"g\" } , null,null ] } , {\"family\":\"F\"} ] ,\"_active\":{\"id\":\"a\"},\"contained\":[{\"resourceType\":\"Patient\",\"id\":\"c\"} ]\n} ",
	}
	files, err := filepath.Glob("testdata/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		texts = append(texts, string(text))
	}
	objects := 0
	var hold func(object fhir.Node)
	hold = func(object fhir.Node) {
		objects++
		var members []string
		for name, raw := range object.Members() {
			members = append(members, name+"="+string(raw))
		}
		require.Equal(t, membersByDecoder(t, object.Raw()), members)
		for child := object.First(); child.Exists(); child = child.Next() {
			if child.Type() != "" {
				hold(child)
			}
		}
	}
	for _, text := range texts {
		document, err := fhir.Decode([]byte(text))
		require.NoError(t, err, text)
		hold(document.Root())
		document.Release()
	}
	require.Greater(t, objects, 20)
	for range (fhir.Node{}).Members() {
		t.Error("what is not there has members")
	}
}
