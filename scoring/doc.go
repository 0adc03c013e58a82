// Package scoring computes SCORAD, the published severity index of atopic
// dermatitis, from an assessment whose answers have already been read.
//
// It is pure: no input or output, no clock, no floating point. Every quantity
// is a whole number of a stated unit (tenths of a percent, fiftieths of a
// point), so that a result can be reproduced to the last digit years later.
//
// Sources, cited again beside each rule:
//   - European Task Force on Atopic Dermatitis. Severity scoring of atopic
//     dermatitis: the SCORAD index. Dermatology 1993;186:23-31.
//     doi 10.1159/000247298.
//   - Oranje AP et al. Practical issues on interpretation of scoring atopic
//     dermatitis. Br J Dermatol 2007;157:645-648.
//     doi 10.1111/j.1365-2133.2007.08112.x.
//
// The score supports, and never replaces, a clinician's judgement.
package scoring
