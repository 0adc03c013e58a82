package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidemark.example/tidemark/fhir/store"
)

// TestDueBy: a wait that was measured holds by any clock, a date is what it is.
func TestDueBy(t *testing.T) {
	t.Parallel()
	date := time.Date(2026, 3, 4, 19, 30, 0, 0, time.UTC)
	d := store.Delivery{Due: date}
	require.Equal(t, date, d.DueBy(date.Add(-time.Hour)))
	d.Due = time.Now().Add(24 * time.Hour)
	require.WithinDuration(t, date.Add(24*time.Hour), d.DueBy(date), time.Hour)
}
