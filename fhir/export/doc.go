// Package export prepares bulk exports (HL7 Bulk Data Access) and makes the lines
// of the de-identified export for research.
//
// An export is of one instant. The store keeps every version, so nothing is
// copied: a worker walks what was there at the instant once, page by page, counts
// it and cuts it into files, each of which is a type and two ids between which
// its lines lie. How far it is stands in the store, so that another worker, or the
// same after a restart, goes on behind the last page. A file is written when it is
// downloaded, by walking between its ids again, and is the same each time. So there
// are no files with patient data on any disk, none to be forgotten there, and
// memory holds one page, whatever the size of the store.
//
// # The export for research
//
// Research says what a line has: an allow-list, not a list of what is left out.
// Each score comes with its parts and its answers as codes, never as a total alone.
// The patient is a pseudonym, the keyed hash (HMAC-SHA256, RFC 2104) of whom the
// store has, by a random key that is made for this export and forgotten with it:
// the same person is the same within an export and cannot be followed from one to
// the next. Dates are moved back by 1 to 365 whole days, the same for all scores of a
// person, so that intervals are true and dates are not. There are no birth dates
// and no ages, since none are kept here; no names, identifiers, notes, narratives,
// languages, raters or encounters.
//
// What risk remains, for whoever releases such an export to weigh; it is
// pseudonymous, and under the GDPR (recital 26) still personal data while anyone
// can tell who is meant:
//
//   - Whoever knows a person's scores finds the person by them: a sequence of
//     answers over weeks is as good as a name. So do the intervals between ratings,
//     which are true.
//   - Whoever has this database finds everybody, by the same scores, and until the
//     export is past its time also by its key, which lies beside it.
//   - The regions of the body with the extent tell the age group (below 1, below 2,
//     2 and over), since its weights differ; the genital region is among them.
//   - Moved dates hide the day, the season and what happened in the world at large,
//     but not for a person whose last rating is known: it tells how far all of the
//     dates were moved.
//   - A small group names its members. Below 11 people (SmallGroup) the export warns,
//     and so does it if all of a small clinic are in it whatever their number.
//   - A person who asked to be forgotten stays in the exports that were made before.
//
// So: release to named people under an agreement that forbids to look for whom a
// line is of, for a stated purpose, to those only whose patients have agreed to it
// where the law asks so; name them as a Group.
package export
