package edge

// IsRequestID says whether a client's own request id may stand in the log: a
// UUID, or a trace id of 32 hexadecimal digits (W3C Trace Context). Any other
// form leaves room for a name, a date of birth or a record's number.
func IsRequestID(id string) bool {
	if len(id) != 36 && len(id) != 32 {
		return false
	}
	for i := range len(id) {
		dash := len(id) == 36 && (i == 8 || i == 13 || i == 18 || i == 23)
		if dash != (id[i] == '-') || !dash && !isHex(id[i]) {
			return false
		}
	}
	return true
}

func isHex(b byte) bool {
	return b >= '0' && b <= '9' || b >= 'a' && b <= 'f' || b >= 'A' && b <= 'F'
}
