package subscription

import (
	"bytes"
	"encoding/json"
	"html"
)

// Base of what is published, see package questionnaire.
const base = "https://tidemark.example/fhir"

// The topic: a score was made, amended or taken back.
const (
	// Topic is its canonical URL, which Subscription.criteria names.
	Topic = base + "/SubscriptionTopic/score"
	// TopicVersion is its business version.
	TopicVersion = "1.0.0"
	// TopicCode is the code of that Basic, as JSON.
	TopicCode = `{"coding":[{"system":"http://hl7.org/fhir/fhir-types","code":"SubscriptionTopic"}],"text":"SubscriptionTopic"}`
	// TopicID is the id of the Basic that describes it.
	TopicID = "subscription-topic-score"
)

// guide begins the canonical URLs of the Backport guide.
const guide = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/"

// Canonical URLs that a server states.
const (
	Profile         = guide + "backport-subscription"
	TopicExtension  = guide + "capabilitystatement-subscriptiontopic-canonical"
	ServerR4        = "http://hl7.org/fhir/uv/subscriptions-backport/CapabilityStatement/backport-subscription-server-r4"
	StatusOperation = "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-status"
	EventsOperation = "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-events"
)

// topicElement begins the cross-version extensions that carry elements of R5's
// SubscriptionTopic on a Basic (HL7, versions.html, extensions for converting
// between versions).
const topicElement = "http://hl7.org/fhir/5.0/StructureDefinition/extension-SubscriptionTopic."

// extension is one Extension, with the one value it has or with parts.
type extension map[string]any

func element(name, value string, v any) extension {
	return extension{"url": topicElement + name, value: v}
}

func part(name, value string, v any) extension { return extension{"url": name, value: v} }

// Title and what the topic is about, for people.
const (
	topicTitle = "A score was made, amended or taken back"
	topicText  = "Each version of the Observation that a completed, amended or retracted response to a SCORAD form gives is one event. " +
		"Its focus is that Observation; the response is additional context."
)

// narrative says the same for people.
func narrative() map[string]string {
	div := `<div xmlns="http://www.w3.org/1999/xhtml" lang="en" xml:lang="en"><p>` + topicTitle + `. ` + topicText + `</p><ul>`
	for _, f := range filterParams {
		div += `<li>Filter ` + f.name + `: ` + html.EscapeString(f.text) + `</li>`
	}
	return map[string]string{"status": "generated", "div": div + `</ul></div>`}
}

// Basic is the topic as R4 can hold it: R5's elements as extensions of a Basic.
func Basic() []byte {
	trigger := []extension{
		part("description", "valueMarkdown", "A score was made (status final), amended (amended) or taken back (entered-in-error)."),
		part("resource", "valueUri", "http://hl7.org/fhir/StructureDefinition/Observation"),
		part("supportedInteraction", "valueCode", "create"),
		part("supportedInteraction", "valueCode", "update"),
	}
	extensions := []extension{
		element("url", "valueUri", Topic),
		element("version", "valueString", TopicVersion),
		element("name", "valueString", "Score"),
		element("title", "valueString", topicTitle),
		element("date", "valueDateTime", "2026-11-30"),
		element("description", "valueMarkdown", topicText),
		{"url": topicElement + "resourceTrigger", "extension": trigger},
	}
	for _, f := range filterParams {
		extensions = append(extensions, extension{"url": topicElement + "canFilterBy", "extension": []extension{
			part("description", "valueMarkdown", f.text),
			part("resource", "valueUri", "Observation"),
			part("filterParameter", "valueString", f.name),
		}})
	}
	extensions = append(extensions, extension{"url": topicElement + "notificationShape", "extension": []extension{
		part("resource", "valueUri", "Observation"),
		part("include", "valueString", "Observation:derived-from"),
	}})
	var body bytes.Buffer
	encoder := json.NewEncoder(&body)
	encoder.SetEscapeHTML(false) // the narrative is read by people who look at the JSON too
	err := encoder.Encode(struct {
		Type       string            `json:"resourceType"`
		ID         string            `json:"id"`
		Language   string            `json:"language"`
		Text       map[string]string `json:"text"`
		Extensions []extension       `json:"extension"`
		Modifiers  []extension       `json:"modifierExtension"`
		Code       json.RawMessage   `json:"code"`
	}{
		"Basic", TopicID, "en", narrative(), extensions, []extension{element("status", "valueCode", "active")},
		json.RawMessage(TopicCode),
	})
	if err != nil {
		panic("subscription: the topic cannot be written: " + err.Error()) // it is fixed
	}
	return bytes.TrimRight(body.Bytes(), "\n")
}
