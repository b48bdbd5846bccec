package workflow

import (
	"regexp"
	"slices"
	"strings"
	"time"
)

// Fate says where an item of the contents went when the parcel was packed.
type Fate string

const (
	FateReturned Fate = "returned" // in the parcel that goes back
	FateReplaced Fate = "replaced" // a new one goes back in its place
	FateRecycled Fate = "recycled" // disposed of, with the customer's consent
	FateKept     Fate = "kept"     // stays at the shop, as agreed
)

// PackedItem accounts for one item of the contents.
type PackedItem struct {
	Item int   `json:"item"`
	Fate Fate  `json:"fate"`
	Note Words `json:"note,omitzero"`
}

// Pack accounts for items of the contents.
type Pack struct {
	Items []PackedItem `json:"items"`
}

func (c Pack) decide(t *turn) error {
	if err := t.needStage("Packing", StageTesting); err != nil {
		return err
	}
	if len(c.Items) == 0 || len(c.Items) > MaxList {
		return invalid("items", "Say for each item of the contents where it went.")
	}
	var items []PackedItem
	for _, p := range c.Items {
		if p.Item < 1 || p.Item > len(t.j.Contents) {
			return invalid("items", "There is no item %d in the contents.", p.Item)
		}
		if err := oneOf("fate", "Where an item went", p.Fate, []Fate{FateReturned, FateReplaced, FateRecycled, FateKept}); err != nil {
			return err
		}
		note, err := t.line("note", "The note", p.Note.Text, p.Fate != FateReturned)
		if err != nil {
			return invalid("note", "Say in a few words why “%s” does not go back as it came.", t.j.Contents[p.Item-1].Text)
		}
		p.Note = note
		items = append(items, p)
	}
	return t.record(&ContentsPacked{items})
}

// ContentsPacked accounts for items of the contents; a later one adds to or corrects it.
type ContentsPacked struct {
	Items []PackedItem `json:"items"`
}

func (p *ContentsPacked) fold(j *Job, e *Event) {
next:
	for _, n := range p.Items {
		for i := range j.Packed {
			if j.Packed[i].Item == n.Item {
				j.Packed[i] = n
				continue next
			}
		}
		j.Packed = append(j.Packed, n)
	}
}

// countryShaped is the shape of a code of ISO 3166.
var countryShaped = regexp.MustCompile(`^[A-Z]{2}$`)

// Shipment leaves the shop.
type Shipment struct {
	// InPerson: handed over at the counter; then there is no parcel number.
	InPerson bool   `json:"in_person,omitempty"`
	Carrier  string `json:"carrier,omitempty"`
	Parcel   Words  `json:"parcel,omitzero"`
	// Country is where it goes, by its code of two letters, "" for the shop's own.
	Country string `json:"country,omitempty"`
	// WellFormed: the parcel number's check digit is right by Scheme's public rule. That does not
	// make it a parcel that exists.
	WellFormed   bool   `json:"well_formed,omitempty"`
	Scheme       string `json:"scheme,omitempty"`
	Serial       Words  `json:"serial,omitzero"`
	WarrantyDays int    `json:"warranty_days,omitempty"`
	// Cell is how a lithium cell in it was packed, nil where nobody said.
	Cell *PackedCell `json:"cell,omitempty"`
	At   time.Time   `json:"at,omitzero"`
}

// PackedCell is how a lithium cell was packed; what is asked for, the carrier's rules say.
type PackedCell struct {
	// Charge is its state of charge in percent, nil where nobody read it.
	Charge *int `json:"charge,omitempty"`
	// Off: the device can't switch itself on. Marked: the box is marked as the carrier asks.
	Off    bool `json:"off,omitempty"`
	Marked bool `json:"marked,omitempty"`
}

// PrepareShipment writes down the parcel number, or that the device is handed over in person.
type PrepareShipment struct {
	InPerson     bool   `json:"in_person,omitempty"`
	Carrier      string `json:"carrier,omitempty"`
	Parcel       string `json:"parcel,omitempty"`
	Country      string `json:"country,omitempty"`
	Serial       string `json:"serial,omitempty"`
	WarrantyDays int    `json:"warranty_days,omitempty"`
	// Cell is as in [Shipment].
	Cell *PackedCell `json:"cell,omitempty"`
}

