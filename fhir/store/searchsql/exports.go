package searchsql

import "tidemark.example/tidemark/fhir/store"

// ExportColumns are what a row of an export has, in the order in which both
// databases read them.
const ExportColumns = "id, owner, instant, expires, request, state, status, lease, lease_until"

// Snapshot gives the statement that reads resources as they were at an instant.
// Of each, the newest version that is not later is found by one step in the key
// of the versions, which lie side by side. Columns are of resource r and its
// version v; the patient comes behind them.
func Snapshot(columns string, query store.SnapshotQuery, dialect Dialect) Statement {
	w := &Where{dialect: dialect}
	at := w.Bind(Millis(query.At))
	w.text.WriteString("r.type = ")
	w.bind(query.Type)
	deleted := 0
	if query.Deleted {
		deleted = 1
	}
	w.and("v.deleted = " + w.Bind(deleted))
	if !query.Since.IsZero() {
		w.and("r.last_updated > " + w.Bind(Millis(query.Since)))
		w.and("v.at > " + w.Bind(Millis(query.Since)))
	}
	if query.Owned {
		w.and("r.patient IS NOT NULL")
	}
	if query.Patients != nil && len(query.Patients) == 0 {
		w.and("1 = 0")
	}
	w.oneOf("r.patient", query.Patients)
	if query.After != "" {
		w.and("r.id > " + w.Bind(query.After))
	}
	if query.Through != "" {
		w.and("r.id <= " + w.Bind(query.Through))
	}
	text := "SELECT " + columns + ", coalesce(r.patient, '') FROM resource r JOIN resource_version v ON v.vid = (" +
		"SELECT x.vid FROM resource_version x WHERE x.vid > (r.rid << 20) AND x.vid <= (r.rid << 20) + r.version AND x.at <= " + at +
		" ORDER BY x.vid DESC LIMIT 1) WHERE " + w.String() + " ORDER BY r.id LIMIT " + w.Bind(max(query.Limit, 0))
	return Statement{Text: text, Args: w.Args}
}
