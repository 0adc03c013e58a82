package sandbox

import (
	"fmt"
	"strings"
)

// unknownPatient answers the FHIRPath of the first reference to a Patient of this server that does not exist, or "".
func (s *session) unknownPatient(value any, path string) string {
	switch v := value.(type) {
	case *object:
		if s.missing(v.text("reference")) {
			return path + ".reference"
		}
		for _, m := range v.members {
			if at := s.unknownPatient(m.value, path+"."+m.name); at != "" {
				return at
			}
		}
	case []any:
		for i, item := range v {
			if at := s.unknownPatient(item, fmt.Sprintf("%s[%d]", path, i)); at != "" {
				return at
			}
		}
	}
	return ""
}

// missing tells whether a reference names a Patient of this server that is not there. Other servers' are not judged.
func (s *session) missing(reference string) bool {
	kind, id, ok := strings.Cut(relative(reference, s.base), "/")
	return ok && kind == "Patient" && s.st.live(key{kind, id}) == nil
}
