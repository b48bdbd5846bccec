package api

import (
	"benchword/workflow"
	"benchword/workflow/money"
)

// Quote is a revision of the quote as a caller writes it: the lines; totals, taxes and keys are worked
// out.
type Quote struct {
	Options []QuoteOption `json:"options"`
	Note    string        `json:"note,omitempty"`
	// Reason says why it differs from the revision before; needed from the second on.
	Reason string `json:"reason,omitempty"`
	// Days is how many calendar days it stands; 0 means the shop's usual.
	Days int `json:"days,omitempty"`
}

// QuoteOption is one way on.
type QuoteOption struct {
	Kind         workflow.OptionKind `json:"kind"`
	Title        string              `json:"title"`
	Text         string              `json:"text,omitempty"`
	Excluded     string              `json:"excluded,omitempty"`
	Lines        []money.Line        `json:"lines"`
	WorkingDays  int                 `json:"working_days,omitempty"`
	WarrantyDays int                 `json:"warranty_days,omitempty"`
}

func (q *Quote) command() workflow.Command {
	out := workflow.IssueQuote{Note: q.Note, Reason: q.Reason, Days: q.Days}
	for _, o := range q.Options {
		out.Options = append(out.Options, workflow.Option{
			Kind: o.Kind, Title: o.Title, Text: o.Text, Excluded: o.Excluded,
			WorkingDays: o.WorkingDays, WarrantyDays: o.WarrantyDays, Price: money.Request{Lines: o.Lines},
		})
	}
	return out
}
