// Package agreement says how well the family's scores and the team's agree, for
// one patient or for all of a clinic.
//
// Correlation is not agreement (Bland JM, Altman DG. Lancet 1986;327:307-310), so
// that none is given. Nobody has published a mean difference, limits of agreement
// or an intraclass correlation of SCORAD between family and team; what is worked
// out here is about the pairs given and nobody else.
//
// Differences are the family's score minus the team's. Values are whole numbers
// of fiftieths, and estimates fractions of them; roots are worked out to 18
// places. Floating point is used for the ends of intervals alone, which are
// irrational (interval.go), and never on the way from an answer to a score.
//
// Sources, cited again beside each rule:
//   - Bland JM, Altman DG. Lancet 1986;327:307-310: bias and limits.
//   - Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428: intraclass correlation.
//   - Cohen J. Psychol Bull 1968;70:213-220: weighted kappa.
//   - Lin LI. Biometrics 1989;45:255-268: concordance.
//
// Agreement describes how two ratings compare. It says of neither that it is the
// right one, and neither diagnoses nor chooses a treatment.
package agreement
