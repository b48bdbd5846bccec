package workflow

import (
	"strings"
	"time"

	"benchword/workflow/link"
	"benchword/workflow/money"
)

// Change is a new way to reach the customer, given on their page: it waits until the email address on file, or the
// customer on the telephone, says that it is theirs.
//
// # Decisions
//
//   - 2026-12-01: Email, telephone and postal address wait, also where there was none before; all else counts at once.
//     Rejected: a new telephone number at once, since staff confirm the rest by ringing it; a first address at once,
//     since the parcel goes there.
type Change struct {
	Number int `json:"number"`
	// Of names what changes: email, phone, address; the values are what they are to be, empty for none.
	Of      []string  `json:"of"`
	Email   Sealed    `json:"email,omitzero"`
	Phone   Sealed    `json:"phone,omitzero"`
	Address Sealed    `json:"address,omitzero"`
	At      time.Time `json:"at,omitzero"`
	// Said is the answer, "" while it waits; SaidAt is when it came.
	Said   Confirmed `json:"said,omitempty"`
	SaidAt time.Time `json:"said_at,omitzero"`
}

// Value returns what one of the parts that change is to be.
func (x *Change) Value(of string) string {
	return map[string]string{"email": x.Email.Text, "phone": x.Phone.Text, "address": x.Address.Text}[of]
}

// changesADay bounds how many changes wait to be confirmed within a day, since each sends an email.
const changesADay = 5

// OpenChange returns the change that waits to be confirmed, nil if there is none. A newer one takes its place.
func (j *Job) OpenChange() *Change {
	if n := len(j.OwnChanges); n > 0 && j.OwnChanges[n-1].Said == "" && j.Erased.IsZero() {
		return &j.OwnChanges[n-1]
	}
	return nil
}

// toRing reports whether a change waits that only the telephone can confirm.
func (j *Job) toRing() bool { return j.OpenChange() != nil && j.Customer.Email.Text == "" }

// change returns the change with a number, nil if there is none.
func (j *Job) change(n int) *Change {
	if n < 1 || n > len(j.OwnChanges) {
		return nil
	}
	return &j.OwnChanges[n-1]
}

// ChangeOwn is what the customer changes of their own data on their page.
type ChangeOwn struct {
	Person Person `json:"person"`
	Limit  string `json:"limit,omitempty"`
}

func (c ChangeOwn) decide(t *turn) error {
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job.").because("erased")
	}
	if err := noAddress("name", "The name", c.Person.Name); err != nil {
		return err
	}
	was := t.j.Customer
	next, err := t.customer(c.Person, was)
	if err != nil {
		return err
	}
	limit, err := t.limit(c.Limit)
	if err != nil {
		return err
	}
	if err := t.askChange(&next); err != nil {
		return err
	}
	if next == was && sameAmount(limit, t.j.Limit) {
		return nil
	}
	return t.record(&CustomerChanged{Customer: next, Limit: limit})
}

// askChange puts what has to be confirmed of the customer as it is to be back to what it was, and asks for it.
func (t *turn) askChange(next *Customer) error {
	p, was := &ChangeAsked{Number: len(t.j.OwnChanges) + 1}, t.j.Customer
	for _, f := range []struct {
		name         string
		to, was, ask *Sealed
	}{{"email", &next.Email, &was.Email, &p.Email}, {"phone", &next.Phone, &was.Phone, &p.Phone}, {"address", &next.Address, &was.Address, &p.Address}} {
		if *f.to != *f.was {
			p.Of = append(p.Of, f.name)
			*f.ask, *f.to = *f.to, *f.was
		}
	}
	open := t.j.OpenChange()
	if len(p.Of) == 0 || open != nil && open.Email.Text == p.Email.Text && open.Phone.Text == p.Phone.Text && open.Address.Text == p.Address.Text && len(open.Of) == len(p.Of) {
		return nil
	}
	if n := p.Number - changesADay; n > 0 && t.now.Sub(t.j.change(n).At) < 24*time.Hour {
		return refused("Your addresses were changed %d times within a day. Please telephone us.", changesADay).because("changes_many", changesADay)
	}
	asked := func(l *LinkGrant) bool { return l.Purpose == link.Confirm && l.Quote < 0 && !l.Revoked }
	if err := t.revoke(asked, false); err != nil {
		return err
	}
	if was.Email.Text != "" {
		if err := t.issueLink(link.Confirm, -p.Number, t.now.Add(confirmFor)); err != nil {
			return err
		}
	}
	return t.record(p)
}

