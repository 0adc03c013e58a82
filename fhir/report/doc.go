// Package report draws the report for a visit: one A4 page of one patient's
// scores, as SVG and as PDF, and the DiagnosticReport (R4 diagnosticreport.html)
// that carries both. It is pure: the same scores give the same bytes, whatever
// the clock says.
//
// The page is laid out once, as a tree of what is said in the order in which it
// is read (page.go), and then written twice (svg.go, pdf.go), so that both say
// the same and both can be read by a screen reader. Nothing is told apart by
// colour alone: all is dark or light, and differs in shape, dashes or hatching.
//
// Scores of different kinds of rater, or of different methods of extent, are
// never in one line (scoring/trend). The report supports, and never replaces, the
// judgement of a clinician; it names no treatment, and calls no rise a flare.
package report
