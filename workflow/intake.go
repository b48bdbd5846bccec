package workflow

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Answer is the reply to a screening question.
type Answer string

const (
	Yes     Answer = "yes"
	No      Answer = "no"
	Unknown Answer = "unknown"
)

// Taken reports whether what was asked is taken to be so: can't tell counts as yes until somebody says no.
func (a Answer) Taken() bool { return a != No }

// Screening is the safety screening answered when the parcel is opened.
type Screening struct {
	// Lithium: does it hold a lithium cell or battery?
	Lithium Answer `json:"lithium"`
	// CellDamaged: is a cell swollen, pierced, hot or leaking? Then it is isolated and never posted.
	CellDamaged Answer `json:"cell_damaged"`
	// Mains: does it connect to the mains?
	Mains Answer `json:"mains"`
	// Liquid: traces of liquid?
	Liquid Answer `json:"liquid"`
	// Hazards are what else was seen of the dangers that the catalogue asks about, mostly none.
	Hazards []string `json:"hazards,omitempty"`
	Note    Words    `json:"note,omitzero"`
}

// Same reports whether two screenings say the same.
func (s Screening) Same(o Screening) bool {
	return s.Lithium == o.Lithium && s.CellDamaged == o.CellDamaged && s.Mains == o.Mains && s.Liquid == o.Liquid && s.Note.Text == o.Note.Text && slices.Equal(s.Hazards, o.Hazards)
}

// CellInDoubt reports whether a lithium cell is damaged, or nobody can tell whether it is.
func (s *Screening) CellInDoubt() bool {
	return s != nil && (s.CellDamaged == Yes || s.CellDamaged == Unknown && s.Lithium.Taken())
}

// Mains reports whether the device is taken to connect to the mains.
func (j *Job) Mains() bool { return j.Screening == nil || j.Screening.Mains.Taken() }

// AnswerScreening is the safety screening on opening the parcel.
type AnswerScreening struct {
	Screening Screening `json:"screening"`
}

func (c AnswerScreening) decide(t *turn) error {
	if err := t.needOpen("The safety screening"); err != nil {
		return err
	}
	s := c.Screening
	for _, q := range []struct {
		field string
		a     Answer
	}{{"lithium", s.Lithium}, {"cell_damaged", s.CellDamaged}, {"mains", s.Mains}, {"liquid", s.Liquid}} {
		if err := oneOf(q.field, "Each screening answer", q.a, []Answer{Yes, No, Unknown}); err != nil {
			return err
		}
	}
	for _, h := range s.Hazards {
		if t.shop.Trade().Hazard(h) == nil {
			return invalid("hazards", "“%s” is none of the dangers that are asked about.", h)
		}
	}
	s.Hazards = nil // in the catalogue's order, each once
	for _, h := range t.shop.Trade().Hazards {
		if slices.Contains(c.Screening.Hazards, h.ID) {
			s.Hazards = append(s.Hazards, h.ID)
		}
	}
	var err error
	if s.Note, err = t.text("note", "The note", s.Note.Text, false); err != nil {
		return err
	}
	before := t.j.Screening
	if err := t.record(&ScreeningAnswered{s}); err != nil {
		return err
	}
	return t.screened(before)
}

// ScreeningAnswered is the safety screening.
type ScreeningAnswered struct {
	Screening Screening `json:"screening"`
}

func (p *ScreeningAnswered) fold(j *Job, e *Event) { s := p.Screening; j.Screening = &s }

// Item is one thing that came in the parcel.
type Item struct {
	ID   int    `json:"id,omitempty"`
	Text string `json:"text"`
	// Device marks the device itself; all else is an extra.
	Device    bool   `json:"device,omitempty"`
	Condition string `json:"condition,omitempty"`
}

// ListContents lists what was in the parcel, with the serial number read off the device.
type ListContents struct {
	Items  []Item `json:"items"`
	Serial string `json:"serial,omitempty"`
	// Class is the device's protection class, by the symbols on its plate.
	Class ProtectionClass `json:"class,omitempty"`
}

func (c ListContents) decide(t *turn) error {
	if err := t.needStage("Listing the contents", StageBooked, StageReceived, StageDiagnosing); err != nil {
		return err
	}
	if len(c.Items) == 0 {
		return invalid("items", "List at least the device itself.")
	}
	if len(c.Items) > MaxList {
		return invalid("items", "At most %d items fit on one list.", MaxList)
	}
	p := &ContentsListed{}
	var err error
	devices := 0
	for i, it := range c.Items {
		if it.Text, err = line("items", "The name of an item", it.Text, true); err != nil {
			return err
		}
		if it.Condition, err = line("items", "The condition of an item", it.Condition, false); err != nil {
			return err
		}
		it.ID = i + 1
		if it.Device {
			devices++
		}
		p.Items = append(p.Items, it)
	}
	if devices != 1 {
		return invalid("items", "Mark exactly one item as the device; the others are extras.")
	}
	if p.Serial, err = t.line("serial", "The serial number", c.Serial, false); err != nil {
		return err
	}
	if p.Class = c.Class; p.Class != "" {
		if err := oneOf("class", "The protection class", p.Class, ProtectionClasses); err != nil {
			return err
		}
	}
	return t.record(p)
}

