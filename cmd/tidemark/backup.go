package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"

	"tidemark.example/tidemark/config"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/fhir/store/sqlite"
	"tidemark.example/tidemark/scoring"
)

func backupHelp(out io.Writer) {
	fmt.Fprint(out, "Copies the SQLite database of TIDEMARK_DATABASE as it stands at one moment, also while a server uses it, checks the\n"+
		"copy and puts it on disk before it gets its name. It is never written over another file.\n\n"+
		"  --to FILE      the copy; readable for its owner alone, since it holds patients' answers and the server's secrets\n"+
		"  --config FILE  settings, as for serve\n\n"+
		"The files of keys and tokens, and the settings, are not in it; keep copies of them elsewhere.\n"+
		"Example: tidemark backup --to /var/backups/tidemark/monday.db\n"+
		"PostgreSQL is backed up by its own tools; deploy/backup.md says how.\n"+
		"Exit codes: 0 written, 2 usage or configuration, 3 the database or the file cannot be read or written.\n")
}

func restoreHelp(out io.Writer) {
	fmt.Fprint(out, "Puts a backup in the place of the SQLite database of TIDEMARK_DATABASE. Stop the server first: while anybody has the\n"+
		"database open, nothing is done. Before anything is replaced, the backup is checked, every score in it is computed\n"+
		"again and the audit trail is followed, as tidemark verify does; if anything differs, nothing is replaced.\n"+
		"The database of before is kept beside it; remove it once you are sure, for it holds patients' answers.\n\n"+
		"  --from FILE    the backup, made by tidemark backup\n"+
		"  --config FILE  settings, as for serve\n\n"+
		"Run it as the user that the server runs as. Hospitals may hold scores that are newer than the backup, and portals\n"+
		"may have been told of them: deploy/backup.md says what follows from that.\n"+
		"Exit codes: 0 restored, 1 the backup differs from what its answers lead to, 2 usage or configuration, 3 it cannot be\n"+
		"read or is damaged, or the database is in use.\n")
}

// fileSettings reads the one flag that names a file beside the settings, which
// must be of a database in a file.
func fileSettings(p *program, command, flagName string, args []string) (name string, s config.Settings, err error) {
	flags := flag.NewFlagSet(command, flag.ContinueOnError)
	flags.StringVar(&name, flagName, "", "")
	file := flags.String("config", "", "")
	if err := p.parse(flags, args); err != nil {
		return "", s, err
	}
	s, err = config.Read(*file, p.getenv)
	if err != nil {
		return "", s, err
	}
	var errs []error
	if name == "" {
		errs = append(errs, fmt.Errorf("%s needs --%s FILE; see tidemark %[1]s --help", command, flagName))
	}
	if postgres.IsAddress(string(s.Database)) {
		errs = append(errs, fmt.Errorf("TIDEMARK_DATABASE: %s is for SQLite files; use pg_dump and pg_restore as deploy/backup.md says", command))
	}
	if _, ok := scoring.BandSetByName(s.Bands); !ok {
		errs = append(errs, errNoBands)
	}
	return name, s, errors.Join(errs...)
}

func backup(ctx context.Context, p *program, args []string) int {
	to, s, err := fileSettings(p, "backup", "to", args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	if err := sqlite.Backup(ctx, string(s.Database), to); err != nil {
		code := exitEnvironment
		if errors.Is(err, sqlite.ErrThere) {
			code = exitUsage
		}
		return p.fail(code, fmt.Errorf("backing up the database of TIDEMARK_DATABASE: %w", err))
	}
	info, err := os.Stat(to)
	if err != nil {
		return p.fail(exitEnvironment, err)
	}
	fmt.Fprintf(p.out, "%s holds the database as it stood; it was checked, and has %d bytes\n", to, info.Size())
	return exitFine
}

// errDiffers says that a backup is not to be trusted.
var errDiffers = errors.New("the backup differs from what its own answers lead to, or its audit trail is broken, so nothing was replaced; take an earlier backup, or ask who may have changed this one")

func restore(ctx context.Context, p *program, args []string) int {
	from, s, err := fileSettings(p, "restore", "from", args)
	if err != nil {
		return p.fail(exitUsage, err)
	}
	bands, _ := scoring.BandSetByName(s.Bands) // fileSettings has refused what is none
	kept, err := sqlite.Restore(ctx, from, string(s.Database), func(ctx context.Context, copied string) error {
		db, err := openDatabase(ctx, config.Database(copied), nil, nil, nil)
		if err != nil {
			return err
		}
		wrong, err := verifyAll(ctx, db, p.algorithms, bands, p.out)
		if err = errors.Join(err, db.Close()); err == nil && wrong > 0 {
			err = errDiffers
		}
		return err
	})
	if err != nil {
		code := exitEnvironment
		if errors.Is(err, errDiffers) {
			code = exitFound
		}
		return p.fail(code, fmt.Errorf("restoring the database of TIDEMARK_DATABASE: %w", err))
	}
	fmt.Fprintf(p.out, "%s is what %s holds; start the server\n", s.Database, from)
	if kept != "" {
		fmt.Fprintf(p.out, "the database of before is %s\n", kept)
	}
	return exitFine
}
