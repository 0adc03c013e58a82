// Command generate writes the table of R4's elements, r4.txt, from HL7's own
// StructureDefinitions, which it reads from the Maven artifact
// ca.uhn.hapi.fhir:hapi-fhir-validation-resources-r4 (the definitions are
// published by HL7 under CC0):
//
//	go run ./fhir/schema/generate -jar hapi-fhir-validation-resources-r4.jar > fhir/schema/r4.txt
package main

import (
	"archive/zip"
	"bufio"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

// largestCodeList is how long a required code list may be to be written out;
// the longer ones (languages, currencies, media types) are grammars of others.
const largestCodeList = 120

func main() {
	jar := flag.String("jar", "", "path of hapi-fhir-validation-resources-r4-<version>.jar")
	flag.Parse()
	if err := run(*jar, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

type attr struct {
	Value string `xml:"value,attr"`
}

type element struct {
	Path    attr   `xml:"path"`
	Min     attr   `xml:"min"`
	Max     attr   `xml:"max"`
	Content attr   `xml:"contentReference"`
	Types   []kind `xml:"type"`
	Binding struct {
		Strength attr `xml:"strength"`
		ValueSet attr `xml:"valueSet"`
	} `xml:"binding"`
	Modifier attr `xml:"isModifier"`
	Summary  attr `xml:"isSummary"`
}

type kind struct {
	Code attr `xml:"code"`
}

type structure struct {
	Name       attr      `xml:"name"`
	Kind       attr      `xml:"kind"`
	Abstract   attr      `xml:"abstract"`
	Derivation attr      `xml:"derivation"`
	Elements   []element `xml:"snapshot>element"`
}

type concept struct {
	Code     attr      `xml:"code"`
	Concepts []concept `xml:"concept"`
}

type codeSystem struct {
	URL      attr      `xml:"url"`
	Concepts []concept `xml:"concept"`
}

type valueSet struct {
	URL      attr `xml:"url"`
	Includes []struct {
		System   attr      `xml:"system"`
		Concepts []concept `xml:"concept"`
		Filters  []attr    `xml:"filter"`
		Sets     []attr    `xml:"valueSet"`
	} `xml:"compose>include"`
	Excludes []struct{} `xml:"compose>exclude"`
}

type bundle struct {
	Structures []structure  `xml:"entry>resource>StructureDefinition"`
	Systems    []codeSystem `xml:"entry>resource>CodeSystem"`
	Sets       []valueSet   `xml:"entry>resource>ValueSet"`
}

type definitions struct {
	structures []structure
	systems    map[string]codeSystem
	sets       map[string]valueSet
}

func run(jar string, out io.Writer) error {
	if jar == "" {
		return errors.New("-jar is missing; fetch hapi-fhir-validation-resources-r4 with Maven and name the file")
	}
	all, err := read(jar)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(out)
	fmt.Fprint(w, "# R4 (4.0.1) elements, written by generate from HL7's StructureDefinitions (CC0). Do not edit.\n"+
		"# type, then one line per element: name types cardinality(? 0..1, 1, * 0..n, + 1..n) flags(s summary, m modifier, - none) codes\n")
	for _, s := range all.structures {
		if s.Derivation.Value == "constraint" || s.Kind.Value == "logical" || s.Kind.Value == "primitive-type" {
			continue
		}
		all.write(w, s)
	}
	return w.Flush()
}

func read(jar string) (definitions, error) {
	all := definitions{systems: map[string]codeSystem{}, sets: map[string]valueSet{}}
	archive, err := zip.OpenReader(jar)
	if err != nil {
		return all, fmt.Errorf("opening %s: %w", jar, err)
	}
	defer archive.Close()
	for _, name := range []string{
		"profile/profiles-types.xml", "profile/profiles-resources.xml",
		"valueset/valuesets.xml", "valueset/v3-codesystems.xml", "valueset/v2-tables.xml",
	} {
		if err := all.readFile(archive, "org/hl7/fhir/r4/model/"+name); err != nil {
			return all, err
		}
	}
	return all, nil
}

func (d *definitions) readFile(archive *zip.ReadCloser, name string) error {
	file, err := archive.Open(name)
	if err != nil {
		return fmt.Errorf("opening %s: %w", name, err)
	}
	defer file.Close()
	var b bundle
	if err := xml.NewDecoder(file).Decode(&b); err != nil {
		return fmt.Errorf("reading %s: %w", name, err)
	}
	d.structures = append(d.structures, b.Structures...)
	for _, s := range b.Systems {
		d.systems[s.URL.Value] = s
	}
	for _, s := range b.Sets {
		d.sets[s.URL.Value] = s
	}
	return nil
}

// write prints a structure and the backbone elements inside it, each as a type
// of its own under its path.
func (d *definitions) write(w io.Writer, s structure) {
	parents := []string{s.Name.Value}
	for _, e := range s.Elements[1:] {
		if backbone(e) && !slices.Contains(parents, e.Path.Value) {
			parents = append(parents, e.Path.Value)
		}
	}
	for _, parent := range parents {
		mark := ""
		if parent == s.Name.Value && s.Kind.Value == "resource" && s.Abstract.Value != "true" {
			mark = " resource"
		}
		fmt.Fprintf(w, "%s%s\n", parent, mark)
		for _, e := range s.Elements[1:] {
			if name, ok := child(parent, e.Path.Value); ok {
				d.writeElement(w, name, e)
			}
		}
	}
}

func (d *definitions) writeElement(w io.Writer, name string, e element) {
	if e.Max.Value == "0" {
		return
	}
	flags := ""
	if e.Summary.Value == "true" {
		flags += "s"
	}
	if e.Modifier.Value == "true" {
		flags += "m"
	}
	if flags == "" {
		flags = "-"
	}
	line := " " + name + " " + strings.Join(types(e), "|") + " " + cardinality(e) + " " + flags
	if codes := d.codes(e); len(codes) > 0 {
		line += " " + strings.Join(codes, "|")
	}
	fmt.Fprintln(w, line)
}

func backbone(e element) bool {
	return len(e.Types) == 1 && (e.Types[0].Code.Value == "BackboneElement" || e.Types[0].Code.Value == "Element")
}

func child(parent, path string) (string, bool) {
	name, ok := strings.CutPrefix(path, parent+".")
	return name, ok && !strings.Contains(name, ".")
}

func types(e element) []string {
	if e.Content.Value != "" {
		return []string{strings.TrimPrefix(e.Content.Value, "#")}
	}
	if backbone(e) {
		return []string{e.Path.Value}
	}
	var names []string
	for _, t := range e.Types {
		names = append(names, strings.Replace(t.Code.Value, "http://hl7.org/fhirpath/System.String", "string", 1))
	}
	return names
}

func cardinality(e element) string {
	switch many := e.Max.Value != "1"; {
	case many && e.Min.Value == "0":
		return "*"
	case many:
		return "+"
	case e.Min.Value == "0":
		return "?"
	default:
		return "1"
	}
}

// codes lists a required value set, or nothing where it cannot be listed.
func (d *definitions) codes(e element) []string {
	if e.Binding.Strength.Value != "required" || len(e.Types) != 1 || e.Types[0].Code.Value != "code" {
		return nil
	}
	codes, ok := d.expand(e.Binding.ValueSet.Value)
	if !ok || len(codes) > largestCodeList {
		return nil
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

func (d *definitions) expand(url string) ([]string, bool) {
	url, _, _ = strings.Cut(url, "|")
	set, ok := d.sets[url]
	if !ok || len(set.Excludes) > 0 {
		return nil, false
	}
	var codes []string
	for _, include := range set.Includes {
		if len(include.Filters) > 0 {
			return nil, false
		}
		concepts := include.Concepts
		if len(concepts) == 0 && include.System.Value != "" {
			concepts = d.systems[include.System.Value].Concepts
		}
		for _, sub := range include.Sets {
			more, ok := d.expand(sub.Value)
			if !ok {
				return nil, false
			}
			codes = append(codes, more...)
		}
		if len(concepts) == 0 && len(include.Sets) == 0 {
			return nil, false
		}
		codes = flatten(codes, concepts)
	}
	return codes, true
}

func flatten(codes []string, concepts []concept) []string {
	for _, c := range concepts {
		codes = flatten(append(codes, c.Code.Value), c.Concepts)
	}
	return codes
}