// ContentsListed lists what came in the parcel; a later one replaces the list.
type ContentsListed struct {
	Items  []Item `json:"items"`
	Serial Words  `json:"serial,omitzero"`
	// Class is the protection class, "" leaves it as it was.
	Class ProtectionClass `json:"class,omitempty"`
}

func (p *ContentsListed) fold(j *Job, e *Event) {
	j.Contents = p.Items
	if !p.Serial.Empty() {
		j.Device.Serial = p.Serial
	}
	j.Device.Class = cmp.Or(p.Class, j.Device.Class)
}

// NoteCondition says how the device looks on arrival.
type NoteCondition struct {
	Text string `json:"text"`
}

func (c NoteCondition) decide(t *turn) error {
	s, err := t.text("condition", "The condition", c.Text, true)
	if err != nil {
		return err
	}
	if err := t.needOpen("Noting the condition"); err != nil {
		return err
	}
	return t.record(&ConditionNoted{s})
}

// ConditionNoted says how the device looks on arrival.
type ConditionNoted struct {
	Text Words `json:"text"`
}

func (p *ConditionNoted) fold(j *Job, e *Event) { j.Condition = p.Text }

// Reproduced says whether the customer's fault was seen at the bench.
type Reproduced string

const (
	FaultReproduced    Reproduced = "reproduced"
	FaultNotReproduced Reproduced = "not_reproduced"
	FaultIntermittent  Reproduced = "intermittent"
	// NotTried: it was not switched on, see [NotTriedReason].
	NotTried Reproduced = "not_tried"
)

// Reproductions lists every answer, in the order in which a form offers them.
var Reproductions = []Reproduced{FaultReproduced, FaultNotReproduced, FaultIntermittent, NotTried}

// NotTriedReason is why the fault was not tried.
type NotTriedReason string

const (
	NotTriedUnsafe  NotTriedReason = "unsafe"  // wet, burnt, rattling, a damaged lead: it is not to be powered as it is
	NotTriedMissing NotTriedReason = "missing" // what it needs did not come with it: adaptor, lead, medium
	NotTriedSetup   NotTriedReason = "setup"   // it shows only with what the customer has at home
	NotTriedData    NotTriedReason = "data"    // trying it could lose what is stored on it
)

// NotTriedReasons lists every reason.
var NotTriedReasons = []NotTriedReason{NotTriedUnsafe, NotTriedMissing, NotTriedSetup, NotTriedData}

// Reproduction is the first try at the fault as the customer described it.
type Reproduction struct {
	Result Reproduced `json:"result"`
	// Why it was not tried, "" if it was.
	Why NotTriedReason `json:"why,omitempty"`
	// Note says how it was tried and for how long.
	Note Words     `json:"note,omitzero"`
	At   time.Time `json:"at,omitzero"`
}

// TryFault says whether the customer's fault was seen at the bench.
type TryFault struct {
	Result Reproduced     `json:"result"`
	Why    NotTriedReason `json:"why,omitempty"`
	Note   string         `json:"note,omitempty"`
}

func (c TryFault) decide(t *turn) error {
	if err := t.needStage("Trying the fault", StageReceived, StageDiagnosing); err != nil {
		return err
	}
	if err := oneOf("result", "The result", c.Result, Reproductions); err != nil {
		return err
	}
	switch {
	case c.Result == NotTried:
		if err := oneOf("why", "Why it was not tried", c.Why, NotTriedReasons); err != nil {
			return err
		}
	case c.Why != "":
		return invalid("why", "Why it was not tried is said only of a fault that was not tried.")
	default:
		if err := t.needSafe("Trying the fault"); err != nil {
			return err
		}
	}
	note, err := t.text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	return t.record(&FaultTried{c.Result, c.Why, note})
}

// FaultTried says whether the customer's fault was seen at the bench.
type FaultTried struct {
	Result Reproduced     `json:"result"`
	Why    NotTriedReason `json:"why,omitempty"`
	Note   Words          `json:"note,omitzero"`
}

func (p *FaultTried) fold(j *Job, e *Event) {
	j.Reproduction = &Reproduction{Result: p.Result, Why: p.Why, Note: p.Note, At: e.At}
	j.addMoment(e, 0)
}

func guardReceived(g *gate) {
	device := false
	for _, i := range g.j.Contents {
		device = device || i.Device
	}
	g.need(len(g.j.Contents) == 0 || device, "Mark which item of the contents is the device.")
	g.needAll(g.j.IntakeTodo())
}

func guardDiagnosing(g *gate) {
	g.needAll(g.j.LookTodo())
	g.need(g.j.Screening != nil, "Answer the safety screening (lithium cells, mains, liquid).")
	if s := g.j.Screening; s.CellInDoubt() {
		g.need(strings.Contains(strings.ToLower(g.j.Condition.Text+" "+s.Note.Text), "isolat"), "A cell is damaged, or nobody can tell that it is not: isolate it first, and write in the condition that it is isolated.")
	}
}
