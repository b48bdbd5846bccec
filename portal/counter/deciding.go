package counter

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"

	"github.com/gofiber/fiber/v2"
)

// showDecisions shows the evidence of every decision; exportDecisions gives it as JSON.
func (x *counter) showDecisions(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	return x.s.Render(c, fiber.StatusOK, templates.CounterDecisionsOf(r.title("Decisions"), r.job, r.shop()))
}

func (x *counter) exportDecisions(c *fiber.Ctx) error {
	j, err := x.load(c)
	if err != nil {
		return err
	}
	out, err := json.MarshalIndent(j.Records(), "", "  ")
	if err != nil {
		return fmt.Errorf("exporting decisions: %w", err)
	}
	c.Set(fiber.HeaderContentType, fiber.MIMEApplicationJSONCharsetUTF8)
	c.Set(fiber.HeaderContentDisposition, `attachment; filename="decisions-`+string(j.Number)+`.json"`)
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.Send(out)
}

var chargeTask = &task{
	path: "charge", roles: counterUp, then: "payment",
	view: func(r *request) (templates.View, error) {
		w := locale.For("en")
		return &templates.CounterCharge{
			JobPage: r.title("Charge less"), Most: w.Money(r.job.Authorised(r.shop())), Now: w.Money(r.job.Charge(r.shop())), Currency: string(r.shop().Currency),
		}, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.SetCharge{Amount: r.x.amount(r.value("amount")), Reason: r.value("reason")}}, nil
	},
	said: "The charge is changed; the customer can see why.",
}

var undoTask = &task{
	path: "undo", roles: counterUp,
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterUndo{JobPage: r.title("Take an answer back")}
		if until := r.job.UndoUntil(r.shop()); r.now().Before(until) {
			q := r.job.Quote()
			v.Until = locale.For("en").DateTime(until, r.shop().Calendar.Location())
			r.form.Values.Set("digest", q.Digest)
			r.form.Values.Set("round", itoa(r.job.Undone(q.Revision)))
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		how := strings.TrimSpace(r.value("how"))
		if how == "" {
			r.form.Add("how", "Say how the customer was reached: it is the evidence.")
		}
		return []workflow.Command{workflow.UndoDecision{
			Digest: r.value("digest"), Round: r.number("round", "The round"), Agent: "by telephone, taken by " + r.x.s.Actor(r.c).ID + ": " + how,
		}}, nil
	},
	said: "The answer is taken back; the customer gets it in writing.",
}

// callAt reads when a call was, "2026-11-25T14:30" in the shop's zone; zero for just now.
func (r *request) callAt(name string) time.Time {
	s := strings.TrimSpace(r.value(name))
	if s == "" {
		return time.Time{}
	}
	at, err := time.ParseInLocation("2006-01-02T15:04", s, r.shop().Calendar.Location())
	if err != nil {
		r.form.Add(name, "The time of the call can't be read; write it like 2026-11-25T14:30.")
	}
	return at
}

// deposit reads an option's deposit, nil for none.
func (x *counter) deposit(f *templates.Form, name string) *money.Amount {
	s := strings.TrimSpace(f.Value(name))
	if s == "" {
		return nil
	}
	a, err := money.Parse(x.amount(s), x.s.Shop().Currency)
	if err != nil {
		f.Add(name, "The deposit can't be read; write it like 40.00.")
		return nil
	}
	return &a
}

// lineChoice is a line's kind, with the grade of a part: one choice in the form.
func lineChoice(l money.Line) string {
	if l.Grade != "" {
		return string(l.Kind) + ":" + string(l.Grade)
	}
	return string(l.Kind)
}

func lineKind(choice string) (money.LineKind, money.Grade) {
	kind, grade, _ := strings.Cut(choice, ":")
	return money.LineKind(kind), money.Grade(grade)
}

// feeLines puts the diagnostic fee that was announced on booking into a first quote: charged, and counted
// towards a repair where the shop does so.
func (r *request) feeLines(option string, line int, repair bool, tax string) {
	f := r.job.Fee
	if f == nil || f.Minor == 0 {
		return
	}
	add := func(kind money.LineKind, text, price string) {
		p := linePrefix(option, line)
		line++
		r.form.Values.Set(p+"kind", string(kind))
		r.form.Values.Set(p+"text", text)
		r.form.Values.Set(p+"price", price)
		r.form.Values.Set(p+"tax", tax)
	}
	add(money.Fee, "Finding the cause", f.Plain())
	if repair && r.shop().FeeCredited {
		add(money.Credit, "Finding the cause, counted towards the repair", "-"+f.Plain())
	}
}

// quotePaper gives a revision as PDF, in the customer's language.
func (x *counter) quotePaper(c *fiber.Ctx) error {
	j, err := x.load(c)
	if err != nil {
		return err
	}
	n, err := c.ParamsInt("n")
	if err != nil || n < 1 || n > len(j.Quotes) {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such revision of the quote."}
	}
	return x.s.SendQuotePaper(c, j, &j.Quotes[n-1], c.Params("form"), x.s.Words().For(j.Customer.Language))
}
