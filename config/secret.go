package config

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
)

// minToken is the shortest admin token in characters (common practice: 128 bits
// of hexadecimal are 32, and 16 characters keep out what people make up).
const minToken = 16

const redacted = "[redacted]"

// Secret is a text that never shows itself: printed, logged or marshalled it
// says only that it is there. Convert it to a string where it is needed.
type Secret string

// String implements fmt.Stringer.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return redacted
}

// GoString implements fmt.GoStringer.
func (s Secret) GoString() string { return s.String() }

// LogValue implements slog.LogValuer.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// MarshalText implements encoding.TextMarshaler.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// readToken takes the admin token from its file, if one is named.
func (s *Settings) readToken() error {
	if s.AdminTokenFile == "" {
		return nil
	}
	if s.AdminToken != "" {
		return errors.New("config: set one of TIDEMARK_ADMIN_TOKEN and TIDEMARK_ADMIN_TOKEN_FILE, not both")
	}
	data, err := os.ReadFile(s.AdminTokenFile)
	if err != nil {
		return fmt.Errorf("config: TIDEMARK_ADMIN_TOKEN_FILE: %w", err)
	}
	s.AdminToken = Secret(strings.TrimSpace(string(data)))
	if s.AdminToken == "" {
		return errors.New("config: TIDEMARK_ADMIN_TOKEN_FILE: the file is empty")
	}
	return nil
}

// tokenSetting names the setting that the token came from.
func (s *Settings) tokenSetting() string {
	if s.AdminTokenFile != "" {
		return "TIDEMARK_ADMIN_TOKEN_FILE"
	}
	return "TIDEMARK_ADMIN_TOKEN"
}
