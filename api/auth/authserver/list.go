package authserver

import "time"

// Listed is what may be told of a key: nothing that signs.
type Listed struct {
	ID, Algorithm string
	State         State
	// Since is when the key came into this state.
	Since time.Time
}

// List tells of the keys of a ring, the oldest first.
func (r *Ring) List() []Listed {
	all := make([]Listed, len(r.keys))
	for i, key := range r.keys {
		all[i] = Listed{key.id, key.algorithm, key.state, key.since}
	}
	return all
}
