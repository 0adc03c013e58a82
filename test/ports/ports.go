// Package ports finds ports of the loopback interface for servers of tests that go
// away and come back, and for addresses where nobody may answer. A port that the
// system gives out by itself does not do: while its server is away, any connection
// that another test makes may be given it.
package ports

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"strconv"
)

// Systems give out ports from 32768 (Linux) or 49152 (IANA) on.
const first, end = 20000, 32768

// Free is a port that nobody listens on.
func Free() (int, error) {
	var faults []error
	for range 100 {
		port := first + rand.IntN(end-first) //nolint:gosec // no secret
		listener, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
		if err == nil {
			return port, listener.Close()
		}
		faults = append(faults, err)
	}
	return 0, fmt.Errorf("no port is free: %w", errors.Join(faults...))
}
