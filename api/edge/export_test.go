package edge

// Known is how many clients a limiter keeps.
func Known(l *Limiter) int { return max(len(l.clients), l.used.Len()) }

// LongestKey is the longest name it keeps.
func LongestKey(l *Limiter) int {
	longest := 0
	for key := range l.clients {
		longest = max(longest, len(key))
	}
	return longest
}
