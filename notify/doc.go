// Package notify takes entries out of the outbox, has a [Channel] carry each, and writes down what came of it.
// Most are notices that are emailed, so they are what is spoken of here.
//
// # What is promised
//
// A notice is committed together with the event it is about (package workflow). From then on:
//
//   - At least once. An entry leaves the queue only when the mail server has accepted its mail, or when
//     it is buried. A crash between any two steps loses nothing: a claim is a lease, and when it runs
//     out the entry is claimed again.
//   - A repeat is recognisable: it has the same bytes and the same Message-ID, which is made of the entry's id.
//     A mail that may have arrived (see Unknown below) is kept with its entry and sent again unchanged, unless
//     something in it was withdrawn since: a link ended, a photo was removed or blurred, the address corrected.
//     Then it is written anew under a Message-ID of its own, as a reply to the one before (RFC 5322, 3.6.4).
//   - A mail tells what is so when it leaves. One that no server has taken is written anew for each try, the
//     first one too: with the customer, links, photos, words and state of then, under its first Message-ID. What
//     later steps made out of date is not told (workflow.Job.Moot), and a mail of nothing else is never sent.
//   - In order per job. While an entry of a job is queued, tried or waiting, those after it wait. One
//     that is buried holds nothing up.
//   - Never before its time. An entry's instant is the earliest at which it is claimed. Nothing goes out
//     in the quiet hours of the customer's own zone but what the customer caused or asked for; a mail that
//     a retry would bring into the night waits for the morning. If the customer asks for something at
//     night, what waited goes first, and now.
//   - Gathered. A notice made while an earlier mail of its job still waits goes with that mail, if
//     nothing stands between them; both are then one mail, under the Message-ID of the first. A notice
//     that comes while the mail is being written is not in it, and gets one of its own.
//   - Few at a time. However many entries wait, and however long the server is away, only some tens are
//     claimed, and only those take memory.
//   - Paced. No more mails begin in a minute than the limits allow, in all and for each domain.
//   - Chosen. A customer who wants only what needs them gets no mail about other steps; a mail that they
//     may do without has the one-click button of RFC 8058, under the signature.
//   - No neighbour suffers. A mail that can't be written (a fault, even a panic) is tried three times and
//     buried; a mail that makes the line break waits by itself with growing gaps.
//
// # What becomes of a try
//
//   - Accepted: the server answered the final dot with 250. The event "notice.delivered" and the
//     settlement are one commit. What happens to the connection afterwards changes nothing.
//   - Put off: a 4yz reply (RFC 5321), or a line that broke in the middle of the mail. Tried again after
//     1 minute, 3, 9 … up to 6 hours, each give or take a fifth, for 5 days; then buried.
//   - Unknown: the whole mail went out and no answer came. It may have arrived. It is treated as put off,
//     since a lost notice is worse than a second copy that a mail program can recognise as one.
//   - Unreached: no server was ready for any mail: no connection, no encryption, no sign-in, "421". That
//     counts against no mail and buries none, however long it lasts. All mails wait; after 15 seconds, 30
//     … up to 15 minutes one alone tries. [Dispatcher.Health] says since when.
//   - Refused: a 5yz reply. The entry is buried: the event "notice.buried" says in plain words of ours
//     why, and tells the counter to telephone; the server's words stand with the tries, where erasing a
//     person removes them. The counter sends it again (workflow.SendAgain; then it is built anew, for the
//     address that the customer has now), or ticks it off as told (workflow.NoteTold).
//
// Nothing is written or sent for a person who was erased.
//
// # Channels
//
// An entry goes by one channel ([workflow.Channel]), and each has a dispatcher of its own over the same outbox:
// email (package mail), the shop's own systems (package hook), browsers that asked for it (package push), and
// effects, which leave nothing ([EffectsConfig]). What comes back is read by package inbox. A [Channel] is one
// method that carries an entry; claims, order, gaps and what becomes of a try are the dispatcher's. What is
// promised above holds for all of them, with these differences:
//
//   - Order is kept per job and receiver. A system or browser that is away holds up no mail, and no other.
//   - A webhook's repeats carry the same webhook-id and the same body: the job as it stood right after the
//     event. A push tells its step as the job stands when it goes out, and takes the place of earlier ones.
//   - Webhooks go out at once; pushes keep the quiet hours and the customer's choice, but are not gathered,
//     and what the customer did themselves is not pushed to them.
//   - What is given up stands in the outbox, where the counter sees it and sends it again; nobody is asked to
//     telephone, since the mail has told the customer.
//
// # Decisions
//
//   - 2026-11-27: The outbox has lanes. An entry names its channel, order holds per job and channel, and a
//     dispatcher claims one channel. Email is the empty channel, so ids, Message-IDs and rows are what they
//     were; in Redis email keeps its own queue, so a version that knows no other channel sees nothing else
//     beside it. Rejected: an outbox for each channel (a commit would have to span them), and one dispatcher
//     for all (one receiver that is away would hold up the others).
//   - 2026-11-25: What goes into one email is decided when a notice is made, not when an email is sent: its
//     event names the email that tells it. So a repeat holds the same notices, and the store's outbox knows
//     nothing of gathering. A notice that comes too late for its email gets one of its own with the email's
//     delivery event. Rejected: collecting at sending time, where a crash between sending and settling would
//     repeat an email under one Message-ID with other notices.
//   - 2026-11-30: What an email says of its notices is the job as it stands when it leaves, at the first try too.
//     Rejected: the job as it stood when the last notice was made, which a crash repeats to the letter but
//     which asks for an answer that was given, and names sums and dates that have changed.
package notify
