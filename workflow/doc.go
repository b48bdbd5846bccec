// Package workflow is the domain: one device's stay at a bench, from booking to shipping.
//
// A [Job] is what its [Event]s fold to. A [Command] is decided on the job as it stands and records
// events, or refuses with one plain sentence. [Service] commits the events together with all that
// follows from them: the notices to send, the links given out, the index entries, and the instant at
// which the job must be looked at again. There is no moment at which an event exists and its notice
// does not.
//
// Invariants: events are never changed or deleted; each names the SHA-256 of the one before it over
// canonical JSON (RFC 8785); replaying them gives the job. Personal data stands in events only as
// salted digests ([Sealed]). Nothing here reads a clock or draws randomness: both are passed in.
// The package knows nothing of the web, of mail, or of how things are stored.
//
// The stages, generated from [Transitions]:
//
// BEGIN DIAGRAM
//
//	stateDiagram-v2
//	    [*] --> booked
//	    [*] --> received
//	    booked --> received
//	    received --> diagnosing
//	    received --> testing
//	    diagnosing --> awaiting_approval
//	    diagnosing --> repairing
//	    diagnosing --> testing
//	    awaiting_approval --> repairing
//	    awaiting_approval --> diagnosing
//	    awaiting_approval --> testing
//	    repairing --> awaiting_approval
//	    repairing --> diagnosing
//	    repairing --> testing
//	    testing --> repairing
//	    testing --> diagnosing
//	    testing --> awaiting_approval
//	    testing --> shipped
//	    booked --> withdrawn
//	    awaiting_approval --> withdrawn
//	    shipped --> [*]
//	    withdrawn --> [*]
//
// END DIAGRAM
package workflow
