package config

import (
	"net/url"
	"strings"
)

// Database is where the data is kept: the path of an SQLite file, or the address
// of a PostgreSQL database. Printed or logged it does not show a password;
// convert it to a string where it is needed.
type Database string

// String implements fmt.Stringer.
func (d Database) String() string {
	if !strings.Contains(string(d), "://") {
		return string(d)
	}
	address, err := url.Parse(string(d))
	if err != nil {
		return redacted
	}
	address.RawQuery = "" // which may hold a password too
	return address.Redacted()
}

// GoString implements fmt.GoStringer.
func (d Database) GoString() string { return d.String() }

// MarshalText implements encoding.TextMarshaler, by which slog goes as well.
func (d Database) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// fault says what is wrong with it, without repeating it.
func (d Database) fault() string {
	scheme, _, isURL := strings.Cut(string(d), "://")
	switch {
	case d == "":
		return "name the SQLite file, or the address of a PostgreSQL database"
	case !isURL:
		return ""
	case scheme != "postgres" && scheme != "postgresql":
		return "it is neither the path of a file nor an address that begins with postgres://"
	}
	if _, err := url.Parse(string(d)); err != nil {
		return "the address is no URL; write postgres://user@host:5432/database, with %-escapes in a password, or leave it to PGPASSWORD or a passfile"
	}
	return ""
}
