package postgres

// HeadsSQL is seen by the test of its plan.
const HeadsSQL = headsSQL
