package subscription

import "encoding/json"

// Private is what is kept of a Subscription and shown to nobody.
type Private struct {
	// Headers are those of the calls, with their values; Key signs them, nil if it
	// does not.
	Headers []Header `json:"headers,omitempty"`
	Key     []byte   `json:"key,omitempty"`
	// Rights are what the client may be told, as whoever judges it wrote them.
	Rights json.RawMessage `json:"rights,omitempty"`
}

// Bytes writes it for the store.
func (p Private) Bytes() []byte { return write(p) }

// ParsePrivate reads it from the store.
func ParsePrivate(data []byte) (p Private, err error) {
	if len(data) > 0 {
		err = json.Unmarshal(data, &p)
	}
	return p, err
}

// Secrets gives what a client asks for its secrets: where it asks to keep those
// that are stored, from before. The fault says what it asks to keep that is not
// there, "" if nothing.
func (s Subscription) Secrets(before Private) (now Private, fault string) {
	now.Key = s.Key
	if s.Keep {
		if now.Key = before.Key; before.Key == nil {
			return Private{}, "No signing key is stored that could be kept; send one as valueBase64Binary."
		}
	}
	used := map[string]int{}
	for _, h := range s.Headers {
		if h.Value == Withheld {
			kept, found := nth(before.Headers, h.Name, used[h.Name])
			if !found {
				return Private{}, "No value is stored for a header whose value is " + Withheld + "; send it."
			}
			h.Value = kept
		}
		used[h.Name]++
		now.Headers = append(now.Headers, h)
	}
	return now, ""
}

// nth is the value of the n-th header of a name, from 0.
func nth(headers []Header, name string, n int) (string, bool) {
	for _, h := range headers {
		if h.Name == name {
			if n == 0 {
				return h.Value, true
			}
			n--
		}
	}
	return "", false
}
