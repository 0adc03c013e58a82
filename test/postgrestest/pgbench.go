package postgrestest

import (
	"encoding/hex"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
)

// threeInserts is a transaction of pgbench: a row of resource, of resource_version
// and of identity, with a body that is given.
const threeInserts = `\set patient random(1, 20000)
BEGIN;
INSERT INTO resource (rid, type, id, version, deleted, last_updated, patient, status, period_start, period_end) VALUES (nextval('rids'), 'Observation', lpad(to_hex(currval('rids')), 32, '0'), 1, 0, 1700000000000, 'Patient/' || :patient, 'final', 1700000000000, 1700000000000);
INSERT INTO resource_version (vid, at, method, deleted, body) VALUES (currval('rids') * 1048576 + 1, 1700000000000, 'POST', 0, '\x%s');
INSERT INTO identity (name, type, id, digest) VALUES ('of ' || lpad(to_hex(currval('rids')), 32, '0'), 'Observation', lpad(to_hex(currval('rids')), 32, '0'), lpad(to_hex(currval('rids')), 32, '0'));
COMMIT;
`

// perSecond finds the rate in what pgbench prints.
var perSecond = regexp.MustCompile(`tps = ([0-9.]+) \(without`)

// ThreeInserts lets PostgreSQL's own pgbench run those three inserts, prepared, n
// times from that many clients, and gives how many it made in a second, connecting
// left out. The schema of the address has our tables and a sequence "rids", and body
// is what a body is when it is packed; dir is for the script.
func (c *Cluster) ThreeInserts(dir, address string, body []byte, clients, n int) (float64, error) {
	script := filepath.Join(dir, "inserts.sql")
	if err := os.WriteFile(script, fmt.Appendf(nil, threeInserts, hex.EncodeToString(body)), 0o600); err != nil {
		return 0, err
	}
	at, err := url.Parse(address)
	if err != nil {
		return 0, err
	}
	pgbench := exec.Command(filepath.Join(c.bin, "pgbench"), "-n", "-M", "prepared", "-c", strconv.Itoa(clients), "-j", "2", //nolint:gosec // PostgreSQL's own
		"-t", strconv.Itoa(max(1, n/clients)), "-f", script, "-h", at.Hostname(), "-p", at.Port(), "-U", "tidemark", "postgres")
	pgbench.Env = append(os.Environ(), "PGPASSWORD="+c.Password(), "PGOPTIONS=-csearch_path="+at.Query().Get("search_path"))
	output, err := pgbench.CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("pgbench: %w: %s", err, output)
	}
	found := perSecond.FindSubmatch(output)
	if found == nil {
		return 0, fmt.Errorf("pgbench prints no rate: %s", output)
	}
	return strconv.ParseFloat(string(found[1]), 64)
}
