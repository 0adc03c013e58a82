package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"time"

	"tidemark.example/tidemark/api/auth"
	"tidemark.example/tidemark/api/auth/authserver"
)

func keysHelp(out io.Writer) {
	fmt.Fprint(out, "  make [--algorithm ES384|RS384] FILE   makes a file with a current and a next key, readable by you alone\n"+
		"  show FILE                             lists the keys of a file\n"+
		"  rotate FILE                           the next key signs from now on, and another follows; a running server sees it\n"+
		"  public FILE                           prints the public keys, to register a client with or to publish\n\n"+
		"The file of the server's own token endpoint is named by TIDEMARK_AUTH_KEYS, that for logging in at a hospital by\n"+
		"auth.key_file of its target or TIDEMARK_EHR_AUTH_KEY_FILE. Rotate it as often as your rules ask;\n"+
		"tokens live five minutes, and two rotations must be a quarter of an hour apart. After a theft, make a new file:\n"+
		"all tokens signed by the old one end at once.\n")
}

// keys makes and changes files of signing keys.
func keys(_ context.Context, p *program, args []string) int {
	if len(args) == 0 {
		return p.fail(exitUsage, errors.New("keys needs make, show, rotate or public; see tidemark keys --help"))
	}
	action, known := map[string]func(*program, string, string) error{
		"make": makeKeys, "show": showKeys, "rotate": rotateKeys, "public": publicKeys,
	}[args[0]]
	if !known {
		return p.fail(exitUsage, fmt.Errorf("keys knows make, show, rotate and public, not %q; see tidemark keys --help", args[0]))
	}
	flags := flag.NewFlagSet("keys", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	algorithm := flags.String("algorithm", "ES384", "")
	if err := flags.Parse(args[1:]); err != nil || flags.NArg() != 1 {
		return p.fail(exitUsage, errors.Join(err, errors.New("name one file; see tidemark keys --help")))
	}
	if err := action(p, flags.Arg(0), *algorithm); err != nil {
		return p.fail(exitUsage, err)
	}
	return exitFine
}

// makeKeys never overwrites: the tokens of lost keys cannot be verified.
func makeKeys(p *program, file, algorithm string) error {
	if _, err := os.Lstat(file); err == nil {
		return fmt.Errorf("%s is there already; rotate it, or take it away first", file)
	}
	ring, err := authserver.NewRing(algorithm, time.Now())
	if err != nil {
		return err
	}
	if err := authserver.WriteRing(file, ring); err != nil {
		return err
	}
	return list(p.out, ring)
}

func showKeys(p *program, file, _ string) error {
	ring, err := authserver.ReadRing(file)
	if err != nil {
		return err
	}
	return list(p.out, ring)
}

func rotateKeys(p *program, file, _ string) error {
	ring, err := authserver.ReadRing(file)
	if err != nil {
		return err
	}
	if ring, err = ring.Rotate(time.Now()); err != nil {
		return err
	}
	if err := authserver.WriteRing(file, ring); err != nil {
		return err
	}
	return list(p.out, ring)
}

func publicKeys(p *program, file, _ string) error {
	ring, err := authserver.ReadRing(file)
	if err != nil {
		return err
	}
	text, err := auth.FormatKeys(ring.Public())
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(p.out, "%s\n", text)
	return err
}

// list tells which key does what, and nothing that is secret.
func list(out io.Writer, ring *authserver.Ring) error {
	for _, key := range ring.List() {
		if _, err := fmt.Fprintf(out, "%-9s %s %s since %s\n", key.State, key.Algorithm, key.ID, key.Since.Format(time.RFC3339)); err != nil {
			return err
		}
	}
	return nil
}
