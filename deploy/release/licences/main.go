// Command licences writes the licences of everything that is linked into a program,
// by the modules that the program itself names. It fails if one of them has no
// licence, or one that nobody has looked at, so that nothing is shipped without.
//
//	go run ./deploy/release/licences FILE
package main

import (
	"debug/buildinfo"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: licences FILE, which is a program that Go has built")
		os.Exit(2)
	}
	if err := write(os.Stdout, os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "licences:", err)
		os.Exit(1)
	}
}

// part is something that is linked in.
type part struct {
	name, dir string
	kinds     []string
	texts     []string
}

// write writes the licences of what is linked into a program.
func write(out io.Writer, program string) error {
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return fmt.Errorf("%s is no program of Go: %w", program, err)
	}
	parts := []*part{{name: "the Go standard library, " + info.GoVersion, dir: runtime.GOROOT()}} //nolint:staticcheck // of the toolchain that runs this, which builds the program too
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		dir, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", m.Path).Output() //nolint:gosec // a name from our own program
		if err != nil {
			return fmt.Errorf("finding %s: %w; run it where the program was built", m.Path, err)
		}
		parts = append(parts, &part{name: m.Path + " " + m.Version, dir: strings.TrimSpace(string(dir))})
	}
	var faults []error
	for _, p := range parts {
		faults = append(faults, p.read())
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	fmt.Fprintf(out, "Tidemark is licensed under Apache-2.0 (LICENSE). These are linked into it, each under its own licence.\n\n"+credit)
	for _, p := range parts {
		fmt.Fprintf(out, "  %s: %s\n", p.name, strings.Join(p.kinds, ", "))
	}
	for _, p := range parts {
		fmt.Fprintf(out, "\n%s\n%s\n", strings.Repeat("=", 100), p.name)
		for _, text := range p.texts {
			fmt.Fprintf(out, "\n%s\n", strings.TrimSpace(text))
		}
	}
	return nil
}

// read finds the licences in the part's directory.
func (p *part) read() error {
	// Of the two that freetype offers we take the FreeType licence.
	names := []string{"LICEN[CS]E*", "COPYING*", "NOTICE*", "PATENTS*", "UNLICENSE*", "licenses/ftl.txt"}
	var files []string
	for _, name := range names {
		found, err := filepath.Glob(filepath.Join(p.dir, name))
		if err != nil {
			return err
		}
		files = append(files, found...)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			continue // a directory
		}
		p.texts = append(p.texts, strings.ToValidUTF8(string(text), "?"))
		if kind := kindOf(string(text)); kind != "" && !slices.Contains(p.kinds, kind) {
			p.kinds = append(p.kinds, kind)
		}
	}
	if len(p.kinds) == 0 {
		return fmt.Errorf("%s has no licence that this program knows in %s; see what it is, and teach kindOf", p.name, p.dir)
	}
	return nil
}

// kinds are the licences that may be shipped with Apache-2.0, by words that only
// they have; the first that is found counts.
var kinds = []struct{ name, words string }{
	{"CC-BY-4.0", "Creative Commons Attribution 4.0 International Public License"},
	{"MPL-2.0", "Mozilla Public License Version 2.0"},
	{"Apache-2.0", "Apache License Version 2.0"},
	{"OFL-1.1", "SIL OPEN FONT LICENSE Version 1.1"},
	{"BSD-3-Clause", "Neither the name of"},
	{"BSD-3-Clause", "names of its contributors may not be used"},
	{"BSD-2-Clause", "Redistributions in binary form must reproduce the above copyright notice"},
	{"ISC", "Permission to use, copy, modify, and/or distribute this software for any purpose with or without fee"},
	{"ISC", "Permission to use, copy, modify, and distribute this software for any purpose with or without fee"},
	{"MIT", "Permission is hereby granted, free of charge, to any person obtaining a copy"},
	{"Unlicense", "This is free and unencumbered software released into the public domain"},
	{"FreeType", "The FreeType Project LICENSE"},
}

// credit is what the FreeType licence asks to be said.
const credit = "Portions of this software are copyright The FreeType Project (www.freetype.org). All rights reserved.\n\n"

// kindOf tells a licence by its words, "" if it is none that is known.
func kindOf(text string) string {
	words := strings.Join(strings.Fields(text), " ")
	for _, k := range kinds {
		if strings.Contains(strings.ToLower(words), strings.ToLower(k.words)) {
			return k.name
		}
	}
	return ""
}
