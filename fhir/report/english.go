package report

import (
	"tidemark.example/tidemark/fhir/observation"
	"tidemark.example/tidemark/scoring"
	"tidemark.example/tidemark/scoring/trend"
)

// english is the language that all others are made from.
var english = &texts{
	tag: "en", decimal: ".",
	months:    "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec",
	date:      "%[1]d %[2]s %[3]d",
	monthYear: "%[1]s %[2]d",

	title: "SCORAD report", about: "Rated %[1]s by %[2]s",
	subject: "Patient: %[1]s", amended: "amended",
	raters:  [2]string{"patient or carer", "care team"},
	methods: [4]string{"", "by regions", "by palms", "by direct estimate"},
	signs:   [scoring.SignCount]string{"redness", "swelling or bumps", "weeping or crusts", "scratch marks", "thickened skin", "dryness"},
	seen:    [scoring.AlsoSeenCount]string{"bleeding", "cracks in the skin", "peeling or scaling"},
	regions: [scoring.RegionCount]string{"head, front", "head, back", "chest and belly", "back and buttocks", "right arm, front", "right arm, back", "left arm, front", "left arm, back",
		"right leg, front", "right leg, back", "left leg, front", "left leg, back", "genital area"},
	items: [14]string{"SCORAD", "Objective SCORAD", "Extent, A/5", "Signs, 7B/2", "Itch and sleep, C", "Extent (%)", "Redness", "Swelling or bumps", "Weeping or crusts", "Scratch marks",
		"Thickened skin", "Dryness", "Itch", "Sleep loss"},
	bands: [scoring.BandCount]string{"clear: no signs or symptoms recorded", "clear or almost clear", "mild", "moderate", "moderate or severe", "severe"},

	ofPoints: "of 103 points", bandOf: "%[1]s (%[2]s to %[3]s)",
	noTotal: "No total", noTotalWhy: "Itch or sleep loss was not answered, so there is no SCORAD and no band.",
	bonus: "With the bonus for face and hands, never part of the total: %[1]s.",
	since: [4]string{
		"Same as on %[2]s.", "Fell by %[1]s points since %[2]s%[3]s.", "Rose by %[1]s points since %[2]s%[3]s.",
		"Rose by %[1]s points since %[2]s%[3]s, which is more than 8.7.",
	},
	sincePercent: " (%[1]s %%)", reached: "A fall of %[1]d %% or more.",
	scaleAlt: "A scale from 0 to 103 points with the bands %[1]s; %[2]s.",

	working: "How the score was worked out", workingColumns: "Part|Answered|Working|Points",
	partExtent: "A  Extent", partSigns: "B  Signs, 0 to 3", partItch: "C  Itch, sleep loss",
	answeredExtent: "%[1]s %% of the skin, %[2]s", answeredSubjects: "itch %[1]s, sleep loss %[2]s",
	notAnswered: "not answered", alsoSeen: "Also seen, not scored: %[1]s.",

	body: "Where the eczema is", bodyAlt: "Share of each region with eczema: %[1]s.",
	front: "Front", back: "Back", right: "right", left: "left", region: "%[1]s %[2]s %%", genitals: "genital area %[1]s %%",
	noMap: "No body map: the extent was given %[1]s, %[2]s %% of the skin in all. A map is drawn when the extent is given by regions.",

	both: "Both ratings side by side", bothColumns: "|Family|Team|Difference",
	bothDates: "Family %[1]s; team %[2]s. Difference: family minus team. Neither is the right one; where they differ is worth talking about.",
	noPair:    "The family and the team have not rated within three days of each other in this period, so there is nothing to compare.",

	trend: "Trend", trendPeriod: "%[1]s to %[2]s; points of SCORAD, 0 to 103. Each line is one kind of rater and one way of giving the extent.",
	trendAlt: "Chart of SCORAD over time with the bands %[1]s. %[2]s %[3]s",
	noTrend:  "There is no total to draw in this period.",
	mark:     "Changes of more than 8.7 points since the score before: %[1]s.", markNone: "No change of more than 8.7 points from one score to the next.",
	latest: "%[1]s: %[2]s on %[3]s; days with a score: %[4]d", slope: "slope %[1]s a week (95 %% %[2]s to %[3]s, %[4]s)",
	slopeNone: "no slope of fewer than five days", mean: "mean %[1]s",
	directions: map[trend.Direction]string{trend.Falling: "falling", trend.Rising: "rising", trend.Undetermined: "not clear either way"},
	roseMark:   "rose by more than 8.7 points", fellMark: "fell by more than 8.7 points", slopeLine: "slope (Theil and Sen)",

	warnings: "Warnings about the data", noWarnings: "None.", more: "And %[1]d more, in the notes of the scores.",
	trendWarnings: map[trend.Warning]string{},
	reading:       "How to read it",
	readings: []string{
		"SCORAD = A/5 + 7B/2 + C, 0 (none) to 103. A: percent of the skin; B: six signs, each 0 to 3; C: itch and sleep loss, each 0 to 10. It looks back three days and nights.",
		"Bands (set %[1]s) are conventions of experts, not thresholds of treatment.",
		"8.7 points is a published size of change that may matter (Schram 2012), found with scores of clinicians, not of families. Two clinicians differ by up to 7.49 points (Sprikkelman 1997).",
		"A rise is not a flare: no published definition of one is a threshold of SCORAD.",
		"SCORAD is not in the core set for trials (HOME 2022).",
	},
	caution: "Cautions",
	cautions: []string{
		observation.Caution,
		"No band or number says that all is well. If you are worried, or the skin is worse than the score suggests, contact the team; nobody may be watching what is entered.",
		"Redness is harder to see on dark skin, so that scores can understate severity there (Zhao 2015).",
	},
	urgent: "Seek medical care, whatever the score",
	urgents: []string{
		"The same day: eczema quickly worse and painful, groups of small blisters or punched-out sores, above all near the eye.",
		"Urgently: nearly all of the skin red; shivering, drowsiness, poor feeding; a baby under three months who is unwell.",
		"Soon: weeping, pus or crusts, fever or feeling ill.",
	},
	mood:       "Itch and lost sleep weigh on mood: if nights are bad or anyone feels low, tell the team; if someone may harm themselves, call the emergency number now.",
	conclusion: "SCORAD %[1]s of 103 points (%[2]s, band set %[3]s), rated by %[4]s on %[5]s.",
	retracted:  "SCORAD: entered in error, not to be used.",
	footer:     "Tidemark, SCORAD algorithm %[1]s. Made from the scores stored, each an Observation that can be traced to its answers.",
}

func init() {
	for _, w := range []trend.Warning{trend.TooFewDays, trend.TooManyDays, trend.LineBegins, trend.ScorersDiffer, trend.SeveralOnOneDay, trend.RecallOverlaps,
		trend.GapLeftOut, trend.RespondentDiffers, trend.Learning, trend.NoPercent} {
		english.trendWarnings[w] = w.Text()
	}
}
