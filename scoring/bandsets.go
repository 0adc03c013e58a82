package scoring

// DefaultBandSet names the set used unless a site chooses another.
const DefaultBandSet = "usual-25-50"

// UsualBands is the set named DefaultBandSet.
var UsualBands = usual().clone()

// step is the smallest difference of two scores, 0.02 points. "Above 50" begins
// one step above it.
const step Points = 1

// scoradBands are the published sets, each cut at its lower bounds so that no
// score falls between two bands. Sets printed with whole numbers leave 28.9 to
// 29, for one, to nobody; the band below takes it. A score of 0 is shown as
// clear where the source begins with mild.
//
// One set known for the objective score, 15 and 40, is left out: its numbers
// could not be confirmed in any text that was read.
var scoradBands = []BandSet{
	usual(),
	cutSet("variant-25-49", OfScorad, Source{
		Citation: "A report citing Faye O et al. J Eur Acad Dermatol Venereol 2020;34:795-799, which prints 25-49 for moderate and above 50 for severe",
		DOI:      "10.1111/jdv.15999",
		Limits:   []Limit{ExpertConvention, QuotedOnly, GapClosed},
	}, Cut{Clear, 0}, Cut{Mild, step}, Cut{Moderate, whole(25)}, Cut{Severe, whole(50)}),
	cutSet("chopra-2017", OfScorad, chopra,
		Cut{ClearOrAlmostClear, 0}, Cut{Mild, whole(10)}, Cut{Moderate, whole(29)}, Cut{Severe, whole(49)}),
	cutSet("barbarot-2024", OfScorad, Source{
		Citation: "Barbarot S et al. J Eur Acad Dermatol Venereol 2024;38:175-181; 335 children",
		DOI:      "10.1111/jdv.19494",
		Limits:   []Limit{RatedByFamilies, Age2To6},
	}, Cut{ClearOrAlmostClear, 0}, Cut{Mild, whole(12)}, Cut{ModerateOrSevere, whole(25)}),
	cutSet("teaching-20-40", OfScorad, Source{
		Citation: "French and Spanish teaching texts: below 20, 20 to 40, above 40",
		Limits:   []Limit{ExpertConvention, QuotedOnly},
	}, Cut{Clear, 0}, Cut{Mild, step}, Cut{Moderate, whole(20)}, Cut{Severe, whole(40) + step}),
	cutSet("patient-text-25-60", OfScorad, Source{
		Citation: "A German text for patients: below 25, 25 to 60, above 60",
		Limits:   []Limit{ExpertConvention, QuotedOnly},
	}, Cut{Clear, 0}, Cut{Mild, step}, Cut{Moderate, whole(25)}, Cut{Severe, whole(60) + step}),
}

var objectiveBands = []BandSet{
	cutSet("chopra-2017-objective", OfObjective, chopra,
		Cut{ClearOrAlmostClear, 0}, Cut{Mild, whole(8)}, Cut{Moderate, whole(24)}, Cut{Severe, whole(38)}),
}

var chopra = Source{
	Citation: "Chopra R et al. Br J Dermatol 2017;177, anchored on investigator global assessment; 673 patients",
	DOI:      "10.1111/bjd.15641",
	Limits:   []Limit{RatedByClinicians, Age13AndOver, NotFoundForSelf, GapClosed},
}

// usual has both of its edges, 25 and 50, in moderate.
func usual() BandSet {
	return cutSet(DefaultBandSet, OfScorad, Source{
		Citation: "Widely used, and attributed from memory to a consensus of the European Task Force on Atopic Dermatitis: below 25, 25 to 50, above 50",
		Limits:   []Limit{ExpertConvention, QuotedOnly},
	}, Cut{Clear, 0}, Cut{Mild, step}, Cut{Moderate, whole(25)}, Cut{Severe, whole(50) + step})
}

func whole(points Points) Points { return points * PointsPerUnit }

func cutSet(name string, measure Measure, source Source, cuts ...Cut) BandSet {
	set := BandSet{Name: name, Measure: measure, Source: source, Cuts: cuts}
	for i, cut := range cuts {
		high := measure.Max()
		if i+1 < len(cuts) {
			high = cuts[i+1].Low - step
		}
		set.Ranges = append(set.Ranges, BandRange{cut.Band, cut.Low, high})
	}
	return set
}
