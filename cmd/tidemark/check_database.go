package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"tidemark.example/tidemark/fhir/store"
	"tidemark.example/tidemark/fhir/store/postgres"
	"tidemark.example/tidemark/fhir/store/sqlite"
)

const databaseSetting = "TIDEMARK_DATABASE"

// Room for a database, in bytes (common practice): less than the first is worth a
// word, with less than the second a busy day may fill it.
const (
	muchRoom   = 1 << 30
	littleRoom = 64 << 20
)

// checkDatabase looks at schema, durability, whether it takes a write, and room.
func checkDatabase(ctx context.Context, c *checker) []finding {
	address := string(c.settings.Database)
	onFile := !postgres.IsAddress(address)
	if onFile {
		if f, fits := directoryTakesFiles(filepath.Dir(address)); !fits {
			return []finding{f}
		}
	}
	limited, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	inspect := sqlite.Inspect
	if !onFile {
		inspect = postgres.Inspect
	}
	condition, err := inspect(limited, address)
	if err != nil {
		return []finding{broken(databaseSetting, "see that it names the right database, that it runs, and that this user may use it", "it cannot be read: %v", err)}
	}
	found := []finding{c.judge(limited, condition)}
	if onFile {
		found = append(found, checkRoom(filepath.Dir(address)))
	}
	return found
}

// directoryTakesFiles tries it, since SQLite keeps its log beside the database.
func directoryTakesFiles(dir string) (finding, bool) {
	file, err := os.CreateTemp(dir, ".tidemark-check-*")
	if err != nil {
		return broken(databaseSetting, "let the user that the server runs as write into the directory, or name a file in another", "no file can be made beside it: %v", err), false
	}
	_ = file.Close()
	if err := os.Remove(file.Name()); err != nil {
		return broken(databaseSetting, "let the user that the server runs as write into the directory", "a file beside it cannot be removed: %v", err), false
	}
	return finding{}, true
}

// judge says what a condition comes to. A database of another schema is not
// opened, for that would change it.
func (c *checker) judge(ctx context.Context, is store.Condition) finding {
	switch {
	case !is.Exists:
		return ok("there is none yet; serve makes it")
	case is.Schema > is.Known+1:
		return wrong(databaseSetting, "run the program that it belongs to, or a newer one", "its schema %d is too far ahead of this program, which knows %d", is.Schema, is.Known)
	case is.Fault != "" && is.Schema > 0:
		return broken(databaseSetting, "have that changed at the database", "%s", is.Fault)
	case is.Schema == 0:
		return ok("it is empty; serve makes the tables; %s", is.Durability)
	case is.Schema < is.Known:
		return toSee(databaseSetting, "make a copy, then start serve of this version, which brings it up to date", "its schema is %d, of an earlier program; this one has %d", is.Schema, is.Known)
	}
	if err := c.ping(ctx); err != nil {
		return broken(databaseSetting, "see that this user may write to it, and that there is room", "it takes no write: %v", err)
	}
	return ok("it takes a write; schema %d of %d; %s", is.Schema, is.Known, is.Durability)
}

// ping writes nothing but the time.
func (c *checker) ping(ctx context.Context) error {
	if c.store != nil {
		return c.store.Ping(ctx)
	}
	db, err := openExisting(ctx, c.settings.Database)
	if err != nil {
		return err
	}
	err = db.Ping(ctx)
	if closed := db.Close(); err == nil {
		err = closed
	}
	return err
}

// checkRoom looks at what is free where the file is.
func checkRoom(dir string) finding {
	free, known := freeSpace(dir)
	switch {
	case !known:
		return notLooked("how much room there is cannot be told on this system")
	case free < littleRoom:
		return broken(databaseSetting, "make room, or move the database to another disk", "only %s are free on its disk", megabytes(free))
	case free < muchRoom:
		return toSee(databaseSetting, "make room, or move the database to another disk", "%s are free on its disk", megabytes(free))
	}
	return ok("%s are free on its disk", megabytes(free))
}

func megabytes(bytes uint64) string { return fmt.Sprintf("%d MB", bytes/1_000_000) }
