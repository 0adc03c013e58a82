package test_test

import (
	"fmt"
	"strings"
)

// content is one version of an invented response: its number decides extent and
// itch, so that no two contents of a form are alike, and which of the optional
// answers are given, so that answers come and go with amendments.
type content struct {
	number int
	status string
}

// tenths are the extent (0 to 100 %) and the itch (0 to 10), in tenths.
func (c content) tenths() (extent, itch int) { return c.number % 1001, c.number / 1001 % 101 }

// sleeps says whether the sleep loss is answered, without which a score has no
// total; bleeds whether bleeding is, which nothing is computed from.
func (c content) sleeps() bool { return c.number%5 != 3 }
func (c content) bleeds() bool { return c.number%3 == 0 }

func decimal(tenths int) string { return fmt.Sprintf("%d.%d", tenths/10, tenths%10) }

// body is the response as it is sent; the grades are those of Oona: B is 8, and
// the sleep loss 4 if it is answered.
func (c content) body(identifier, id string) []byte {
	extent, itch := c.tenths()
	body := string(responseOf(identifier, decimal(extent), "211112", decimal(itch), "4"))
	if !c.sleeps() {
		body = strings.Replace(body, `,{"linkId":"symptoms.sleep-loss","answer":[{"valueDecimal":4}]}`, "", 1)
	}
	if c.bleeds() {
		body = strings.TrimSuffix(body, "]}") + `,{"linkId":"also-seen.bleeding","answer":[{"valueBoolean":true}]}]}`
	}
	head := fmt.Sprintf(`"status":%q`, c.status)
	if id != "" {
		head = fmt.Sprintf(`"id":%q,`, id) + head
	}
	return []byte(strings.Replace(body, `"status":"completed"`, head, 1))
}

// score is the value of the Observation that follows, by the published formula
// A/5 + 7B/2 + C with A the extent, B 8 and C itch and sleep loss; "" without one
// of those.
func (c content) score() string {
	if !c.sleeps() {
		return ""
	}
	extent, itch := c.tenths()
	hundredths := 2*extent + 350*8 + 10*(itch+40)
	return fmt.Sprintf("%d.%02d", hundredths/100, hundredths%100)
}

// following is the status of that Observation (FHIR R4 observation-status).
func (c content) following() string {
	return map[string]string{"completed": "final", "amended": "amended", wrong: wrong, deleted: wrong}[c.status]
}

// wrong is the status of what is taken back, deleted stands for a deletion.
const wrong, deleted = "entered-in-error", "deleted"

// form is what the sender's ledger has of one response: what it sent, and what
// was acknowledged of that.
type form struct {
	identifier string
	// id is the server's, "" as long as no create was acknowledged.
	id string
	// acknowledged are the contents that were answered with success, in order.
	acknowledged []content
	// answer is the body that came with the last of them, nil for a deletion.
	answer []byte
	// open was sent and has no answer, nil if all have. A sender that gave up on
	// it leaves it, and then it may be stored or not.
	open *content
	// refused were sent, and answered with what says that nothing was done.
	refused []content
	// next is the number of the next content.
	next int
}

// last is the newest content acknowledged.
func (f *form) last() content { return f.acknowledged[len(f.acknowledged)-1] }

// over says that nothing more may follow: it was taken back, or given up.
func (f *form) over() bool {
	if f.open != nil {
		return true
	}
	status := f.last().status
	return status == wrong || status == deleted
}

// content is the next one, with a status.
func (f *form) content(status string) content {
	c := content{f.next, status}
	if status == deleted || status == wrong { // what is taken back keeps its content
		c.number = f.last().number
	} else {
		f.next++
	}
	return c
}

// ways are the sequences of contents that the store may hold: the open step was
// done or was not.
func (f *form) ways() [][]content {
	without := f.acknowledged
	if f.open == nil {
		return [][]content{without}
	}
	with := append(append([]content{}, without...), *f.open)
	return [][]content{without, with}
}
