package store

// Condition is the state of a database that was looked at without changing it.
type Condition struct {
	// Exists is false where there is nothing yet, and all else says nothing.
	Exists bool
	// Schema is the number of the newest migration that was applied, 0 for none,
	// and Known that of the newest this program has. It goes on with what is older,
	// which it brings up to date, and with what is one step newer.
	Schema, Known int64
	// Durability says by what settings a commit is on disk, Fault what is wrong with
	// them, "" if nothing is.
	Durability, Fault string
}
