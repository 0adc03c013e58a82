package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"tidemark.example/tidemark/fhir"
	"tidemark.example/tidemark/questionnaire"
)

// deliveryPatience is how long the story waits for the hospital to have all, which
// takes well under a second: a machine that is busy with other things may be slow.
const deliveryPatience = time.Minute

// tell is the story, in the order in which it happens in life.
func (d *demonstration) tell(ctx context.Context) error {
	d.say("Brindlemoor Children's Clinic, dermatology day unit. Everyone here is invented.\n")
	for _, chapter := range []func(context.Context) error{d.fetchForm, d.sendHistory, d.amend, d.retractOne, d.refuse, d.showWorking, d.awaitHospital, d.drawTrends} {
		if err := chapter(ctx); err != nil {
			return err
		}
	}
	d.say("\nThe score supports, and never replaces, the judgement of a clinician.")
	return nil
}

func (d *demonstration) fetchForm(ctx context.Context) error {
	body, _, err := d.call(ctx, http.MethodGet, "/Questionnaire/"+questionnaire.SelfAssessment, nil, http.StatusOK)
	if err != nil {
		return err
	}
	var form struct{ Title, Version string }
	if err := json.Unmarshal(body, &form); err != nil {
		return fmt.Errorf("reading the form: %w", err)
	}
	d.say("1. Fernway Portal fetches the form: %q, version %s.", form.Title, form.Version)
	return nil
}

func (d *demonstration) sendHistory(ctx context.Context) error {
	sent := 0
	for _, patient := range demoPatients {
		for i := range patient.weeks {
			if err := d.send(ctx, patient.response(d.now, i), http.StatusCreated); err != nil {
				return err
			}
			sent++
		}
	}
	d.say("2. Twelve weeks of families' answers arrive: %d responses, each stored before it is answered.", sent)
	return nil
}

// send posts a response and keeps the id it got.
func (d *demonstration) send(ctx context.Context, body []byte, want int) error {
	_, location, err := d.call(ctx, http.MethodPost, "/QuestionnaireResponse", body, want)
	if err != nil {
		return err
	}
	document, err := fhir.Decode(body)
	if err != nil {
		return err
	}
	defer document.Release()
	if reference, ok := fhir.ParseReference([]byte(location)); ok {
		d.created[document.Root().Get("identifier").Get("value").Text()] = reference.ID
	}
	return nil
}

func (d *demonstration) amend(ctx context.Context) error {
	oona := demoPatients[0]
	last := len(oona.weeks) - 1
	before := oona.weeks[last]
	oona.weeks[last].itch = "3.5"
	body := oona.withStatus(d.now, last, "amended", d.created[oona.responseID(last)])
	oona.weeks[last] = before
	if _, _, err := d.call(ctx, http.MethodPut, "/QuestionnaireResponse/"+d.created[oona.responseID(last)], body, http.StatusOK); err != nil {
		return err
	}
	d.say("3. Oona's parent corrects the itch of the last answers; the score is amended, its id stays.")
	return nil
}

func (d *demonstration) retractOne(ctx context.Context) error {
	casper := demoPatients[1]
	body := casper.withStatus(d.now, 2, "entered-in-error", d.created[casper.responseID(2)])
	if _, _, err := d.call(ctx, http.MethodPut, "/QuestionnaireResponse/"+d.created[casper.responseID(2)], body, http.StatusOK); err != nil {
		return err
	}
	d.say("4. One of Casper's answers was meant for another child; it is marked as entered in error, and so is its score.")
	return nil
}

func (d *demonstration) refuse(ctx context.Context) error {
	mirren := demoPatients[2]
	wrong := mirren.response(d.now, 0)
	wrong = bytes.ReplaceAll(wrong, []byte(mirren.responseID(0)), []byte("fernway-unfinished"))
	wrong = bytes.Replace(wrong, []byte(`"code":"mild"`), []byte(`"code":"medium"`), 1)
	wrong = bytes.Replace(wrong, []byte(`"valueDecimal":`+mirren.weeks[0].itch), []byte(`"valueDecimal":11`), 1)
	body, _, err := d.call(ctx, http.MethodPost, "/QuestionnaireResponse", wrong, http.StatusUnprocessableEntity)
	if err != nil {
		return err
	}
	var outcome struct {
		Issue []struct{ Details struct{ Text string } }
	}
	if err := json.Unmarshal(body, &outcome); err != nil {
		return fmt.Errorf("reading the refusal: %w", err)
	}
	d.say("5. A response with mistakes is refused whole, with every reason:")
	for _, issue := range outcome.Issue {
		d.say("     - %s", issue.Details.Text)
	}
	return nil
}

