package workflow

import (
	"context"
	"errors"
	"reflect"
	"slices"
	"time"

	"benchword/workflow/link"
)

// LinkGrant is a link that was given out. The link itself is derived from ID by [link.Maker]; the
// store keeps its hash.
type LinkGrant struct {
	ID      string       `json:"id"`
	Purpose link.Purpose `json:"purpose"`
	// Quote is the revision that a decide link is for, the number of the delay that a choose link is for, or that of
	// the message that a confirm link is for, 0 for the booking and below zero for a change.
	Quote    int       `json:"quote,omitempty"`
	IssuedAt time.Time `json:"issued_at"`
	// ExpiresAt is zero for a link that was ended, not only revoked.
	ExpiresAt time.Time `json:"expires_at"`
	Revoked   bool      `json:"revoked,omitempty"`
}

// lets is the table that says which commands a link lets its holder give; looking needs none. The service asks
// it, and so do the pages.
//
// # Decisions
//
//   - 2026-11-30: Links from before that only looked stay what people were told they are, one to pass on: they
//     look, and have the customer's own link sent to the address on file. Rejected: treating them as the
//     customer's own, since nobody knows who has them; ending them with the upgrade, which would take the page
//     away from people who did nothing wrong. The button by which an old email is told to stop emails (RFC 8058)
//     goes on working: whoever has the link can make emails fewer by it, down to those that are needed, and no more.
//   - 2026-11-30: A shared link shows no messages and no parcel numbers, since both lead to the customer's door.
//     Rejected: showing messages without addresses, which nobody can tell for certain in four languages.
var lets = func() map[link.Purpose][]reflect.Type {
	by := map[link.Purpose][]reflect.Type{}
	may := func(p link.Purpose, commands ...Command) {
		for _, c := range commands {
			by[p] = append(by[p], reflect.TypeOf(c))
		}
	}
	// What to answer by is the customer's, too: it is sent to the address on file and nowhere else.
	for _, p := range []link.Purpose{link.Own, link.Decide, link.Choose} {
		may(p, SendMessage{}, ChooseNotices{}, Subscribe{}, Unsubscribe{}, AskLink{}, ShareLink{}, TellArrival{}, ChangeOwn{}, ChooseWishes{}, GivePasscode{}, WipePasscode{})
	}
	may(link.Decide, Decide{}, UndoDecision{})
	may(link.Choose, AnswerDelay{})
	may(link.Share, Unsubscribe{})
	may(link.Confirm, Confirm{})
	may(link.Look, Unsubscribe{}, AskLink{})
	return by
}()

// LinkPermits reports whether a link of a purpose lets its holder give a command.
func LinkPermits(p link.Purpose, c Command) bool {
	v := reflect.Indirect(reflect.ValueOf(c))
	if n, ok := v.Interface().(ChooseNotices); ok && p == link.Look {
		return n.Choice == TellWhatNeedsMe
	}
	return slices.Contains(lets[p], v.Type())
}

// lets refuses a command that is not among what the customer's link lets them do, or a link that has ended since.
func (j *Job) lets(by Actor, c Command, now time.Time) error {
	switch g := j.grant(by); {
	case g == nil:
		return nil
	case g.Revoked || !now.Before(g.ExpiresAt):
		return linkEnded
	case !LinkPermits(g.Purpose, c):
		return LinkLooks()
	}
	return nil
}

// LinkLooks is the refusal of what a link does not let its holder do.
func LinkLooks() error {
	return &Error{Code: CodeForbidden, Reason: "link_looks", Message: "This link can only show the job. To write to us or change anything, use the link in our emails."}
}

// linkEnded is the refusal of a link that opens nothing any more.
var linkEnded = &Error{Code: CodeGone, Reason: "link_ended", Message: "This link has ended. Ask for a new one with your job number and email address."}

// Ended reports whether the link was ended for good.
func (g *LinkGrant) Ended() bool { return g.ExpiresAt.IsZero() }

// grant returns the link that a customer acts by, nil if they act by none.
func (j *Job) grant(by Actor) *LinkGrant {
	for i := range j.Links {
		if by.Role == RoleCustomer && j.Links[i].ID == by.ID {
			return &j.Links[i]
		}
	}
	return nil
}

// Link returns the newest live grant for a purpose at an instant, nil if there is none.
func (j *Job) Link(purpose link.Purpose, now time.Time) *LinkGrant {
	for i := range slices.Backward(j.Links) {
		if l := &j.Links[i]; l.Purpose == purpose && !l.Revoked && now.Before(l.ExpiresAt) {
			return l
		}
	}
	return nil
}