func (c PrepareShipment) decide(t *turn) error {
	if err := t.needStage("Preparing the shipment", StageTesting); err != nil {
		return err
	}
	s := Shipment{InPerson: c.InPerson, WarrantyDays: c.WarrantyDays, Cell: c.Cell}
	if c.Cell != nil && c.Cell.Charge != nil && (*c.Cell.Charge < 0 || *c.Cell.Charge > 100) {
		return invalid("cell", "The charge of the cell is 0 to 100 percent.")
	}
	var err error
	if s.Carrier, err = line("carrier", "The carrier", c.Carrier, false); err != nil {
		return err
	}
	if s.Parcel, err = t.line("parcel", "The parcel number", c.Parcel, !c.InPerson); err != nil {
		return err
	}
	if s.Serial, err = t.line("serial", "The serial number", c.Serial, false); err != nil {
		return err
	}
	if s.InPerson {
		s.Carrier, s.Parcel = "", Words{}
	} else {
		if s.Country = strings.ToUpper(strings.TrimSpace(c.Country)); s.Country != "" && !countryShaped.MatchString(s.Country) {
			return invalid("country", "Give the country by its code of two letters, like US or DE.")
		}
		check := CheckParcelNumber(s.Parcel.Text)
		if check.Wrong() {
			return invalid("parcel", "The parcel number “%s” has a digit wrong somewhere: its check digit does not fit. Please compare it with the label.", s.Parcel)
		}
		s.Scheme, s.WellFormed = string(check.Scheme), check.WellFormed
	}
	if !t.j.Device.Serial.Empty() && !s.Serial.Empty() && !strings.EqualFold(s.Serial.Text, t.j.Device.Serial.Text) {
		return invalid("serial", "The serial number read at packing (%s) is not the one read on arrival (%s). Check that the right device is in the parcel.", s.Serial, t.j.Device.Serial)
	}
	if s.WarrantyDays == 0 && t.j.Outcome.Repaired() {
		s.WarrantyDays = t.shop.WarrantyDays
		if _, o := t.j.Approved(); o != nil && o.WarrantyDays > 0 {
			s.WarrantyDays = o.WarrantyDays
		}
	}
	if s.WarrantyDays < 0 || s.WarrantyDays > 3650 {
		return invalid("warranty_days", "The warranty must be between 0 and 3650 days.")
	}
	if err := t.record(&ShipmentPrepared{s}); err != nil {
		return err
	}
	return t.waitForCollection()
}

// ShipmentPrepared is the parcel closed and addressed, or the device ready to be handed over.
type ShipmentPrepared struct {
	Shipment Shipment `json:"shipment"`
}

func (p *ShipmentPrepared) fold(j *Job, e *Event) {
	s := p.Shipment
	s.At = e.At
	j.Shipment = &s
}

func guardShipped(g *gate) {
	j := g.j
	g.needTests()
	for _, t := range j.LatestTests() {
		g.need(!g.outcome.Repaired() || t.Passed || slices.Contains(g.shop.Tests, t.Name), "The test “%s” has failed.", t.Name)
	}
	if j.Running != nil {
		g.need(false, "The test “%s” is still running: record how it ended.", j.Running.Name)
	}
	g.explained()
	g.need(g.outcome != OutcomeRecycled && g.outcome != OutcomeCancelled, "What is recycled or cancelled does not leave the shop like this.")
	for _, i := range j.Contents {
		g.need(j.Accounted(i.ID), "“%s” came in with the parcel and is not accounted for.", i.Text)
	}
	if g.shop.SettleFirst {
		b := j.Balance(g.shop)
		g.need(b.Minor <= 0, "%s is still to be paid; the shop sends nothing back before that.", b)
	}
	g.need(j.Shipment != nil, "Give the parcel number, or say that it was handed over in person.")
	if j.Shipment != nil && !j.Device.Serial.Empty() && !j.Shipment.Serial.Empty() {
		g.need(strings.EqualFold(j.Device.Serial.Text, j.Shipment.Serial.Text), "The serial number read at packing (%s) is not the one read on arrival (%s).", j.Shipment.Serial, j.Device.Serial)
	}
	if j.Shipment != nil && !j.Shipment.InPerson {
		g.need(!j.cellIn(), "A damaged cell is still with the device, or one that nobody has found sound: it must not be posted. Take it out and record that first, or hand the device over in person.")
	}
}

// Accounted reports whether it is said what becomes of an item of the parcel.
func (j *Job) Accounted(item int) bool {
	return slices.ContainsFunc(j.Packed, func(p PackedItem) bool { return p.Item == item })
}
