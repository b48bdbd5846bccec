package counter

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/catalogue"
)

// findingPage is the quickest way from the bench: a photo and what it shows, in one form.
type findingPage struct {
	jobBase
	// ID is the finding being corrected, 0 for a new one.
	ID     int
	Photos []templates.PhotoView
	// Withdraw is the form that takes it back; Withdrawn the reason, once it was.
	Withdraw  *form
	Withdrawn string
	// Saved are the findings so far, newest first, so that one sees what is there.
	Saved []findingRow
	// More says that a field of the second part holds something, so it is shown open.
	More bool
	// Find is what was looked for in the catalogue, Hits what fits it, several of them or none.
	Find  string
	Hits  []entryView
	Entry *entryView // what was chosen, nil for a finding in the bench's own words
	// Groups is the whole catalogue.
	Groups []entryGroup
}

func (*findingPage) Template() string { return "finding.html" }

// findingRow is a finding with what staff can do to it.
type findingRow struct {
	templates.FindingView
	URL       string
	Origin    string
	Certainty string
	Withdrawn string
}

// entryGroup is a group of the catalogue of findings.
type entryGroup struct {
	Name    string
	Entries []entryView
}

// entryView is an entry of the catalogue as staff read it.
type entryView struct {
	ID string
	catalogue.FindingWords
	// Evidence is what should be shown, Duties what it obliges to, Cautions what the bench takes care of.
	Evidence, Duties, Cautions []string
	// Danger: it usually can hurt somebody, so the care stands open.
	Danger bool
}

// entryOf shows an entry, nil if there is none.
func entryOf(shop *workflow.Shop, id string) *entryView {
	c := shop.Trade()
	e := c.Finding(id)
	if e == nil {
		return nil
	}
	v := &entryView{ID: id, FindingWords: c.Say("en", id), Danger: e.Weight == string(workflow.WeightDanger)}
	for _, x := range e.Evidence {
		v.Evidence = append(v.Evidence, c.Evidence("en", x))
	}
	for _, r := range c.RulesFor(id) {
		v.Duties = append(v.Duties, c.Duty("en", r.ID)+" ("+dutyWords[workflow.Stage(r.Before)]+")")
	}
	for _, x := range e.Cautions {
		v.Cautions = append(v.Cautions, c.Care("en", x))
	}
	return v
}

// entryGroups lists the shop's catalogue of findings by group.
func entryGroups(shop *workflow.Shop) []entryGroup {
	c := shop.Trade()
	var out []entryGroup
	for _, name := range catalogue.Groups {
		g := entryGroup{Name: c.Group("en", name)}
		for _, f := range c.Findings {
			if f.Group == name {
				g.Entries = append(g.Entries, entryView{ID: f.ID, FindingWords: c.Say("en", f.ID)})
			}
		}
		out = append(out, g)
	}
	return out
}

// finding reads the finding that was typed; new photos come first among its photos.
func (r *request) finding(id int) workflow.Finding {
	f := workflow.Finding{
		ID: id, Entry: r.value("entry"), Text: r.value("text"), Origin: workflow.Origin(r.value("origin")), Weight: workflow.Weight(r.value("weight")),
		Certainty: workflow.Certainty(r.value("certainty")), Where: r.value("where"), Matters: r.value("matters"), Reading: r.value("reading"),
	}
	if f.Measurement = r.measurement(""); f.Measurement != nil && f.Certainty == workflow.CertaintySeen {
		f.Certainty = workflow.CertaintyMeasured
	}
	f.Photos = r.ids("photos")
	return f
}