// Seen returns the job as the holder of a link may see it: the customer all of it, others without who and where
// the customer is, what the two wrote to each other, and the parcel's number.
func (j *Job) Seen(p link.Purpose) *Job {
	if LinkPermits(p, SendMessage{}) {
		return j
	}
	x := *j
	x.Customer = Customer{Language: j.Customer.Language, TimeZone: j.Customer.TimeZone}
	x.Messages = slices.Clone(j.Messages)
	for i := range x.Messages {
		x.Messages[i].Text = Sealed{}
	}
	x.Decisions = slices.Clone(j.Decisions)
	for i := range x.Decisions {
		d := &x.Decisions[i]
		d.Name, d.Words, d.Address, d.Agent, d.SentTo, d.Shown, d.Call = Sealed{}, Sealed{}, Sealed{}, Sealed{}, Sealed{}, Sealed{}, nil
	}
	x.Story = slices.DeleteFunc(slices.Clone(j.Story), func(m Moment) bool { return m.Kind == KindMessageSent })
	x.Subscriptions, x.OwnChanges, x.Wishes, x.Passcode = nil, nil, Wishes{}, nil
	if j.Shipment != nil {
		s := *j.Shipment
		s.Carrier, s.Parcel = "", Words{}
		x.Shipment = &s
	}
	return &x
}

// Open finds what a link's token opens. It tells an unknown link from one that has ended, and
// nothing else. Errors: ErrNotFound, ErrGone.
func (s *Service) Open(ctx context.Context, token string) (LinkRow, error) {
	unknown := &Error{Code: CodeNotFound, Reason: "link_unknown", Message: "This link is not complete. Open it again from the email, or ask for a new one with your job number."}
	parsed, err := link.ParseToken(token)
	if err != nil {
		return LinkRow{}, unknown
	}
	row, err := s.store.Link(ctx, s.Shop.ID, parsed.Hash())
	if errors.Is(err, ErrNotFound) {
		return LinkRow{}, unknown
	}
	if err != nil {
		return LinkRow{}, err
	}
	lost := !s.Links.Makes(row.ID)
	if lost || row.Revoked || !s.Now().Before(row.ExpiresAt) {
		if lost || row.Ended() {
			row = LinkRow{Job: row.Job} // whose language the end is told in, and nothing more
		}
		return row, linkEnded
	}
	return row, nil
}

// Token derives the link's token of a grant: what goes into a mail.
func (s *Service) Token(j *Job, g *LinkGrant) (string, error) {
	t, err := s.Links.Token(string(j.Shop), string(j.Number), g.Purpose, g.ID)
	if err != nil {
		return "", err
	}
	return t.Text(), nil
}

func (t *turn) issueLink(purpose link.Purpose, quote int, until time.Time) error {
	id, token, err := t.links.New(t.random, string(t.shop.ID), string(t.j.Number), purpose)
	if err != nil {
		return err
	}
	until = until.Truncate(time.Second)
	t.rows = append(t.rows, LinkRow{Hash: token.Hash(), Job: t.j.Number, ID: id, Purpose: purpose, Quote: quote, ExpiresAt: until})
	return t.record(&LinkIssued{ID: id, Purpose: purpose, Quote: quote, ExpiresAt: until})
}

// lend gives out what the customer should hold and does not: their own link, and where something waits for
// them, or can be taken back, the link for that.
func (t *turn) lend() error {
	j := t.j
	if !j.Erased.IsZero() {
		return nil
	}
	for _, l := range j.Links {
		if !l.Revoked && t.now.Before(l.ExpiresAt) && !t.links.Makes(l.ID) { // its key is lost
			if err := t.record(&LinkRevoked{ID: l.ID, Ended: true}); err != nil {
				return err
			}
		}
	}
	if j.Link(link.Own, t.now.Add(linkLeft)) == nil {
		if err := t.issueLink(link.Own, 0, t.now.Add(t.shop.LinkFor)); err != nil {
			return err
		}
	}
	if q := j.toDecide(t.shop, t.now); q != nil {
		if g := j.Link(link.Decide, t.now); g == nil || g.Quote != q.Revision {
			if err := t.issueLink(link.Decide, q.Revision, q.ExpiresAt); err != nil {
				return err
			}
		}
	}
	if d := j.ToChoose(t.now); d != nil {
		if g := j.Link(link.Choose, t.now); g == nil || g.Quote != d.Number {
			return t.issueLink(link.Choose, d.Number, d.linkUntil())
		}
	}
	return nil
}

// linkLeft is how long the customer's own link must still live to go into an email.
const linkLeft = 7 * 24 * time.Hour

// toDecide returns the revision that waits for an answer or whose answer can be taken back, nil if there is none.
func (j *Job) toDecide(shop *Shop, now time.Time) *Quote {
	if q := j.Quote(); q != nil && (q.Answerable(now) || now.Before(j.UndoUntil(shop))) {
		return q
	}
	return nil
}

// revokeLinks ends the links of a purpose that are out. What became of their quote stays to be read by them.
func (t *turn) revokeLinks(purpose link.Purpose) error {
	return t.revoke(func(l *LinkGrant) bool { return l.Purpose == purpose && !l.Revoked }, false)
}

