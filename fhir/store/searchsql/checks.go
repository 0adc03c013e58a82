package searchsql

import "strings"

// delivered are the deliveries whose copies are looked after, as the indexes
// delivery_looked and delivery_differs have them.
const delivered = "wanted = delivered AND in_doubt = 0"

// Released sets what a Release changes of a copy that differs: it is in doubt
// from the time on that is its one value.
const Released = "wanted_since = CASE WHEN " + delivered + " THEN ? ELSE wanted_since END, " +
	"repairs = CASE WHEN " + delivered + " THEN 0 ELSE repairs END, in_doubt = CASE WHEN " + delivered + " THEN 1 ELSE in_doubt END"

// copies counts by two steps in an index for each target. What was delivered by
// a program that did not look is as old as its last change.
const copies = `SELECT t.target,
	(SELECT count(*) FROM %s WHERE target = t.target AND ` + delivered + ` AND fault > ''),
	coalesce((SELECT min(o.at) FROM (
		SELECT at FROM (` + oldest + ` AND fresh = 0 ORDER BY looked LIMIT 1) a
		UNION ALL SELECT at FROM (` + oldest + ` AND fresh = 1 ORDER BY looked LIMIT 1) b) o), 0)
	FROM (` + deliveryTargets + `) t ORDER BY t.target`

const oldest = "SELECT CASE WHEN looked = 0 THEN changed ELSE looked END AS at FROM %s WHERE target = t.target AND " + delivered

// Copies gives the statement that tells of each target how its copies stand.
func Copies(table string) string { return strings.ReplaceAll(copies, "%s", table) }
