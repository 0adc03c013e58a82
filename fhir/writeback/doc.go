// Package writeback brings stored Observations to a hospital's FHIR server.
//
// It reconciles and does not queue: the store knows, for every score, the
// version a target should hold and the version it took last, and a Worker
// claims what differs, sends it and records what became of it. The promise is
// that the target ends at the version wanted, in one resource, and never takes
// an older version after a newer one. Sending the same version twice is allowed.
//
// # Shapes
//
// A target gets a score in the shape of its profile (observation.Profile): one
// Observation, a panel with members, single Observations, or a DocumentReference.
// Each of these resources is a member of the score, with a delivery, an
// identifier, an id and an ETag of its own (store.Delivery.Member), and the
// promise is that of each. What a member is made of is its name and the stored
// version; nothing is kept of what was sent before.
//
// A member that a version has no more, because an answer was taken out or because
// the target's shape was changed, is wanted as taken back by that version: it is
// sent as entered-in-error, with what the last version said that had it. A shape
// that was changed shows with the next version of a score; until then the target
// keeps what it has. The score itself is the same member in every shape of
// Observations, so that it stays one resource when the shape changes.
//
// The Observation of a panel refers to its members by the target's own ids, so
// that it is sent after them: it waits (Waiting), with the reason in the delivery,
// and no attempt is counted. A member that is parked keeps it waiting. Where the
// profile is Logical it refers by identifiers and does not wait; so it and all others
// name our Device, unless a transaction brings it along, and the response.
//
// # One delivery
//
// What the target does not hold is created in the way of its mode; the id and
// the ETag that it answers with are kept, and from then on the resource is
// updated by its id with If-Match.
//
// Whenever it is not known what the target holds, it is read before anything is
// decided: after a precondition that failed, and after every attempt whose
// outcome is unknown (no answer, an answer that proves nothing, a server error,
// a lease that ran out). Before such a read some time passes (Options.Settle),
// because a request may still be on its way and because a server may index what
// it took later than it answers.
// A version that is wanted meanwhile is looked after at once; but a resource that
// is not found so early is looked for once more after that time, before it is
// created, or taken for one that the target never had.
//
// # Modes
//
// ConditionalUpdate asks the target to update whatever carries the score's
// identifier (R4 http.html 3.1.0.4.3), with If-None-Match: *, so that a copy of
// the request that was held up on the way cannot overwrite what came later, at a
// target that looks at it.
//
// ConditionalCreate posts with If-None-Exist (R4 http.html 3.1.0.8.1); what is
// there already is read, and updated by its id.
//
// SearchThenWrite needs no conditional interaction. The target is searched before
// each create, and after an unknown outcome not before the time to settle; a POST
// is never repeated without such a search.
//
// Transaction sends the score with its Provenance and Device in one Bundle (R4
// http.html 3.1.0.11): a create on the condition that the identifier is not
// there, or the update by id with ifMatch. The answer to its entry gives id and
// ETag. The Device is known by its identifier and the Provenance, which has none
// in R4, by a tag (observation.ProvenanceSystem); both are created on that
// condition too, so that a repetition makes no second one.
//
// Auto chooses by the target's CapabilityStatement, which is read when Run begins
// and again every Options.Discover, the first of ConditionalCreate,
// ConditionalUpdate, SearchThenWrite and Transaction that it states. A mode that was configured is kept, whatever
// the statement says. In either case a target that refuses what its mode needs
// (see suspect) gets a search and a plain request instead of being given up; if it
// takes that, it is written to by SearchThenWrite until its statement changes or
// the process ends. A content that it refuses then is refused indeed.
//
// # What is left to chance
//
// A request that arrives later than Options.Settle after it was given up finds
// nothing in its way where the target has no conditions for it: a plain POST then
// makes a second resource (SearchThenWrite, or a target that ignores
// If-None-Exist, which also gets another Device with every transaction), and an
// update without a condition puts an older version over a newer one (a target
// without ETags, or one that ignores If-Match and does not say so, or
// If-None-Match in ConditionalUpdate, as HAPI FHIR 8.8 does). A second resource is
// found by the next search and parked as ambiguous;
// an older version is found when the target is read. Such targets also do not
// notice a change of their own between our read and our update. Settle must be
// longer than any proxy on the way keeps a request, and the second that a claim is
// trusted for without being asked about.
//
// A clock that jumps ahead by more than a lease lets another take over what is being
// sent; it waits for Settle, by the clock that jumped.
//
// A target whose statement does not say versioned-update, or that gives no ETag,
// is read right before each update, and not updated while an earlier request may
// still be on its way.
//
// # The target as a whole
//
// A fault of the target as a whole (no connection, 401, 429, 502 to 504) stops
// the sending to it for a time, then one probe at a time may pass until one is
// answered. Errors that may be of the one delivery (500, 403, a page in place of
// FHIR) do so only when several in a row met them. The probe is the delivery that
// has failed least, so that one that a target cannot digest does not stop the
// others.
//
// # Many deliveries
//
// What is about to be sent is on disk by its claim, and what came of it is recorded
// while the next is sent, together with what else came in. Twice as many deliveries
// are worked on as requests may be under way (Options.Senders), so that some are
// prepared meanwhile. A write long after the claim asks for the lease once more.
// When the target is paused or the worker told to stop, what still waits for its turn
// is given back and does not count as an attempt. What a process held that died is in
// doubt, whether it was sent or not.
//
// # What the target is taken to hold
//
// What was read is compared with the version wanted by content, not by a mark
// of ours in it: all members but id, meta and the narrative must be the same,
// objects in any order, numbers by value, instants by the moment, references
// whether or not they repeat the target's own base. A target that alters what
// it takes never compares as equal, which costs one update more and harms
// nothing. A source of a later version than ours (Observation.derivedFrom, when
// the target keeps versions in references) means that the target is ahead, as
// after this database went back to a backup: then nothing is sent.
//
// # Looking after copies
//
// What was delivered is read at the target once after Options.Settle, and again
// every Sweep.Interval, by its id and by its identifier, so that a second resource
// is found too. A copy that is changed, gone, or not entered in error though it
// was taken back is brought in order as a delivery in doubt is (Repair), at most
// Sweep.Repairs times until a later look finds it well, or is told only (Report).
// Several resources, one that is not the score's, and one that is ahead are told
// in either case.
//
// What the target makes of what it takes, as one that drops components, is no
// finding: it is known by a digest of the copy that the answer to the write
// showed, or, where the answer showed none, that the first look found. Another
// status, patient or value is never taken for that.
//
// Looking takes only turns that no delivery waits for, stops while the target as a
// whole is at fault, and holds a lease that a delivery takes away. A target that
// is busy without end is thus not looked at; the age of the oldest look shows it.
//
// That a result was taken back is taken as done only if the answer to the write or
// a read after it shows the resource entered in error.
//
// # What is not logged
//
// Logs, metrics, reasons and errors carry the target's name, the kind of fault,
// the HTTP status, issue codes and element names; never a body, an id or an
// address.
package writeback
