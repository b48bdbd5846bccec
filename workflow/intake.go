package workflow

import (
	"strings"
	"time"

	"benchword/workflow/catalogue"
)

// Answer is the reply to a screening question.
type Answer string

const (
	Yes     Answer = "yes"
	No      Answer = "no"
	Unknown Answer = "unknown"
)

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
	Note   string `json:"note,omitempty"`
}

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
	var err error
	if s.Note, err = text("note", "The note", s.Note, false); err != nil {
		return err
	}
	if err := t.record(&ScreeningAnswered{s}); err != nil {
		return err
	}
	if s.CellDamaged == Yes {
		if r := t.shop.Trade().Rule(ruleCell); r != nil {
			return t.raise([]catalogue.Rule{*r}, 0, "")
		}
		return nil
	}
	for _, d := range t.j.Duties { // answered yes before, by mistake
		if d.Rule == ruleCell && d.Finding == 0 && d.Open() {
			return t.record(&DutyDropped{d.ID})
		}
	}
	return nil
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
	if p.Serial, err = line("serial", "The serial number", c.Serial, false); err != nil {
		return err
	}
	return t.record(p)
}

// ContentsListed lists what came in the parcel; a later one replaces the list.
type ContentsListed struct {
	Items  []Item `json:"items"`
	Serial string `json:"serial,omitempty"`
}

func (p *ContentsListed) fold(j *Job, e *Event) {
	j.Contents = p.Items
	if p.Serial != "" {
		j.Device.Serial = p.Serial
	}
}

// NoteCondition says how the device looks on arrival.
type NoteCondition struct {
	Text string `json:"text"`
}

func (c NoteCondition) decide(t *turn) error {
	s, err := text("condition", "The condition", c.Text, true)
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
	Text string `json:"text"`
}

func (p *ConditionNoted) fold(j *Job, e *Event) { j.Condition = p.Text }

// Reproduced says whether the customer's fault was seen at the bench.
type Reproduced string

const (
	FaultReproduced    Reproduced = "reproduced"
	FaultNotReproduced Reproduced = "not_reproduced"
	FaultIntermittent  Reproduced = "intermittent"
)

// Reproduction is the first try at the fault as the customer described it.
type Reproduction struct {
	Result Reproduced `json:"result"`
	// Note says how it was tried and for how long.
	Note string    `json:"note,omitempty"`
	At   time.Time `json:"at,omitzero"`
}

// TryFault says whether the customer's fault was seen at the bench.
type TryFault struct {
	Result Reproduced `json:"result"`
	Note   string     `json:"note,omitempty"`
}

func (c TryFault) decide(t *turn) error {
	if err := t.needStage("Trying the fault", StageReceived, StageDiagnosing); err != nil {
		return err
	}
	if err := oneOf("result", "The result", c.Result, []Reproduced{FaultReproduced, FaultNotReproduced, FaultIntermittent}); err != nil {
		return err
	}
	note, err := text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	return t.record(&FaultTried{c.Result, note})
}

// FaultTried says whether the customer's fault was seen at the bench.
type FaultTried struct {
	Result Reproduced `json:"result"`
	Note   string     `json:"note,omitempty"`
}

func (p *FaultTried) fold(j *Job, e *Event) {
	j.Reproduction = &Reproduction{Result: p.Result, Note: p.Note, At: e.At}
	j.tell(e, 0)
}

func guardReceived(g *gate) {
	device := false
	for _, i := range g.j.Contents {
		device = device || i.Device
	}
	g.need(len(g.j.Contents) > 0, "List what was in the parcel.")
	g.need(len(g.j.Contents) == 0 || device, "Mark which item of the contents is the device.")
	g.need(g.j.HasPhoto(PhotoArrival), "Add at least one arrival photo.")
	g.need(g.j.Screening != nil, "Answer the safety screening (lithium cells, mains, liquid).")
}

func guardDiagnosing(g *gate) {
	g.need(g.j.Condition != "", "Note the condition the device came in.")
	g.need(g.j.Reproduction != nil, "Say whether the fault was reproduced, not reproduced, or is intermittent.")
	if s := g.j.Screening; s != nil && s.CellDamaged == Yes {
		g.need(strings.Contains(strings.ToLower(g.j.Condition+" "+s.Note), "isolat"), "A cell is damaged: isolate it first, and write in the condition that it is isolated.")
	}
}
