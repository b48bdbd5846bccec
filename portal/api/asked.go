package api

import (
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/money"

	"github.com/gofiber/fiber/v2"
)

// PhotoDescription is what is said about, or drawn on, a picture.
type PhotoDescription struct {
	ID      int                `json:"id"`
	Kind    workflow.PhotoKind `json:"kind"`
	Caption string             `json:"caption,omitempty"`
	Alt     string             `json:"alt,omitempty"`
	// Pair is the photo of the same place before (or after), 0 for none.
	Pair  int             `json:"pair,omitempty"`
	Marks []workflow.Mark `json:"marks,omitempty"`
}

// command has the copies that people see made anew if the blurred areas change: what is to be unreadable
// must be gone from them.
func (d *PhotoDescription) command(a *api, c *fiber.Ctx, n workflow.JobNumber) (workflow.Command, error) {
	before, err := a.s.Service().Job(c.UserContext(), n)
	if err != nil {
		return nil, err
	}
	cmd := workflow.DescribePhoto{ID: d.ID, Kind: d.Kind, Caption: d.Caption, Alt: d.Alt, Pair: d.Pair, Marks: d.Marks}
	if err := a.s.Redraw(c.UserContext(), before, &cmd); err != nil {
		return nil, err
	}
	return cmd, nil
}

// Symptom is what the device does, in the catalogue's terms.
type Symptom struct {
	Symptom string `json:"symptom"`
	// Also: it does this too, beside what was said.
	Also bool `json:"also,omitempty"`
}

// command adds what the shop's own jobs say.
func (s *Symptom) command(a *api, c *fiber.Ctx, n workflow.JobNumber) (workflow.Command, error) {
	j, err := a.s.Service().Job(c.UserContext(), n)
	if err != nil {
		return nil, err
	}
	past, err := a.s.Service().Past(c.UserContext(), j.Device.Kind, s.Symptom)
	return workflow.NoteSymptom{Symptom: s.Symptom, Also: s.Also, Past: past}, err
}

// Answer is a decision that the customer gave by telephone, as staff write it down.
type Answer struct {
	Verdict workflow.Verdict `json:"verdict"`
	// Digest names the revision exactly.
	Digest string `json:"digest"`
	Option string `json:"option,omitempty"`
	Name   string `json:"name,omitempty"`
	Words  string `json:"words,omitempty"`
	// Agent says how the customer was reached.
	Agent string `json:"agent,omitempty"`
	// Called is the number called, CalledAt when the customer said it (now, if it is left out).
	Called   string    `json:"called,omitempty"`
	CalledAt time.Time `json:"called_at,omitzero"`
	// Round counts the answers to this revision that were taken back before.
	Round int `json:"round,omitempty"`
}

// command adds the evidence: who wrote it down.
func (d *Answer) command(a *api, c *fiber.Ctx, _ workflow.JobNumber) (workflow.Command, error) {
	var call *workflow.CallNote
	if d.Called != "" || !d.CalledAt.IsZero() {
		call = &workflow.CallNote{At: d.CalledAt, Number: d.Called}
	}
	return workflow.Decide{
		Round: d.Round, Call: call, Verdict: d.Verdict, Digest: d.Digest, Option: d.Option, Name: d.Name, Words: d.Words,
		Agent: strings.TrimSpace("written down by " + a.s.Actor(c).ID + ". " + d.Agent),
	}, nil
}

// DelayChoice is what the customer chose by telephone after a missed promise, as staff write it down.
type DelayChoice struct {
	Choice workflow.DelayChoice `json:"choice"`
	// Digest names exactly what the customer was told.
	Digest string `json:"digest"`
	// Agent says how the customer was reached.
	Agent string `json:"agent,omitempty"`
}

// command adds the evidence: who wrote it down.
func (d *DelayChoice) command(a *api, c *fiber.Ctx, _ workflow.JobNumber) (workflow.Command, error) {
	return workflow.AnswerDelay{Choice: d.Choice, Digest: d.Digest, Agent: strings.TrimSpace("written down by " + a.s.Actor(c).ID + ". " + d.Agent)}, nil
}

// Quote is a revision of the quote as a caller writes it: the lines; totals, taxes and keys are worked
// out.
type Quote struct {
	Options []QuoteOption `json:"options"`
	Note    string        `json:"note,omitempty"`
	// Reason says why it differs from the revision before; needed from the second on.
	Reason string `json:"reason,omitempty"`
	// Days is how many calendar days it stands; 0 means the shop's usual.
	Days int `json:"days,omitempty"`
	// NoFee leaves out the line of the job's level of service, which repairing options get otherwise.
	NoFee bool `json:"no_fee,omitempty"`
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
	// Deposit is to be paid before the work begins, "40.00 CAD"; left out for none.
	Deposit *money.Amount `json:"deposit,omitempty"`
}

func (q *Quote) command(*api, *fiber.Ctx, workflow.JobNumber) (workflow.Command, error) {
	out := workflow.IssueQuote{Note: q.Note, Reason: q.Reason, Days: q.Days, NoFee: q.NoFee}
	for _, o := range q.Options {
		out.Options = append(out.Options, workflow.Option{
			Kind: o.Kind, Title: o.Title, Text: o.Text, Excluded: o.Excluded,
			WorkingDays: o.WorkingDays, WarrantyDays: o.WarrantyDays, Deposit: o.Deposit, Price: money.Request{Lines: o.Lines},
		})
	}
	return out, nil
}
