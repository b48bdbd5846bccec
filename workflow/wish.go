package workflow

import "benchword/workflow/money"

// DataLeave says what the customer lets the bench do with the data on the device, "" if they have not said.
type DataLeave string

const (
	DataAlone DataLeave = "alone" // no file is opened, nothing erased
	DataLook  DataLeave = "look"  // files may be opened where a test needs it
	DataErase DataLeave = "erase" // it may be erased, there is a copy
)

// DataLeaves lists them.
var DataLeaves = []DataLeave{DataAlone, DataLook, DataErase}

// ReturnBy is how the customer wants the device back, "" if they have not said.
type ReturnBy string

const (
	ReturnPost    ReturnBy = "post"    // by a carrier
	ReturnCollect ReturnBy = "collect" // they come for it
)

// ReturnBys lists them.
var ReturnBys = []ReturnBy{ReturnPost, ReturnCollect}

// Wishes are what the customer wants done with the device's data and with the parcel that goes back.
type Wishes struct {
	// Insured is what the parcel back is to be insured for, nil if they have not said.
	Insured *money.Amount `json:"insured,omitempty"`
	Data    DataLeave     `json:"data,omitempty"`
	Return  ReturnBy      `json:"return,omitempty"`
}

// None reports whether nothing was said.
func (w Wishes) None() bool { return w == Wishes{} }

// ChooseWishes says what the customer wants; what is left empty is taken back.
type ChooseWishes struct {
	Insured string    `json:"insured,omitempty"`
	Data    DataLeave `json:"data,omitempty"`
	Return  ReturnBy  `json:"return,omitempty"`
}

func (c ChooseWishes) decide(t *turn) error {
	if err := t.needOpen("Changing what is to be done with the parcel"); err != nil {
		return err
	}
	w := Wishes{Data: c.Data, Return: c.Return}
	var err error
	if w.Insured, err = t.amount("insured", c.Insured); err != nil {
		return err
	}
	if w.Insured != nil && w.Insured.Minor < 0 {
		return invalid("insured", "The value can't be below zero.").because("limit_below_zero")
	}
	if c.Data != "" {
		if err := oneOf("data", "What may be done with the data", c.Data, DataLeaves); err != nil {
			return err
		}
	}
	if c.Return != "" {
		if err := oneOf("return", "How it goes back", c.Return, ReturnBys); err != nil {
			return err
		}
	}
	if was := t.j.Wishes; w.Data == was.Data && w.Return == was.Return && sameAmount(w.Insured, was.Insured) {
		return nil
	}
	return t.record(&WishesChosen{w})
}

// WishesChosen is what the customer wants done with data and parcel.
type WishesChosen struct {
	Wishes Wishes `json:"wishes"`
}

func (p *WishesChosen) fold(j *Job, e *Event) { j.Wishes = p.Wishes }
