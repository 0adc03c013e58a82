package searchsql

import (
	"strconv"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir/store"
)

// Audits is the condition of a search of the audit trail, on a table or alias a
// with the columns recorded, aid, patient, client, user, entity, type, subtype,
// action and outcome. The page searched for begins behind the one that After
// names; store.ErrAuditPage if it names none.
func Audits(query store.AuditQuery, now time.Time, dialect Dialect) (*Where, error) {
	w := &Where{dialect: dialect}
	w.text.WriteString("1 = 1")
	for _, each := range []struct {
		column string
		values []string
	}{
		{"a.patient", query.Patients}, {"a.entity", query.Entities},
		{"a.type", query.Types}, {"a.subtype", query.Subtypes}, {"a.action", query.Actions}, {"a.outcome", query.Outcomes},
	} {
		w.oneOf(each.column, each.values)
	}
	if len(query.Agents) > 0 {
		clients := w.list(query.Agents)
		w.and("(a.client IN (" + clients + ") OR a.user IN (" + w.list(query.Agents) + "))")
	}
	for _, times := range query.Recorded {
		w.period(times, now, "a.recorded", "a.recorded")
	}
	if query.After != "" {
		at, aid, ok := auditPlace(query.After)
		if !ok {
			return nil, store.ErrAuditPage
		}
		w.and("(a.recorded, a.aid) < (" + w.Bind(at) + ", " + w.Bind(aid) + ")")
	}
	return w, nil
}

// AuditAfter is the After of the page behind an entry.
func AuditAfter(recorded, aid int64) string {
	return strconv.FormatInt(recorded, 36) + "." + strconv.FormatInt(aid, 36)
}

func auditPlace(after string) (recorded, aid int64, ok bool) {
	first, second, _ := strings.Cut(after, ".")
	recorded, err := strconv.ParseInt(first, 36, 64)
	if err != nil {
		return 0, 0, false
	}
	aid, err = strconv.ParseInt(second, 36, 64)
	return recorded, aid, err == nil && AuditAfter(recorded, aid) == after
}
