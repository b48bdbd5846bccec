package counter

import (
	"slices"
	"time"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// damagePage is damage in transit: what is written down about it, who was told, and the paper for them.
type damagePage struct {
	jobBase
	// By says until when the carrier must be told, "" where nobody knows.
	By   string
	Late bool
	Told []string
	// Tell is the form that says who was told, nil before anything is written down.
	Tell    *form
	Parties []choice
	Papers  []templates.Link
	// Carriers are those of the settings.
	Carriers []string
}

func (*damagePage) Template() string { return "damage.html" }

var partyWords = map[workflow.DamageParty]string{workflow.PartyCarrier: "the carrier", workflow.PartyInsurer: "an insurer"}

var damageTask = &task{
	fill: func(r *request) {
		if c := r.job.Damage; c != nil {
			v := r.form.Values
			v.Set("carrier", c.Carrier)
			v.Set("tell_by", c.TellBy)
			v.Set("before", c.Before.Text)
			if c.Value != nil {
				v.Set("value", c.Value.Plain())
			}
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &damagePage{jobBase: r.title("Damage in transit"), Parties: choices(workflow.DamageParties, partyWords)}
		k := newClock(r.shop(), r.now())
		v.By, v.Late = k.tellBy(r.job)
		for name := range r.shop().TellDays {
			v.Carriers = append(v.Carriers, name)
		}
		slices.Sort(v.Carriers)
		if c := r.job.Damage; c != nil {
			v.Tell = r.formTo("damage/told")
			for _, x := range c.Told {
				v.Told = append(v.Told, k.at(x.When())+": "+partyWords[x.To]+", "+x.How.Text)
			}
			for _, lang := range locale.Languages {
				v.Papers = append(v.Papers, templates.Link{Words: languageWords[lang] + " (PDF)", URL: v.To("damage/" + lang + ".pdf")})
			}
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.NoteDamage{Carrier: r.value("carrier"), TellBy: r.value("tell_by"), Value: r.value("value"), Before: r.value("before")}}, nil
	},
	then: "damage",
	said: "Written down. Send the paper, then say who was told.",
}

var damageToldTask = &task{
	read: func(r *request) ([]workflow.Command, error) {
		c := workflow.TellDamage{To: workflow.DamageParty(r.value("to")), How: r.value("how")}
		if day := r.value("on"); day != "" {
			on, err := time.ParseInLocation(time.DateOnly, day, r.shop().Calendar.Location())
			if err != nil {
				r.form.Add("on", "Write the day like 2026-12-08.")
			}
			c.On = on
		}
		return []workflow.Command{c}, nil
	},
	then: "damage",
	said: "Written down.",
}

// tellBy says until when the carrier must be told of damage, and whether that has passed.
func (k clockOf) tellBy(j *workflow.Job) (words string, late bool) {
	if !j.Untold() {
		return "", false
	}
	if j.Damage == nil || j.Damage.TellBy == "" {
		return "nobody has said by when: ask the carrier", false
	}
	if day := k.shop.Calendar.Date(k.now).String(); day > j.Damage.TellBy {
		return "should have been told by " + j.Damage.TellBy, true
	}
	return "by " + j.Damage.TellBy, false
}

// damagePaper is the same as PDF, in the language of whoever gets it.
func (x *counter) damagePaper(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	if r.job.Damage == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "Nothing is written down yet about damage in transit."}
	}
	w := x.s.Words().For(c.Params("lang"))
	return x.s.SendPaper(c, r.job, "damage "+w.Lang, w.T("damage.file"), func(photos templates.PhotoBytes) ([]byte, error) {
		return templates.DamagePaper(r.job, r.shop(), w, r.now(), photos)
	})
}

// slipPaper is the slip that lies in the box, in the customer's language.
func (x *counter) slipPaper(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	w := r.customersWords()
	return x.s.SendPaper(c, r.job, "slip", w.T("slip.file"), func(templates.PhotoBytes) ([]byte, error) {
		return templates.SlipPaper(r.job, r.shop(), w)
	})
}
