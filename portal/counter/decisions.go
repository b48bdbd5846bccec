package counter

import (
	"encoding/json"
	"fmt"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// decisionsPage shows the evidence of every decision.
type decisionsPage struct {
	jobBase
	Records []recordView
	// Papers are the revisions as files.
	Papers []templates.Link
	// Export is the address of the same as JSON.
	Export string
}

func (*decisionsPage) Template() string { return "decisions.html" }

// recordView is the evidence of a decision: names and values, and the texts in full.
type recordView struct {
	Title string
	Rows  []recordRow
	Shown string
	// Sound: the digest, taken anew over the terms as they are kept, is the one that was decided on.
	Sound bool
}

type recordRow struct{ Name, Value string }

// decisionsPageOf makes the page.
func decisionsPageOf(base jobBase, j *workflow.Job, shop *workflow.Shop) *decisionsPage {
	w, loc := locale.For("en"), shop.Calendar.Location()
	v := &decisionsPage{jobBase: base, Export: base.To("decisions.json")}
	for i := range j.Quotes {
		for _, l := range templates.PaperLinks(shop, base.To("quote/"+itoa(i+1)+"/"), w) {
			v.Papers = append(v.Papers, templates.Link{Words: "Revision " + itoa(i+1) + ": " + l.Words, URL: l.URL})
		}
	}
	for _, r := range j.ExportedDecisions() {
		x := recordView{Title: "Revision " + itoa(r.Revision) + ": " + verdictWords[r.Verdict], Shown: r.Shown}
		row := func(name, value string) {
			if value != "" {
				x.Rows = append(x.Rows, recordRow{name, value})
			}
		}
		row("When", w.DateTime(r.At, loc))
		row("Typed name", r.Name)
		row("Option", r.Option)
		if r.Total != nil {
			row("Authorised", w.Money(*r.Total))
		}
		if r.Added != nil {
			row("Of it added", w.Money(*r.Added))
		}
		row("Agreed to, or said", r.Words)
		row("Link sent to", r.SentTo)
		row("Came from", r.Address)
		row("With", r.Agent)
		if r.By.Role != workflow.RoleCustomer {
			row("Written down by", r.By.ID)
		}
		if !r.CalledAt.IsZero() {
			row("By telephone", w.DateTime(r.CalledAt, loc)+", "+r.Called)
		}
		if !r.UndoneAt.IsZero() {
			row("Taken back", w.DateTime(r.UndoneAt, loc))
		}
		row("Fingerprint", r.Digest)
		digest, err := r.Terms.Digest()
		x.Sound = err == nil && digest == r.Digest
		v.Records = append(v.Records, x)
	}
	return v
}

// showDecisions shows the evidence of every decision; exportDecisions gives it as JSON.
func (x *counter) showDecisions(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	return x.render(c, fiber.StatusOK, decisionsPageOf(r.title("Decisions"), r.job, r.shop()))
}

func (x *counter) exportDecisions(c *fiber.Ctx) error {
	j, err := x.load(c)
	if err != nil {
		return err
	}
	out, err := json.MarshalIndent(j.ExportedDecisions(), "", "  ")
	if err != nil {
		return fmt.Errorf("exporting decisions: %w", err)
	}
	c.Set(fiber.HeaderContentType, fiber.MIMEApplicationJSONCharsetUTF8)
	c.Set(fiber.HeaderContentDisposition, `attachment; filename="decisions-`+string(j.Number)+`.json"`)
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.Send(out)
}
