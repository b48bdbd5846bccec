package workflow

import (
	"time"

	"benchword/workflow/link"
	"benchword/workflow/money"
)

// Book begins a job. It is the only command that a job need not exist for.
type Book struct {
	Person  Person    `json:"person"`
	Kind    string    `json:"kind"`
	Maker   string    `json:"maker,omitempty"`
	Model   string    `json:"model,omitempty"`
	Fault   string    `json:"fault"`
	Follows JobNumber `json:"follows,omitempty"`
	// Limit is the total agreed to beforehand, in the shop's currency, "" for none.
	Limit   string `json:"limit,omitempty"`
	Inbound string `json:"inbound,omitempty"`
	// Wishes are what is to be done with data and parcel, Passcode unlocks the device; "" for none.
	Wishes   ChooseWishes `json:"wishes,omitzero"`
	Passcode string       `json:"passcode,omitempty"`
	// WalkIn marks a device handed in at the counter.
	WalkIn bool `json:"walk_in,omitempty"`
	// Level is the key of the level of service, "" for the shop's usual one; LevelBy the date agreed, for
	// a level that has one.
	Level   string    `json:"level,omitempty"`
	LevelBy time.Time `json:"level_by,omitzero"`
}

func (c Book) decide(t *turn) error {
	if t.j.Version != 0 {
		return refused("This job number is taken.").because("taken")
	}
	p := &JobBooked{Follows: c.Follows, WalkIn: c.WalkIn && t.by.Role != RoleCustomer}
	var err error
	if t.by.Role == RoleCustomer {
		for _, f := range [][3]string{{"name", "The name", c.Person.Name}, {"kind", "The kind of device", c.Kind}, {"maker", "The maker", c.Maker}, {"model", "The model", c.Model}} {
			if err := noAddress(f[0], f[1], f[2]); err != nil {
				return err
			}
		}
	}
	if p.Customer, err = t.customer(c.Person, Customer{}); err != nil {
		return err
	}
	if p.Device.Kind, err = line("kind", "The kind of device", c.Kind, true); err != nil {
		return err
	}
	if p.Device.Maker, err = t.ofDevice("maker", "The maker", c.Maker, p.Customer.Name.Text); err != nil {
		return err
	}
	if p.Device.Model, err = t.ofDevice("model", "The model", c.Model, p.Customer.Name.Text); err != nil {
		return err
	}
	fault, err := text("fault", "What is wrong with it", c.Fault, true)
	if err != nil {
		return err
	}
	if p.Fault, err = t.seal(fault); err != nil {
		return err
	}
	if p.Inbound, err = t.line("inbound", "The parcel number", c.Inbound, false); err != nil {
		return err
	}
	if p.Limit, err = t.limit(c.Limit); err != nil {
		return err
	}
	if c.Follows != "" {
		if _, err := ParseJobNumber(string(c.Follows)); err != nil {
			return invalid("follows", "The earlier job number is not right: %s", MessageOf(err))
		}
	}
	p.Fee = t.shop.Fee
	p.Unproven = t.by.Role == RoleCustomer && p.Customer.Email.Text != ""
	p.Confirms = p.Unproven && t.shop.ConfirmBookings
	if err := t.record(p); err != nil {
		return err
	}
	if p.Follows != "" {
		t.effect(EffectReturned)
	}
	g := &gate{j: t.j, shop: t.shop}
	if guardNew(g); len(g.missing) > 0 {
		return &Error{Code: CodeInvalid, Message: g.missing[0], Missing: g.missing}
	}
	if err := t.chooseLevel(c.Level, c.LevelBy); err != nil {
		return err
	}
	if err := c.Wishes.decide(t); err != nil {
		return err
	}
	if c.Passcode != "" {
		if err := (GivePasscode{c.Passcode}).decide(t); err != nil {
			return err
		}
	}
	if p.Confirms {
		if err := t.issueLink(link.Confirm, 0, t.now.Add(bookingFor)); err != nil {
			return err
		}
	}
	return t.issueLink(link.Own, 0, t.now.Add(t.shop.LinkFor))
}

// JobBooked begins a job.
type JobBooked struct {
	Customer Customer      `json:"customer"`
	Device   Device        `json:"device"`
	Fault    Sealed        `json:"fault"`
	Follows  JobNumber     `json:"follows,omitempty"`
	Limit    *money.Amount `json:"limit,omitempty"`
	Inbound  Words         `json:"inbound,omitzero"`
	// Fee is the diagnostic fee that was announced on booking, nil for none.
	Fee *money.Amount `json:"fee,omitempty"`
	// WalkIn: handed in at the counter, so that no "booked" notice is sent.
	WalkIn bool `json:"walk_in,omitempty"`
	// Unproven: the email address was typed by whoever booked on the web. Confirms: it has to be confirmed first.
	Unproven bool `json:"unproven,omitempty"`
	Confirms bool `json:"confirms,omitempty"`
}

func (p *JobBooked) fold(j *Job, e *Event) {
	j.Shop, j.Number, j.Stage, j.StageSince, j.BookedAt = e.Shop, e.Job, StageBooked, e.At, e.At
	j.Customer, j.Device, j.Fault, j.Follows, j.Limit, j.Inbound = p.Customer, p.Device, p.Fault, p.Follows, p.Limit, p.Inbound
	j.Fee, j.Unproven, j.Confirms = p.Fee, p.Unproven, p.Confirms
	j.addMoment(e, 0)
}

func guardNew(g *gate) {
	c := g.j.Customer
	g.need(c.Name.Text != "", "Say who the customer is.")
	g.need(c.Email.Text != "" || c.Phone.Text != "", "Give a way to reach the customer: an email address or a telephone number.")
	g.need(g.j.Fault.Text != "", "Write down the fault in the customer's own words.")
	g.need(g.j.Device.Kind != "", "Say what kind of device it is.")
}

func guardCancelled(g *gate) {
	g.need(g.outcome == OutcomeCancelled, "A job that has not arrived can only be cancelled.")
}
