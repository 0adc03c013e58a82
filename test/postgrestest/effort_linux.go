package postgrestest

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"
)

// tick is the unit of processor time in /proc (Linux, proc(5): sysconf(_SC_CLK_TCK),
// which is 100 on every architecture that Go runs on).
const tick = 10 * time.Millisecond

// Where the fields of /proc/PID/stat stand behind the name, counted from 0.
const (
	fieldParent = 1
	fieldUser   = 11
	fieldSystem = 12
	fieldWaited = 13 // user time of children that ended; their system time follows
)

// ProcessorTime is what the server has taken of the processors, with all its
// processes, those that ended too.
func (c *Cluster) ProcessorTime() (time.Duration, error) {
	files, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil || len(files) == 0 {
		return 0, errors.Join(errors.New("no processes to be seen"), err)
	}
	server, ticks := c.server.Process.Pid, 0
	for _, file := range files {
		text, err := os.ReadFile(file) //nolint:gosec // of /proc
		if err != nil {
			continue // it has ended
		}
		fields := bytes.Fields(text[bytes.LastIndexByte(text, ')')+1:])
		number := func(at int) int {
			n, _ := strconv.Atoi(string(fields[at])) // the kernel writes numbers
			return n
		}
		own := file == fmt.Sprintf("/proc/%d/stat", server)
		if own || number(fieldParent) == server {
			ticks += number(fieldUser) + number(fieldSystem)
		}
		if own {
			ticks += number(fieldWaited) + number(fieldWaited+1)
		}
	}
	return time.Duration(ticks) * tick, nil
}