// ChangeAsked is a change that waits to be confirmed. The link to confirm it by has its number, below zero.
type ChangeAsked struct {
	Number  int      `json:"number"`
	Of      []string `json:"of"`
	Email   Sealed   `json:"email,omitzero"`
	Phone   Sealed   `json:"phone,omitzero"`
	Address Sealed   `json:"address,omitzero"`
}

func (p *ChangeAsked) fold(j *Job, e *Event) {
	j.OwnChanges = append(j.OwnChanges, Change{Number: p.Number, Of: p.Of, Email: p.Email, Phone: p.Phone, Address: p.Address, At: e.At})
}

// SettleChange is what the customer said on the telephone about a change that waits.
type SettleChange struct {
	Change int `json:"change"`
	// Not: it is not theirs.
	Not bool `json:"not,omitempty"`
}

func (c SettleChange) decide(t *turn) error {
	if x := t.j.OpenChange(); x == nil || x.Number != c.Change {
		return refused("This change waits no more: it was answered, or a newer one took its place.")
	}
	return t.settleChange(c)
}

// settleChange takes the answer to a change; the first one stands, and so does a newer change.
func (t *turn) settleChange(c SettleChange) error {
	x := t.j.OpenChange()
	if x == nil || x.Number != c.Change {
		return nil
	}
	was := t.j.Customer
	next := was
	for _, of := range x.Of {
		switch of {
		case "email":
			next.Email = x.Email
		case "phone":
			next.Phone = x.Phone
		case "address":
			next.Address = x.Address
		}
	}
	if !c.Not && next.Email.Text == "" && next.Phone.Text == "" {
		return refused("Then nobody could be reached: there would be neither an email address nor a telephone number.").because("reach")
	}
	if err := t.record(&ChangeAnswered{c}); err != nil || c.Not {
		return err
	}
	if err := t.record(&CustomerChanged{Customer: next, Limit: t.j.Limit}); err != nil {
		return err
	}
	return t.readdressed(was.Email.Text, true)
}

// ChangeAnswered is what became of a change that waited.
type ChangeAnswered struct{ SettleChange }

func (p *ChangeAnswered) fold(j *Job, e *Event) {
	if x := j.change(p.Change); x != nil {
		x.Said, x.SaidAt = ConfirmedYes, e.At
		if p.Not {
			x.Said = ConfirmedNo
		}
	}
}

// readdressed ends every link where the email address is another one, since whoever reads what went to the old one
// may not be the customer. The new one gets new links: told demands it, else where something waits for an answer.
func (t *turn) readdressed(was string, told bool) error {
	now := t.j.Customer.Email.Text
	if strings.EqualFold(was, now) || was == "" && !told {
		return nil
	}
	if was != "" {
		if err := t.endLinks(); err != nil {
			return err
		}
	}
	if !told || now == "" {
		return t.newLinks(LinkAddress)
	}
	if err := t.lend(); err != nil {
		return err
	}
	return t.record(&LinkAsked{LinkAddress})
}

// limit reads what may be spent without asking.
func (t *turn) limit(s string) (*money.Amount, error) {
	a, err := t.amount("limit", s)
	if err == nil && a != nil && a.Minor < 0 {
		err = invalid("limit", "The limit can't be below zero.").because("limit_below_zero")
	}
	return a, err
}

func sameAmount(a, b *money.Amount) bool {
	return a == nil && b == nil || a != nil && b != nil && *a == *b
}