func (r *request) findingPage(id int) *findingPage {
	title := "Photo + finding"
	if id != 0 {
		title = "Finding " + strconv.Itoa(id)
	}
	v := &findingPage{ID: id, Photos: photoViews(r.job, r.shop())}
	v.Entry = entryOf(r.shop(), r.value("entry"))
	usual := r.shop().Trade().Say(r.job.Customer.Language, r.value("entry")).Matters
	for _, name := range []string{"where", "matters", "duty", "alt", "photos", "value", "unit", "low", "high", "instrument", "conditions"} {
		if name == "matters" && v.Entry != nil && r.value(name) == usual {
			continue
		}
		v.More = v.More || strings.TrimSpace(r.value(name)) != "" || r.form.ErrorFor(name) != ""
	}
	if f := r.job.Finding(id); f != nil {
		v.Withdrawn = f.Reason.Text
		if !f.Withdrawn {
			v.Withdraw = r.formTo("finding/" + strconv.Itoa(id) + "/withdraw")
		}
		v.More = true
	}
	v.jobBase = r.title(title)
	if id == 0 {
		all := jobPageOf(r.base, r.job, nil, r.shop(), r.now()).Findings
		slices.Reverse(all)
		v.Saved = all
		v.Groups = entryGroups(r.shop())
		if v.Find = strings.TrimSpace(r.c.Query("find")); v.Entry == nil && v.Find != "" {
			for _, f := range r.shop().Trade().Search(firstLine(v.Find, 60)) {
				v.Hits = append(v.Hits, *entryOf(r.shop(), f.ID))
			}
		}
	}
	return v
}

var findingTask = &task{
	fields: map[string]string{"photo": "photo"},
	fill: func(r *request) {
		r.form.Values.Set("origin", string(workflow.OriginUnknown))
		r.form.Values.Set("weight", string(workflow.WeightFault))
		r.form.Values.Set("certainty", string(workflow.CertaintySeen))
		r.form.Values.Set("before", string(workflow.StageShipped))
		// What the catalogue says of the one entry that was looked for.
		trade := r.shop().Trade()
		if hits := trade.Search(firstLine(r.c.Query("find"), 60)); len(hits) == 1 {
			f, w := hits[0], trade.Say(r.job.Customer.Language, hits[0].ID)
			for name, s := range map[string]string{"entry": f.ID, "text": w.Plain, "matters": w.Matters, "origin": f.Origin, "weight": f.Weight, "certainty": f.Certainty} {
				r.form.Values.Set(name, s)
			}
		}
	},
	view: func(r *request) (templates.View, error) { return r.findingPage(0), nil },
	read: func(r *request) ([]workflow.Command, error) {
		f := r.finding(0)
		if f.Reading != "" && f.Certainty == workflow.CertaintySeen && strings.TrimSpace(f.Reading) != "" {
			f.Certainty = workflow.CertaintyMeasured // a reading was taken
		}
		out := workflow.NoteFinding{Finding: f, NewPhotos: r.pictures(workflow.PhotoEvidence, f.Text), Duty: workflow.Duty{Text: r.value("duty"), Before: workflow.Stage(r.value("before"))}}
		r.said = "The finding is noted."
		if len(r.photos) > 0 {
			r.said = "Photo and finding are noted."
		}
		if r.value("do") == "another" {
			r.then = "finding"
		}
		return []workflow.Command{out}, nil
	},
}

var correctTask = &task{
	stale: true,
	fill: func(r *request) {
		f := r.job.Finding(r.param("id"))
		if f == nil {
			return
		}
		for name, s := range map[string]string{
			"entry": f.Entry, "text": f.Text, "origin": string(f.Origin), "weight": string(f.Weight), "certainty": string(f.Certainty),
			"where": f.Where, "matters": f.Matters, "reading": f.Reading, "before": string(workflow.StageShipped),
		} {
			r.form.Values.Set(name, s)
		}
		r.fillMeasurement(f.Measurement)
		for _, id := range f.Photos {
			r.form.Values.Add("photos", strconv.Itoa(id))
		}
	},
	view: func(r *request) (templates.View, error) {
		if r.job.Finding(r.param("id")) == nil {
			return nil, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such finding on this job."}
		}
		return r.findingPage(r.param("id")), nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		id := r.param("id")
		if r.job.Finding(id) == nil {
			return nil, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such finding on this job."}
		}
		r.said = fmt.Sprintf("Finding %d is corrected; what it said before stays in the history.", id)
		return []workflow.Command{workflow.NoteFinding{
			Finding: r.finding(id), NewPhotos: r.pictures(workflow.PhotoEvidence, ""), Duty: workflow.Duty{Text: r.value("duty"), Before: workflow.Stage(r.value("before"))},
		}}, nil
	},
}

var withdrawTask = &task{
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.WithdrawFinding{ID: r.param("id"), Reason: r.value("reason")}}, nil
	},
	said: "The finding is taken back. It stays in the history and leaves the next report.",
}
