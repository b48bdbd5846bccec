// Package workflow is the domain: one device's stay at a bench, from booking to shipping.
//
// A [Job] is what its [Event]s fold to. A [Command] is decided on the job as it stands and records
// events, or refuses with one plain sentence. [Service] commits the events together with all that
// follows from them: the notices to send, the links given out, the index entries, and the instant at
// which the job must be looked at again. There is no moment at which an event exists and its notice
// does not.
//
// Invariants: events are never changed or deleted; each names the SHA-256 of the one before it over
// canonical JSON (RFC 8785); replaying them yields the job. Personal data is in events only as
// salted digests ([Sealed]). Nothing here reads a clock or draws randomness: both are passed in.
// The package knows nothing of the web, of mail, or of how things are stored.
//
// Some words of the code: to record is to add an event, and a record is what is kept of one thing. What is
// told, the customer reads. A channel carries entries of the outbox. A payload is named after its kind.
//
// # Decisions
//
//   - 2026-11-25: Personal data is sealed: events and stored jobs hold salted digests, a vault per job the
//     values, and erasing deletes the vault's rows. Rejected: encrypting with a key per person, which must be
//     kept as long and as safely.
//   - 2026-11-25: An approval in force survives a failed test: from diagnosing a job may go back to repairing
//     under the approved total, not only under a limit agreed beforehand.
//   - 2026-11-25: A question hands the clock back. While the customer's question is open the promise clock
//     runs on the bench's account, although the stage stays "awaiting approval"; the answer pauses it again.
//   - 2026-11-25: Report and quote of one step are one email. Two within a second would say half each.
//   - 2026-11-25: A report stays as it was sent. Folding keeps its findings beside it, so that a correction
//     shows in the next report and is told there. Rejected: putting them into the event, which would change
//     what was released.
//   - 2026-11-25: Courses stand beside jobs: when a job was where, what was promised, when the clock stood
//     still, nothing about a person, written with the commit that changes it. Forecast and figures read
//     nothing else. Rejected: reading whole jobs, a hundred times as much.
//   - 2026-11-25: A missed date asks at once, in plain words if nobody wrote any. The counter can write the
//     reason (and a new date) beforehand; it is kept, and goes out with the breach. Rejected: holding the
//     email until somebody writes, which leaves the customer with nothing on the one day that matters. A
//     choice is offered as long as there is work to stop; the customer's "have it back" moves the job to
//     testing by itself, and nothing that was quoted is charged.
//   - 2026-11-25: Silence agrees, unless the shop says otherwise (unanswered_means). 16 CFR 435 lets silence
//     agree to a first short delay only; that is agree_once. Rejected as the usual value: a device closed up
//     unrepaired because an email lay in a spam folder is the harder thing to undo.
//   - 2026-11-25: A level of service is copied into the job with its promise, price and targets, so that a
//     change in the settings changes no agreement. Warnings, missed targets and the forecast's flag are
//     events, made by exact alarms.
//   - 2026-11-25: An answer can be taken back until the bench begins, however long that is ([Job.UndoUntil]). The
//     table has "testing to awaiting approval" for a no that is taken back. What can't be undone (recycling) takes
//     effect when undo_minutes are over. Rejected: holding every answer back, which costs the bench half an hour
//     each time; and, on 2026-11-30, undo_minutes for every answer, which ended while nobody had begun. An answer
//     names its round, so that a form sent again after that starts nothing anew.
//   - 2026-11-25: A charge is what was approved, or less, never more ([Job.Authorised]). After a no it is the
//     diagnostic fee that was announced on booking, if any; the counter can charge less with a reason that
//     the customer reads.
//
// # Stages
//
// Generated from [Transitions]:
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
