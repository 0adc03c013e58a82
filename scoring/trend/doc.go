// Package trend says where a patient's scores stand and where they are going.
//
// Scores are compared within a Series only: one kind of rater and one method of
// extent, since family and team rate differently and the same skin drawn on
// another chart scores differently. Nothing here is called a flare: none of its
// published definitions is a threshold of SCORAD (Langan SM et al. Br J Dermatol
// 2014;170:548-556), so that a rise is said to be a rise.
//
// All is exact: whole numbers and fractions of them, no floating point.
//
// Sources, cited again beside each rule:
//   - Sen PK. J Am Stat Assoc 1968;63:1379-1389: the slope and its interval.
//   - Schram ME et al. Allergy 2012;67:99-106, and Silverberg JI et al. Br J
//     Dermatol 2021;184:888-895: the sizes of change, see package scoring.
//
// A trend describes eczema that has been diagnosed. It neither diagnoses nor
// chooses a treatment.
package trend
