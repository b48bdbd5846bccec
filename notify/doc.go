// Package notify sends notices: it takes entries out of the outbox, writes the mails, hands them to a
// mail server, and writes down what came of it.
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
//   - A mail that waits tells what is so when it leaves. One that no server has taken is written anew for each
//     try: with the customer, links, photos, words and state of then, under its first Message-ID. Before its
//     first try it tells the job as it stood when the notice was made, with the customer, links and photos of
//     now: so a crash between sending and settling repeats it to the letter, if none of those has changed.
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
// # Other ways
//
// An entry goes one way ([workflow.Via]): by mail, to one of the shop's own systems ([Hook], signed by the
// Standard Webhooks specification), or to a browser that asked for it ([Pushes], RFC 8030, 8291, 8292). Each
// way has a dispatcher of its own over the same outbox, with a transport and a composer, and what is promised
// above holds for it, with these differences:
//
//   - Order is kept per job and receiver. A system or browser that is away holds up no mail, and no other.
//   - A webhook's repeats carry the same webhook-id and the same body: the job as it stood right after the
//     event. A push tells its step as the job stands when it goes out, and takes the place of earlier ones.
//   - Webhooks go out at once; pushes keep the quiet hours and the customer's choice, but are not gathered,
//     and what the customer did themselves is not pushed to them.
//   - A system that answers 429, 502, 503 or 504 is left alone as a mail server that is away is, for as long as
//     Retry-After says. 410 switches it off: its messages wait until somebody switches it on again. A browser
//     that is gone (404, 410) is written off. Any other refusal is put off: webhooks for 5 days, pushes for 2.
//   - What is given up stands in the outbox, where the counter sees it and sends it again; nobody is asked to
//     telephone, since the mail has told the customer.
//   - What others name leads to the open internet only: the address is looked at when the connection is made,
//     redirects are not followed and proxies not asked.
//
// # What comes back
//
// [Inbox] reads a Maildir or an IMAP mailbox: a bounce (RFC 3464) becomes the event "notice.bounced" and
// tells the counter, a customer's reply a letter on the job. Nothing that comes in leads to a mail that
// goes out.
//
// # Mails
//
// A mail says the same in text and in HTML, in the customer's language; it carries photos inline, below a
// weight that mailboxes take and do not clip; it belongs to its job's thread by References; its Date is
// the instant of its notice; and it is marked as written by a machine (RFC 3834), so that nothing answers
// it. No picture, style or script is fetched from anywhere when it is opened.
//
// # Decisions
//
//   - 2026-11-30: An email that no server took is not kept but written anew for each attempt, and one that may
//     have arrived says which links and photos it holds. Rejected: a digest of all that an email was made from,
//     beside its bytes, since writing it anew is the comparison; keeping the bytes before each attempt, which
//     costs a second write for every email; a Message-ID made of the contents, which no earlier version knows.
//   - 2026-11-27: The outbox has lanes. An entry names its channel, order holds per job and channel, and a
//     dispatcher claims one channel. Email is the empty channel, so ids, Message-IDs and rows are what they
//     were; in Redis email keeps its own queue, so a version that knows no other channel sees nothing else
//     beside it. Rejected: an outbox for each channel (a commit would have to span them), and one dispatcher
//     for all (one receiver that is away would hold up the others).
//   - 2026-11-27: Webhooks say no more than a status display needs, and nothing about the person. A failure
//     is no event of the job, since it is about the shop's own systems. "Gone" switches a hook off and its
//     messages wait: rows of an outbox cost nothing, and an answer given by mistake loses nothing.
//   - 2026-11-27: A push says what the email's subject says, encrypted with the standard library: 60 lines,
//     held to RFC 8291's example. Rejected: webpush-go v1.4.0, which ignores the expiry it is given, takes
//     neither a clock nor a key to test with, and uses deprecated curve functions; tests use it as the
//     independent implementation. The shop's key lies in the store, unlike the link keys: whoever reads it
//     there has the subscriptions too, and every process needs the same one.
//   - 2026-11-25: What goes into one email is decided when a notice is made, not when an email is sent: its
//     event names the email that tells it. So a repeat holds the same notices, and the store's outbox knows
//     nothing of gathering. A notice that comes too late for its email gets one of its own with the email's
//     delivery event. Rejected: collecting at sending time, where a crash between sending and settling would
//     repeat an email under one Message-ID with other contents.
//   - 2026-11-25: A reply is a message, nothing more. It counts only from the customer's own address and in
//     answer to one of our Message-IDs; nobody decides a quote by email, and what fits nothing stays in the
//     mailbox for a person. Rejected: a reply address for each job, which needs a mail server that takes
//     them. The Maildir is read by a few lines of ours: go-maildir is not on the module proxy.
package notify
