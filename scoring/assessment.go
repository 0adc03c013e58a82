package scoring

// Optional is a value that may not have been answered. Zero is an answer;
// blank is not.
type Optional[T any] struct {
	Value    T
	Answered bool
}

// Answer makes an answered value.
func Answer[T any](value T) Optional[T] { return Optional[T]{Value: value, Answered: true} }

// Rater says who rated.
type Rater uint8

// The two kinds of rater, whose scores are never mixed in one series.
const (
	RatedBySelf Rater = iota
	RatedByClinician
)

// String gives the first half of a method's code: "self" or "clinician".
func (r Rater) String() string { return codeAt([]string{"self", "clinician"}, int(r)) }

// Method says how the extent was found.
type Method uint8

// The methods; the zero value is none.
const (
	MethodUnknown Method = iota
	ByRegions
	ByHands
	ByDirect
)

// String gives the code of the method, "" for none.
func (m Method) String() string {
	return codeAt([]string{"", "regions", "hands", "direct"}, int(m))
}

// AgeGroup chooses the weights of the body's regions.
type AgeGroup uint8

// The age groups; the zero value is none.
const (
	AgeGroupUnknown AgeGroup = iota
	TwoAndOver
	OneToTwo
	UnderOne
)

// String gives the code of the age group, "" for none.
func (g AgeGroup) String() string {
	return codeAt([]string{"", "2-and-over", "1-to-2", "under-1"}, int(g))
}

// Sign is one of the six items of intensity, by their ETFAD names.
type Sign uint8

// The signs, of which Dryness is rated on skin without eczema.
const (
	Erythema Sign = iota
	Oedema
	Oozing
	Excoriation
	Lichenification
	Dryness
	SignCount = 6
)

// String gives the code of the sign.
func (s Sign) String() string {
	return codeAt([]string{"erythema", "oedema", "oozing", "excoriation", "lichenification", "dryness"}, int(s))
}

// AlsoSeen is a sign that is asked for and not scored.
type AlsoSeen uint8

// The signs outside the index.
const (
	Bleeding AlsoSeen = iota
	Fissures
	Scaling
	AlsoSeenCount = 3
)

// String gives the code of the sign.
func (a AlsoSeen) String() string {
	return codeAt([]string{"bleeding", "fissures", "scaling"}, int(a))
}

// Assessment is one completed rating over the last three days and nights.
type Assessment struct {
	Rater    Rater
	Method   Method
	AgeGroup AgeGroup
	// Regions are whole percents of each region, 0 to 100; only ByRegions.
	Regions [RegionCount]Optional[uint8]
	// Hands is the number of the patient's own palms, each 1 %; only ByHands.
	Hands Optional[Tenths]
	// Direct is the percent of the body surface; only ByDirect.
	Direct Optional[Tenths]
	// Grades are 0 absent, 1 mild, 2 moderate, 3 severe.
	Grades [SignCount]Optional[uint8]
	// Itch and SleepLoss are 0 (none) to 10 (worst).
	Itch, SleepLoss Optional[Tenths]
	AlsoSeen        [AlsoSeenCount]Optional[bool]
	// FaceOrHands says that face or hands are severely affected; only a
	// clinician is asked.
	FaceOrHands Optional[bool]
}

// codeAt is codes[n], or "" where there is none: a value that a later version
// wrote must not stop the program that prints it.
func codeAt(codes []string, n int) string {
	if n >= len(codes) {
		return ""
	}
	return codes[n]
}