// endLinks ends every link of the job, for good: nothing at all opens by one of them any more, and the browsers
// that were told of the job are told no more. Nothing takes their place: who is to have a link gets a new one.
func (t *turn) endLinks() error {
	if err := t.revoke(func(l *LinkGrant) bool { return !l.Ended() }, true); err != nil {
		return err
	}
	for i := range t.j.Subscriptions {
		if s := &t.j.Subscriptions[i]; s.EndedAt.IsZero() {
			if err := t.record(&PushEnded{Number: s.Number}); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *turn) revoke(which func(*LinkGrant) bool, ended bool) error {
	for i := range t.j.Links {
		l := &t.j.Links[i]
		if !which(l) {
			continue
		}
		if !t.links.Makes(l.ID) { // its key is lost, and with it what it opened
			if err := t.record(&LinkRevoked{ID: l.ID, Ended: true}); err != nil {
				return err
			}
			continue
		}
		token, err := t.links.Token(string(t.shop.ID), string(t.j.Number), l.Purpose, l.ID)
		if err != nil {
			return err
		}
		if err := t.record(&LinkRevoked{ID: l.ID, Ended: ended}); err != nil {
			return err
		}
		t.rows = append(t.rows, LinkRow{Hash: token.Hash(), Job: t.j.Number, ID: l.ID, Purpose: l.Purpose, Quote: l.Quote, ExpiresAt: l.ExpiresAt, Revoked: true})
	}
	return nil
}

// newLinks gives out new links after all have ended, and emails them where something waits for the customer.
func (t *turn) newLinks(why LinkWhy) error {
	if err := t.lend(); err != nil || t.j.Customer.Email.Text == "" {
		return err
	}
	if t.j.toDecide(t.shop, t.now) == nil && t.j.ToChoose(t.now) == nil {
		return nil
	}
	return t.record(&LinkAsked{why})
}

// LinkIssued hands out a link.
type LinkIssued struct {
	ID        string       `json:"id"`
	Purpose   link.Purpose `json:"purpose"`
	Quote     int          `json:"quote,omitempty"`
	ExpiresAt time.Time    `json:"expires_at"`
}

func (p *LinkIssued) fold(j *Job, e *Event) {
	j.Links = append(j.Links, LinkGrant{ID: p.ID, Purpose: p.Purpose, Quote: p.Quote, IssuedAt: e.At, ExpiresAt: p.ExpiresAt})
}

// LinkRevoked ends a link.
type LinkRevoked struct {
	ID string `json:"id"`
	// Ended: nothing opens by it any more, not even word of what became of its quote.
	Ended bool `json:"ended,omitempty"`
}

func (p *LinkRevoked) fold(j *Job, e *Event) {
	for i := range j.Links {
		if l := &j.Links[i]; l.ID == p.ID {
			l.Revoked = true
			if p.Ended {
				l.ExpiresAt = time.Time{}
			}
		}
	}
}

// LinkWhy says why a link is emailed.
type LinkWhy string

const (
	LinkFind    LinkWhy = "find"    // somebody gave number and address on the find page
	LinkPage    LinkWhy = "page"    // somebody asked for it on the job's page
	LinkStaff   LinkWhy = "staff"   // the bench sent it
	LinkEnded   LinkWhy = "ended"   // every link before it was ended
	LinkAddress LinkWhy = "address" // the customer's address was changed
)

// linkWhys gives each its number in a notice; a new one goes to the end.
var linkWhys = []LinkWhy{LinkFind, LinkPage, LinkStaff, LinkEnded, LinkAddress}

// LinkWhyOf returns why the email of a link notice goes out, "" if nobody wrote it down.
func LinkWhyOf(ref int) LinkWhy {
	if ref < 1 || ref > len(linkWhys) {
		return ""
	}
	return linkWhys[ref-1]
}

// AskLink emails the customer their own link, and the one to answer by where something is open.
type AskLink struct{}

func (c AskLink) decide(t *turn) error {
	if t.j.Customer.Email.Text == "" {
		return refused("There is no email address on this job.").because("no_email")
	}
	if t.by.Role == RoleCustomer && t.j.Unconfirmed() {
		return t.record(&ConfirmAsked{}) // nothing else goes to an address that may be a stranger's
	}
	why := LinkStaff
	switch {
	case t.by.Role == RoleCustomer && t.j.grant(t.by) != nil:
		why = LinkPage
	case t.by.Role == RoleCustomer:
		why = LinkFind
	}
	return t.record(&LinkAsked{why})
}

// LinkAsked has the customer's link emailed.
type LinkAsked struct {
	Why LinkWhy `json:"why,omitempty"`
}

func (p *LinkAsked) fold(j *Job, e *Event) {}

// ShareLink makes the link that a customer gives to others. One that is out stays the one.
type ShareLink struct{}

func (c ShareLink) decide(t *turn) error {
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job; there is nobody to share it.").because("erased")
	}
	if t.j.Link(link.Share, t.now.Add(linkLeft)) != nil {
		return nil
	}
	return t.issueLink(link.Share, 0, t.now.Add(t.shop.LinkFor))
}

// RevokeLinks ends every link of the job: one got into the wrong hands. The customer gets new ones; by email
// where something waits for them.
type RevokeLinks struct{}

func (c RevokeLinks) decide(t *turn) error {
	if err := t.endLinks(); err != nil {
		return err
	}
	return t.newLinks(LinkEnded)
}
