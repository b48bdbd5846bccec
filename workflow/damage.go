package workflow

import (
	"slices"
	"strings"
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/money"
)

// Damage is damage in transit, as it is told to a carrier or an insurer: beside it stand what was found on arrival and
// the photos of that. Carriers' own rules hold.
//
// Decisions:
//
//   - 2026-12-01: The day by which a carrier must be told is the shop's setting, by carrier, counted in days from
//     arrival; it is kept with the damage as it was, and can be typed. Rejected: usual days that come with the
//     program, since they differ by carrier, country and contract, and a wrong one costs the owner.
type Damage struct {
	// Carrier is who brought the parcel.
	Carrier string `json:"carrier,omitempty"`
	// TellBy is the last day on which the carrier can be told, "" where nobody knows it.
	TellBy string `json:"tell_by,omitempty"`
	// Value is what was declared for the parcel, nil where nobody said.
	Value *money.Amount `json:"value,omitempty"`
	// Before says whether it was like that before, as far as the bench can tell from marks.
	Before Words           `json:"before,omitzero"`
	At     time.Time       `json:"at,omitzero"`
	Told   []TellingDamage `json:"told,omitempty"`
}

// DamageParty is who was told.
type DamageParty string

const (
	PartyCarrier DamageParty = "carrier"
	PartyInsurer DamageParty = "insurer"
)

// DamageParties lists them.
var DamageParties = []DamageParty{PartyCarrier, PartyInsurer}

// TellingDamage is one telling of the damage.
type TellingDamage struct {
	To DamageParty `json:"to"`
	// How says to whom, by what means and under which number: "damages desk by email, case 4711".
	How Words `json:"how"`
	// On is when, where that was earlier than it was written down; At is when it was written down.
	On time.Time `json:"on,omitzero"`
	At time.Time `json:"at,omitzero"`
}

// When is when they were told.
func (c TellingDamage) When() time.Time {
	if !c.On.IsZero() {
		return c.On
	}
	return c.At
}

// findingParcel is the catalogue's entry for a parcel that came damaged; ruleCarrier the duty that it brings.
const (
	findingParcel = "parcel_damaged"
	ruleCarrier   = "carrier"
)

// DamagedInTransit reports whether there is something to tell the carrier: damage written down, or a parcel that came damaged.
func (j *Job) DamagedInTransit() bool {
	return j.Damage != nil || slices.ContainsFunc(j.Findings, func(f Finding) bool { return f.Entry == findingParcel && !f.Withdrawn })
}

// Untold reports whether the carrier is still to be told.
func (j *Job) Untold() bool {
	return j.DamagedInTransit() && !j.Ended() && (j.Damage == nil || !slices.ContainsFunc(j.Damage.Told, func(c TellingDamage) bool { return c.To == PartyCarrier }))
}

// Arrived lists the findings about the state in which it came: what the way here can have done, and what was seen on
// arrival.
func (j *Job) Arrived(shop *Shop) []*Finding {
	var out []*Finding
	for i := range j.Findings {
		f := &j.Findings[i]
		e := shop.Trade().Finding(f.Entry)
		if !f.Withdrawn && (f.Origin == OriginArrival || f.Origin == OriginImpact || e != nil && e.Group == "arrival") {
			out = append(out, f)
		}
	}
	return out
}

// TellBy returns the day by which the shop's settings say that a carrier must be told of damage in what came in.
func (j *Job) TellBy(shop *Shop, carrier string) (calendar.Date, bool) {
	for name, days := range shop.TellDays {
		if strings.EqualFold(name, strings.TrimSpace(carrier)) && j.Received() {
			return shop.Calendar.Date(j.ReceivedAt) + calendar.Date(days), true
		}
	}
	return 0, false
}

// NoteDamage writes down damage in transit, or corrects what was written.
type NoteDamage struct {
	Carrier string `json:"carrier,omitempty"`
	// TellBy is a day like 2026-12-08; "" takes the shop's setting for the carrier.
	TellBy string `json:"tell_by,omitempty"`
	// Value is an amount in the shop's currency.
	Value  string `json:"value,omitempty"`
	Before string `json:"before,omitempty"`
}

func (c NoteDamage) decide(t *turn) error {
	if err := t.needOpen("Writing damage in transit down"); err != nil {
		return err
	}
	if !t.j.Received() {
		return refused("Damage in transit is about what came in; nothing has arrived yet.")
	}
	p := &DamageNoted{}
	var err error
	if p.Damage.Carrier, err = line("carrier", "The carrier", c.Carrier, true); err != nil {
		return err
	}
	if p.Damage.Before, err = t.text("before", "Whether it was like that before", c.Before, false); err != nil {
		return err
	}
	if s := strings.TrimSpace(c.Value); s != "" {
		v, err := money.Parse(s, t.shop.Currency)
		if err != nil || v.Minor < 0 {
			return invalid("value", "The declared value must be an amount in %s, like 250.00.", t.shop.Currency)
		}
		p.Damage.Value = &v
	}
	if day, ok := t.j.TellBy(t.shop, p.Damage.Carrier); ok {
		p.Damage.TellBy = day.String()
	}
	if s := strings.TrimSpace(c.TellBy); s != "" {
		day, err := calendar.ParseDate(s)
		if err != nil || day < t.shop.Calendar.Date(t.j.ReceivedAt) {
			return invalid("tell_by", "The day by which the carrier must be told is a date like 2026-12-08, not before the parcel came.")
		}
		p.Damage.TellBy = day.String()
	}
	return t.record(p)
}

// DamageNoted is damage as it was written down; a later one replaces it, and keeps who was told.
type DamageNoted struct {
	Damage Damage `json:"damage"`
}

func (p *DamageNoted) fold(j *Job, e *Event) {
	c := p.Damage
	if c.At = e.At; j.Damage != nil {
		c.At, c.Told = j.Damage.At, j.Damage.Told
	}
	j.Damage = &c
}

// TellDamage writes down that carrier or insurer was told. The duty to tell the carrier is done with it.
type TellDamage struct {
	To  DamageParty `json:"to"`
	How string      `json:"how"`
	On  time.Time   `json:"on,omitzero"`
}

func (c TellDamage) decide(t *turn) error {
	if t.j.Damage == nil {
		return refused("Write the damage down first: carrier, value, the day.")
	}
	if err := oneOf("to", "Who was told", c.To, DamageParties); err != nil {
		return err
	}
	how, err := t.line("how", "To whom and how", c.How, true)
	if err != nil {
		return err
	}
	if c.On = c.On.UTC(); c.On.After(t.now) {
		return invalid("on", "They can't have been told later than now.")
	}
	if len(t.j.Damage.Told) >= MaxList {
		return refused("There are %d entries already; no more fit.", MaxList)
	}
	if err := t.record(&DamageTold{TellingDamage{To: c.To, How: how, On: c.On}}); err != nil {
		return err
	}
	for _, d := range t.j.Duties {
		if c.To == PartyCarrier && d.Rule == ruleCarrier && d.Open() {
			if err := t.record(&DutyDone{d.ID}); err != nil {
				return err
			}
		}
	}
	return nil
}

// DamageTold is a telling of the damage.
type DamageTold struct{ TellingDamage }

func (p *DamageTold) fold(j *Job, e *Event) {
	if j.Damage == nil {
		return
	}
	told := p.TellingDamage
	told.At = e.At
	j.Damage.Told = append(j.Damage.Told, told)
}
