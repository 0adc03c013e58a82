package scoring

// Source says where a convention was published and how far it reaches, in
// fields that a program can show beside every band and every change.
type Source struct {
	// Citation names the publication; it is free text for the reader.
	Citation string
	// DOI is empty where none could be confirmed.
	DOI string
	// Limits are what the source does not carry; none is left out to look better.
	Limits []Limit
}

// Limit is one reason to be careful with a convention. It is a stable code, fit
// for a filter; Text is its sentence.
type Limit string

// The limits of the sources used here.
const (
	ExpertConvention    Limit = "expert-convention"
	QuotedOnly          Limit = "quoted-only"
	CommonPractice      Limit = "common-practice"
	RatedByClinicians   Limit = "rated-by-clinicians"
	RatedByFamilies     Limit = "rated-by-families"
	Age13AndOver        Limit = "age-13-and-over"
	Age2To6             Limit = "age-2-to-6"
	NotFoundForSelf     Limit = "not-found-for-self-assessment"
	NotFoundForRise     Limit = "not-found-for-worsening"
	SizeOfObserverNoise Limit = "size-of-observer-noise"
	GapClosed           Limit = "gap-closed"
)

// Text is the limit as a sentence in English, or "" for a code not known here.
func (l Limit) Text() string { return limitTexts[l] }

var limitTexts = map[Limit]string{
	ExpertConvention:    "A convention among experts, not a threshold of treatment.",
	QuotedOnly:          "Read in texts that quote it, not in the original.",
	CommonPractice:      "Common practice; no publication was found that studied it.",
	RatedByClinicians:   "Found with scores rated by clinicians.",
	RatedByFamilies:     "Found with scores rated by the family.",
	Age13AndOver:        "Studied at 13 years and over.",
	Age2To6:             "Studied at 2 to 6 years.",
	NotFoundForSelf:     "Nobody has published it for the self-assessment.",
	NotFoundForRise:     "Found for improvement; applied to worsening by symmetry.",
	SizeOfObserverNoise: "Two clinicians rating one patient differ by about as much: limits of agreement of 7.49 points (Sprikkelman AB et al. Allergy 1997;52:944-949).",
	GapClosed:           "As printed the bands leave a gap, which the lower band takes here.",
}
