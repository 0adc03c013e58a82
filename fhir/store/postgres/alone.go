package postgres

import (
	"errors"

	"github.com/jackc/pgx/v5/pgconn"
)

// A commit that waits for a synchronous standby can be told to wait no longer, by
// pg_cancel_backend or by a timeout of the server. It then succeeds with no more
// than a warning that it "might not have been replicated to the standby"
// (PostgreSQL, src/backend/replication/syncrep.c, SyncRepWaitForLSN): a failover
// would undo what was acknowledged. The text of the warning is in the language of
// the server, so that every warning of its class counts.

// errAlone says that a commit may be on one server only.
var errAlone = errors.New("store: the wait for the standby was cancelled; what was committed may not be there")

// plainWarning is the SQLSTATE of a warning without one of its own (PostgreSQL,
// Appendix A, class 01).
const plainWarning = "01000"

// alone is where a session keeps that it was warned.
const alone = "tidemark.alone"

// noteAlone is told of every notice of a session.
func noteAlone(session *pgconn.PgConn, notice *pgconn.Notice) {
	if notice.SeverityUnlocalized == "WARNING" && notice.Code == plainWarning {
		session.CustomData()[alone] = true
	}
}

// leftAlone says whether a session was warned since it was last asked.
func leftAlone(session *pgconn.PgConn) bool {
	data := session.CustomData()
	_, warned := data[alone]
	delete(data, alone)
	return warned
}
