package workflow

import (
	"time"

	"benchword/workflow/money"
)

// Declining is what a no to a revision means: the approved repair that it leaves in force, or the device back.
type Declining struct {
	// Kept is that repair; Back is the option of an earlier quote that a no chooses. Nil for none.
	Kept, Back *Option
	// Cost is what having the device back costs.
	Cost money.Amount
}

// NoTo returns what a no to a revision means, or meant when it was given.
func (j *Job) NoTo(shop *Shop, q *Quote) Declining {
	no := Declining{Back: q.Back(), Cost: j.CostOfNo(shop)}
	if no.Back != nil {
		no.Cost = no.Back.Result.Total
		return no
	}
	if d := j.AnswerTo(q.Revision); d != nil {
		if kept := j.revision(d.Kept); kept != nil {
			no.Kept = kept.Option(kept.Approved)
		}
		return no
	}
	if was, o := j.Kept(); o != nil && was.Revision < q.Revision {
		no.Kept = o
	}
	return no
}

// ConsequenceKind is what follows an answer.
type ConsequenceKind string

const (
	ThenReply   ConsequenceKind = "reply"   // the bench answers, and the quote stays open
	ThenKept    ConsequenceKind = "kept"    // what was approved before is done
	ThenReturn  ConsequenceKind = "return"  // it goes back unrepaired
	ThenCost    ConsequenceKind = "cost"    // which costs so much, or nothing
	ThenRecycle ConsequenceKind = "recycle" // it never comes back
	ThenUndo    ConsequenceKind = "undo"    // until then it can be taken back, and takes no effect
	ThenDeposit ConsequenceKind = "deposit" // so much of one is still missing
	ThenRepair  ConsequenceKind = "repair"  // it waits for the bench
	ThenMost    ConsequenceKind = "most"    // so much is charged and no more
	ThenSettle  ConsequenceKind = "settle"  // what is owed is asked for before it leaves
)

// Consequence is one thing that follows an answer to a quote.
type Consequence struct {
	Kind   ConsequenceKind
	Amount money.Amount
	Until  time.Time
	// Days is how many working days the repair takes, 0 where the quote does not say; Title names what is kept.
	Days  int
	Title string
}

// Consequences returns what follows an answer to a revision, in the order in which it happens: before it is given,
// and of one that was.
func (j *Job) Consequences(shop *Shop, q *Quote, v Verdict, option string) []Consequence {
	o, no := q.Option(option), j.NoTo(shop, q)
	switch {
	case v == VerdictAsk:
		return []Consequence{{Kind: ThenReply}}
	case v == VerdictDecline && no.Kept != nil:
		return []Consequence{{Kind: ThenKept, Title: no.Kept.Title}, {Kind: ThenMost, Amount: no.Kept.Result.Total}}
	case v == VerdictDecline, o == nil, o.Kind == OptionReturn:
		return []Consequence{{Kind: ThenReturn}, {Kind: ThenCost, Amount: no.Cost}}
	case o.Kind == OptionRecycle:
		out := []Consequence{{Kind: ThenRecycle}}
		if until := j.UndoUntil(shop); !until.IsZero() {
			out = append(out, Consequence{Kind: ThenUndo, Until: until})
		}
		return out
	}
	var out []Consequence
	total, paid := o.Result.Total, j.Paid(shop).Minor
	if o.Deposit != nil && o.Deposit.Minor > paid {
		out = append(out, Consequence{Kind: ThenDeposit, Amount: money.Amount{Minor: o.Deposit.Minor - paid, Currency: o.Deposit.Currency}})
	}
	out = append(out, Consequence{Kind: ThenRepair, Days: o.WorkingDays}, Consequence{Kind: ThenMost, Amount: total})
	if shop.SettleFirst && total.Minor > paid {
		out = append(out, Consequence{Kind: ThenSettle})
	}
	return out
}
