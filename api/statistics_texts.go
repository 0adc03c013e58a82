package api

import "tidemark.example/tidemark/fhir/observation"

// say adds a text for each sentence.
func (p *params) say(name string, sentences []string) {
	for _, sentence := range sentences {
		p.text(name, sentence)
	}
}

// cautions go with every statistic that people read.
func cautions() []string {
	return []string{
		observation.Caution,
		"A band or a number never says that all is well. If you are worried, or the skin is worse than the score suggests, contact the care team; nobody may be watching what is entered. The warning signs that the forms list count whatever the score.",
		"Redness is harder to see on dark skin, so that scores can understate severity there (Zhao CY et al. Int J Womens Dermatol 2015;1:150-154).",
	}
}

const trendCaution = "A change is a statement about two numbers. Whether there was a flare is recorded by itself and cannot be told from scores: none of its published definitions is a threshold of SCORAD (Langan SM et al. Br J Dermatol 2014;170:548-556)."

const agreementCaution = "Neither of two ratings is the right one; where they differ is worth talking about. The first one or two self-assessments agree less with the team's than later ones (Vourc'h-Jourdain M et al. Dermatology 2009;218:246-251)."

// trendDefinitions say how each figure is worked out.
var trendDefinitions = []string{
	"series: scores of one kind of rater by one method of extent, since others cannot be compared; of several on one day the last. Scores entered in error do not count. left-out counts those that have no value of the measure.",
	"slope: the median of the slopes between every two days (Theil and Sen; Sen PK. J Am Stat Assoc 1968;63:1379-1389), of five days at least and a thousand at most, from start on, where the respondent last changed if the family rates. at-start is the height of the line on that day.",
	"interval-95: holds the true slope with 95 % confidence at least, by Kendall's distribution, if scores scatter about a line independently of each other; those of neighbouring days do not quite, so that it is rather too narrow. direction is undetermined where it holds 0.",
	"time-weighted-mean: the area under the straight lines from score to score (trapezoids) over the days they span; stretches of more than 92 days without a score are left out. Common practice.",
	"since-last: against the score of the day before in the series. since-baseline: against the first score from the baseline on, or else from the start on. percent is of the earlier score, rounded to a tenth; thresholds are judged by the exact values.",
}

// agreementDefinitions say how each figure is worked out.
var agreementDefinitions = []string{
	"pair: a score of the family and one of the team, of one patient and three days apart at most, the days that a rating looks back on; the nearest in days come together first, then in time, then the earlier; each score is used once. Differences are the family's value minus the team's.",
	"limits-of-agreement: bias and limits at 1.96 standard deviations (divided by n-1) of the differences of SCORAD, with intervals of 95 % by Student's t (Bland JM, Altman DG. Lancet 1986;327:307-310). They hold for differences that are normally distributed.",
	"icc: ICC(2,1), absolute agreement of single ratings, with its interval of 95 % (Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428). A constant difference between the two counts as disagreement.",
	"linear-kappa, quadratic-kappa: agreement beyond chance, disagreements weighted by the distance of the classes or its square (Cohen J. Psychol Bull 1968;70:213-220).",
	"concordance: Lin's coefficient, with variances divided by n and its interval of 95 % by Fisher's transformation (Lin LI. Biometrics 1989;45:255-268); it is precision (Pearson's r) times accuracy (bias correction factor).",
	"lower, alike, higher: in how many pairs the family rated lower than the team, alike, or higher. Statistics are given for three pairs or more; no mean difference, limits or ICC between family and team have been published to compare with.",
}