// scored is what the story reads of an Observation.
type scored struct {
	ID, Status      string
	EffectivePeriod struct{ End string }
	ValueQuantity   struct{ Value json.Number }
	Interpretation  []struct{ Text string }
	Component       []struct {
		Code          struct{ Coding []struct{ Code string } }
		ValueQuantity struct{ Value json.Number }
	}
}

func (s scored) component(code string) string {
	for _, c := range s.Component {
		if c.Code.Coding[0].Code == code {
			return c.ValueQuantity.Value.String()
		}
	}
	return "-"
}

func (d *demonstration) showWorking(ctx context.Context) error {
	oona := demoPatients[0]
	body, _, err := d.call(ctx, http.MethodGet, "/Observation/"+d.created[oona.responseID(len(oona.weeks)-1)], nil, http.StatusOK)
	if err != nil {
		return err
	}
	var o scored
	if err := json.Unmarshal(body, &o); err != nil {
		return fmt.Errorf("reading the score: %w", err)
	}
	d.say("6. Oona's newest score, with its working:")
	d.say("     extent    A   = %s %%      A/5  = %s", o.component("extent"), o.component("extent-part"))
	d.say("     signs     B              7B/2 = %s", o.component("intensity-part"))
	d.say("     itch, sleep C            C    = %s", o.component("subjective-part"))
	d.say("     SCORAD = A/5 + 7B/2 + C       = %s of 103, %s (%s)", o.ValueQuantity.Value, o.Interpretation[0].Text, o.Status)
	return nil
}

// awaitHospital waits until every score is at the hospital as it is here.
func (d *demonstration) awaitHospital(ctx context.Context) error {
	deadline := time.Now().Add(deliveryPatience)
	for {
		backlog, err := d.service.store.Backlog(ctx)
		if err != nil {
			return err
		}
		missing := 0
		for _, b := range backlog {
			missing += b.Pending + b.InDoubt + b.Parked
		}
		if missing == 0 {
			d.say("7. The hospital's FHIR server holds %d scores, each once and in its newest version.", len(d.hospital.Current("Observation")))
			return nil
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("the hospital's server still lacks %d scores", missing)
		}
		select {
		case <-time.After(20 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (d *demonstration) drawTrends(ctx context.Context) error {
	d.say("8. Twelve weeks, each mark one score of 103 (bands: mild below 25, moderate to 50, severe above):")
	for _, patient := range demoPatients {
		// The status is asked for, since scores taken back are listed only then.
		body, _, err := d.call(ctx, http.MethodGet, "/Observation?_sort=date&_count=50&status=final,amended,entered-in-error&patient="+patient.id, nil, http.StatusOK)
		if err != nil {
			return err
		}
		var page struct {
			Entry []struct{ Resource scored }
		}
		if err := json.Unmarshal(body, &page); err != nil {
			return fmt.Errorf("reading the scores: %w", err)
		}
		d.say("\n   %s, %s", patient.name, patient.course)
		for _, e := range page.Entry {
			d.say("%s", bar(e.Resource))
		}
	}
	return nil
}

// bar draws one score on a line of 52 places, two points each.
func bar(o scored) string {
	day, _, _ := strings.Cut(o.EffectivePeriod.End, "T")
	if o.Status == "entered-in-error" {
		return fmt.Sprintf("     %s  (entered in error)", day)
	}
	var points float64 // for drawing only
	if _, err := fmt.Sscan(o.ValueQuantity.Value.String(), &points); err != nil {
		return fmt.Sprintf("     %s  no total", day)
	}
	line := []rune(strings.Repeat("·", 52))
	line[12], line[25] = '|', '|'
	for i := range min(int(points/2), len(line)) {
		line[i] = '█'
	}
	mark := ""
	if o.Status == "amended" {
		mark = ", amended"
	}
	return fmt.Sprintf("     %s  %s %6s  %s%s", day, string(line), o.ValueQuantity.Value, strings.Split(o.Interpretation[0].Text, " (")[0], mark)
}

// call makes one request of the portal and holds the answer to what it should be.
func (d *demonstration) call(ctx context.Context, method, path string, body []byte, want int) (answer []byte, location string, err error) {
	request, err := http.NewRequestWithContext(ctx, method, d.base+path, bytes.NewReader(body))
	if err != nil {
		return nil, "", err
	}
	request.Header.Set("Content-Type", "application/fhir+json")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return nil, "", err
	}
	defer response.Body.Close()
	answer, err = io.ReadAll(response.Body)
	if err == nil && response.StatusCode != want {
		err = fmt.Errorf("%s %s answered %s: %s", method, path, response.Status, answer)
	}
	return answer, response.Header.Get("Location"), err
}
