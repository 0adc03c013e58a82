package searchsql

import "time"

// ClockSlack is how far a plan may lie ahead of the clock before the clock is
// taken to have been set back: the clocks of replicas differ by less.
const ClockSlack = time.Minute

// ForgetAtOnce is how many old events of a subscription are forgotten with each
// notification that was accepted, so that no call has much to do.
const ForgetAtOnce = 256

// Moment is a time as the tables keep it, 0 for none.
func Moment(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return Millis(t)
}
