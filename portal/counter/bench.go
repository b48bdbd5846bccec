package counter

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// finding reads the finding that was typed; new photos come first among its photos.
func (r *request) finding(id int) workflow.Finding {
	f := workflow.Finding{
		ID: id, Entry: r.value("entry"), Text: r.value("text"), Origin: workflow.Origin(r.value("origin")), Weight: workflow.Weight(r.value("weight")),
		Certainty: workflow.Certainty(r.value("certainty")), Where: r.value("where"), Matters: r.value("matters"), Reading: r.value("reading"),
	}
	if f.Measurement = r.measurement(); f.Measurement != nil && f.Certainty == workflow.CertaintySeen {
		f.Certainty = workflow.CertaintyMeasured
	}
	f.Photos = append(r.newIDs(), r.ids("photos")...)
	return f
}

func (r *request) findingPage(id int) *templates.CounterFindingForm {
	title := "Photo + finding"
	if id != 0 {
		title = "Finding " + strconv.Itoa(id)
	}
	v := &templates.CounterFindingForm{ID: id, Photos: templates.CounterPhotoViews(r.job, r.shop())}
	v.Entry = templates.CounterEntry(r.shop(), r.value("entry"))
	usual := r.shop().Trade().Say(r.job.Customer.Language, r.value("entry")).Matters
	for _, name := range []string{"where", "matters", "duty", "alt", "photos", "value", "unit", "low", "high", "instrument"} {
		if name == "matters" && v.Entry != nil && r.value(name) == usual {
			continue
		}
		v.More = v.More || strings.TrimSpace(r.value(name)) != "" || r.form.ErrorFor(name) != ""
	}
	if f := r.job.Finding(id); f != nil {
		v.Withdrawn = f.Reason
		if !f.Withdrawn {
			v.Withdraw = r.x.form(r.c, r.base.To("finding/"+strconv.Itoa(id)+"/withdraw"))
		}
		v.More = true
	}
	v.JobPage = r.title(title)
	if id == 0 {
		all := templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Findings
		slices.Reverse(all)
		v.Saved = all
		v.Groups = templates.CounterGroups(r.shop())
		if v.Find = strings.TrimSpace(r.c.Query("find")); v.Entry == nil && v.Find != "" {
			for _, f := range r.shop().Trade().Search(clip(v.Find, 60)) {
				v.Hits = append(v.Hits, *templates.CounterEntry(r.shop(), f.ID))
			}
		}
	}
	return v
}

var findingTask = &task{
	path:   "finding",
	fields: map[string]string{"photo": "photo"},
	fill: func(r *request) {
		r.form.Values.Set("origin", string(workflow.OriginUnknown))
		r.form.Values.Set("weight", string(workflow.WeightFault))
		r.form.Values.Set("certainty", string(workflow.CertaintySeen))
		r.form.Values.Set("before", string(workflow.StageShipped))
		// What the catalogue says of the one entry that was looked for.
		trade := r.shop().Trade()
		if hits := trade.Search(clip(r.c.Query("find"), 60)); len(hits) == 1 {
			f, w := hits[0], trade.Say(r.job.Customer.Language, hits[0].ID)
			for name, s := range map[string]string{"entry": f.ID, "text": w.Plain, "matters": w.Matters, "origin": f.Origin, "weight": f.Weight, "certainty": f.Certainty} {
				r.form.Values.Set(name, s)
			}
		}
	},
	view: func(r *request) (templates.View, error) { return r.findingPage(0), nil },
	read: func(r *request) ([]workflow.Command, error) {
		out := r.addPhotos(workflow.PhotoEvidence)
		for i, c := range out {
			// A caption that nobody typed: the finding says what the photo shows.
			if p, ok := c.(workflow.AddPhoto); ok && strings.TrimSpace(p.Photo.Caption) == "" {
				p.Photo.Caption = clip(r.value("text"), workflow.MaxLine)
				out[i] = p
			}
		}
		f := r.finding(0)
		if f.Reading != "" && f.Certainty == workflow.CertaintySeen && strings.TrimSpace(f.Reading) != "" {
			f.Certainty = workflow.CertaintyMeasured // a reading was taken
		}
		out = append(out, workflow.NoteFinding{Finding: f, Duty: workflow.Duty{Text: r.value("duty"), Before: workflow.Stage(r.value("before"))}})
		r.said = "The finding is noted."
		if len(r.photos) > 0 {
			r.said = "Photo and finding are noted."
		}
		if r.value("do") == "another" {
			r.then = "finding"
		}
		return out, nil
	},
}

// clip cuts a text to its first line and at most n characters.
func clip(s string, n int) string {
	s, _, _ = strings.Cut(strings.TrimSpace(s), "\n")
	s = strings.TrimSpace(s)
	if r := []rune(s); len(r) > n {
		s = strings.TrimSpace(string(r[:n-1])) + "…"
	}
	return s
}

var correctTask = &task{
	path: "finding/:id", stale: true,
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
		out := r.addPhotos(workflow.PhotoEvidence)
		out = append(out, workflow.NoteFinding{Finding: r.finding(id), Duty: workflow.Duty{Text: r.value("duty"), Before: workflow.Stage(r.value("before"))}})
		r.said = fmt.Sprintf("Finding %d is corrected; what it said before stays in the history.", id)
		return out, nil
	},
}

var withdrawTask = &task{
	path: "finding/:id/withdraw", postOnly: true,
	view: func(r *request) (templates.View, error) {
		form := r.form
		id := r.param("id")
		if r.job.Finding(id) == nil {
			return nil, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such finding on this job."}
		}
		r.form = r.x.form(r.c, r.base.To("finding/"+strconv.Itoa(id)))
		r.form.Version = r.job.Version
		correctTask.fill(r)
		v := r.findingPage(id)
		if v.Withdraw != nil {
			v.Withdraw = form
		} else {
			v.Form.Errors = form.Errors
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.WithdrawFinding{ID: r.param("id"), Reason: r.value("reason")}}, nil
	},
	said: "The finding is taken back. It stays in the history and leaves the next report.",
}

var checksTask = &task{
	path: "checks", then: "checks",
	fields: map[string]string{"text": "check", "suspect": "suspect"},
	fill: func(r *request) {
		if len(r.job.Suspects) == 0 {
			r.form.Values.Set("suspect", "new")
		}
		for _, s := range r.job.Suspects {
			if v := s.Verdict(); v == "" || v == workflow.CheckUnclear {
				r.form.Values.Set("suspect", strconv.Itoa(s.ID))
				break
			}
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterChecks{Photos: templates.CounterPhotoViews(r.job, r.shop()), Tell: r.x.form(r.c, r.base.To("symptom"))}
		v.Tell.Values.Set("symptom", r.job.Symptom)
		if len(r.job.Suspects) > 0 {
			v.Plan = r.x.form(r.c, r.base.To("check-plan"))
		}
		for _, s := range r.job.Suspects {
			v.Pick = append(v.Pick, templates.Choice{Value: strconv.Itoa(s.ID), Words: s.Text})
		}
		v.Pick = append(v.Pick, templates.Choice{Value: "new", Words: "a new suspect"})
		v.JobPage = r.title("Suspects and checks")
		v.Suspects = templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Suspects
		return v, v.Weigh(r.job, r.shop())
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		if plan := r.number("plan", "The planned check"); plan != 0 {
			r.said = "The check is noted."
			return append(r.addPhotos(workflow.PhotoEvidence), workflow.DoCheck{Check: workflow.Check{
				Plan: plan, Outcome: workflow.CheckOutcome(r.value("outcome")), Reading: r.value("reading"), Photos: r.newIDs(),
			}}), nil
		}
		name := strings.TrimSpace(r.value("name"))
		suspect, err := strconv.Atoi(r.value("suspect"))
		switch {
		case r.value("suspect") == "new" || r.value("suspect") == "" && name != "":
			if name == "" {
				r.form.Add("name", "Name the suspect: the part or place that may be the cause.")
				return nil, nil
			}
			out = append(out, workflow.NameSuspect{Text: name})
			suspect = len(r.job.Suspects) + 1
			r.pin = true
		case err != nil:
			r.form.Add("suspect", "Choose the suspect that was checked, or name a new one.")
			return nil, nil
		}
		check := strings.TrimSpace(r.value("check"))
		if check == "" && strings.TrimSpace(r.value("reading")) == "" && r.value("outcome") == "" && len(r.photos) == 0 {
			if len(out) == 0 {
				r.form.Add("check", "Say what was checked.")
			}
			r.said = "The suspect is named."
			return out, nil
		}
		if r.value("outcome") == "" {
			r.form.Add("outcome", "Say what came of the check: ruled out, confirmed or unclear.")
		}
		out = append(r.addPhotos(workflow.PhotoEvidence), out...)
		out = append(out, workflow.DoCheck{Suspect: suspect, Check: workflow.Check{
			Text: check, Outcome: workflow.CheckOutcome(r.value("outcome")), Reading: r.value("reading"), Measurement: r.measurement(), Photos: append(r.newIDs(), r.ids("photos")...),
		}})
		r.said = "The check is noted."
		return out, nil
	},
}

// beside shows the checks again around a refused form that stands on their page.
func (r *request) beside(put func(v *templates.CounterChecks, form *templates.Form)) (templates.View, error) {
	form := r.form
	r.form = r.x.form(r.c, r.base.To("checks"))
	r.form.Version = r.job.Version
	r.base.Form = r.form
	checksTask.fill(r)
	v, err := checksTask.view(r)
	if v, ok := v.(*templates.CounterChecks); ok && err == nil {
		put(v, form)
	}
	return v, err
}

var symptomTask = &task{
	path: "symptom", postOnly: true, then: "checks",
	view: func(r *request) (templates.View, error) {
		return r.beside(func(v *templates.CounterChecks, form *templates.Form) { v.Tell = form })
	},
	read: func(r *request) ([]workflow.Command, error) {
		past, err := r.x.s.Service().Past(r.c.UserContext(), r.job.Device.Kind, r.value("symptom"))
		if err != nil {
			return nil, err
		}
		return []workflow.Command{workflow.NoteSymptom{Symptom: r.value("symptom"), Past: past}}, nil
	},
	said: "The usual suspects are on the list.",
}

var planTask = &task{
	path: "check-plan", postOnly: true, then: "checks",
	fields: map[string]string{"suspect": "about", "text": "what"},
	view: func(r *request) (templates.View, error) {
		return r.beside(func(v *templates.CounterChecks, form *templates.Form) { v.Plan = form })
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.PlanCheck{
			Suspect: r.number("about", "The suspect"), Text: r.value("what"), Minutes: r.number("minutes", "The time it takes"), Behind: r.value("behind"),
		}}, nil
	},
	said: "The check is planned.",
}

var workTask = &task{
	path: "work",
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterWork{Photos: templates.CounterPhotoViews(r.job, r.shop())}
		for _, f := range r.job.Findings {
			if !f.Withdrawn {
				v.Findings = append(v.Findings, templates.Choice{Value: strconv.Itoa(f.ID), Words: f.Text})
			}
		}
		for _, d := range r.job.Duties {
			if d.Open() && d.Test == "" {
				v.Duties = append(v.Duties, templates.Choice{Value: strconv.Itoa(d.ID), Words: d.Text})
			}
		}
		for _, a := range r.shop().Trade().Actions() {
			v.Did = append(v.Did, templates.Choice{Value: a, Words: r.shop().Trade().Action("en", a)})
		}
		v.JobPage = r.title("What was done")
		v.Done = templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Work
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		out := r.addPhotos(workflow.PhotoAfter)
		for i, c := range out {
			if p, ok := c.(workflow.AddPhoto); ok && strings.TrimSpace(p.Photo.Caption) == "" {
				p.Photo.Caption = clip(r.value("text"), workflow.MaxLine)
				out[i] = p
			}
		}
		out = append(out, workflow.DoWork{Text: r.value("text"), Findings: r.ids("findings"), Duties: r.ids("duties"), Did: r.form.Values["did"], Photos: append(r.newIDs(), r.ids("photos")...)})
		if r.value("do") == "another" {
			r.then = "work"
		}
		return out, nil
	},
	said: "Written down.",
}

var dutiesTask = &task{
	path: "duties", then: "duties",
	fields: map[string]string{"text": "duty"},
	fill:   func(r *request) { r.form.Values.Set("before", string(workflow.StageShipped)) },
	view:   func(r *request) (templates.View, error) { return r.dutiesPage(nil), nil },
	read: func(r *request) ([]workflow.Command, error) {
		finding := r.number("finding", "The finding")
		return []workflow.Command{workflow.RaiseDuty{Duty: workflow.Duty{Rule: r.value("rule"), Text: r.value("duty"), Before: workflow.Stage(r.value("before")), Finding: finding}}}, nil
	},
	said: "The duty is on the list.",
}

// dutiesPage makes the list of duties; waive is the form that lets one go, after a refusal.
func (r *request) dutiesPage(waive *templates.Form) *templates.CounterDuties {
	v := &templates.CounterDuties{Waive: waive}
	if waive == nil {
		v.Waive = r.x.form(r.c, r.base.To("duty/waive"))
	}
	for _, f := range r.job.Findings {
		if !f.Withdrawn {
			v.Findings = append(v.Findings, templates.Choice{Value: strconv.Itoa(f.ID), Words: f.Text})
		}
	}
	v.Rules = []templates.Choice{{Value: "", Words: "none of these"}}
	for _, x := range r.shop().Trade().Rules {
		v.Rules = append(v.Rules, templates.Choice{Value: x.ID, Words: r.shop().Trade().Duty("en", x.ID)})
	}
	v.JobPage = r.title("Duties")
	v.Duties = templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Duties
	return v
}

// besides shows the list of duties again around a refused form that stands on it.
func (r *request) besides() *templates.CounterDuties {
	form := r.form
	r.form = r.x.form(r.c, r.base.To("duties"))
	dutiesTask.fill(r)
	return r.dutiesPage(form)
}

var dutyDoneTask = &task{
	path: "duty/done", postOnly: true, then: "duties",
	view: func(r *request) (templates.View, error) {
		v := r.besides()
		v.Form.Errors, v.Waive = v.Waive.Errors, r.x.form(r.c, r.base.To("duty/waive"))
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.DoDuty{ID: r.number("id", "The duty")}}, nil
	},
	said: "Done.",
}

var dutyWaiveTask = &task{
	path: "duty/waive", postOnly: true, then: "duties", roles: counterUp,
	fields: map[string]string{"duty": "id"},
	view:   func(r *request) (templates.View, error) { return r.besides(), nil },
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.WaiveDuty{ID: r.number("id", "The duty"), Reason: r.value("reason")}}, nil
	},
	said: "Waived. The customer will read the reason.",
}

var testsTask = &task{
	path: "tests",
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterTests{}
		v.JobPage = r.title("Tests")
		v.Tests = templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Tests
		for i, t := range v.Tests {
			v.Rows = append(v.Rows, templates.TestRow{Index: i, TestView: t})
		}
		v.Rows = append(v.Rows, templates.TestRow{Index: len(v.Rows), Other: true})
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		for i := range workflow.MaxList {
			n := strconv.Itoa(i)
			name, result := r.value("name-"+n), r.value("result-"+n)
			if !r.form.Values.Has("name-" + n) {
				break
			}
			reading, note := r.value("reading-"+n), r.value("note-"+n)
			typed := strings.TrimSpace(reading+note) != ""
			switch {
			case result == "" && typed:
				r.form.Add("result-"+n, fmt.Sprintf("Say whether “%s” passed.", clip(name, 60)))
				continue
			case result == "":
				continue
			case strings.TrimSpace(name) == "":
				r.form.Add("name-"+n, "Name the test.")
				continue
			case result == "failed" && strings.TrimSpace(note) == "":
				r.form.Add("note-"+n, fmt.Sprintf("Say in a few words how “%s” failed.", clip(name, 60)))
				continue
			}
			out = append(out, workflow.DoTest{Test: workflow.Test{Name: name, Passed: result == "passed", Reading: reading, Note: note}})
		}
		if len(out) == 0 && !r.form.Bad() {
			r.form.Add("result-0", "Say of at least one test whether it passed.")
		}
		return out, nil
	},
	said: "The tests are written down.",
}

var readyTask = &task{
	path: "ready", roles: counterUp,
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterReady{}
		v.JobPage = r.title("Ready")
		all := templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now())
		v.Tests = all.Tests
		if r.job.Ready != nil {
			v.Told = "The customer was told already that it is ready."
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.DeclareReady{Note: r.value("note")}}, nil
	},
	said: "The customer is told that it is done and tested.",
}

var packingTask = &task{
	path:   "packing",
	fields: map[string]string{"note": "items", "fate": "items", "to": ""},
	fill: func(r *request) {
		v := r.form.Values
		for _, it := range r.job.Contents {
			id := strconv.Itoa(it.ID)
			for _, p := range r.job.Packed {
				if p.Item == it.ID {
					v.Set("fate-"+id, string(p.Fate))
					v.Set("note-"+id, p.Note)
				}
			}
		}
		v.Set("way", "post")
		if s := r.job.Shipment; s != nil {
			v.Set("carrier", s.Carrier)
			v.Set("parcel", s.Parcel)
			v.Set("serial", s.Serial)
			v.Set("warranty_days", strconv.Itoa(s.WarrantyDays))
			if s.InPerson {
				v.Set("way", "person")
			}
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterPacking{Warranty: r.shop().WarrantyDays, Repaired: r.job.Outcome == workflow.OutcomeRepaired}
		if _, o := r.job.Approved(); o != nil && o.WarrantyDays > 0 {
			v.Warranty = o.WarrantyDays
		}
		for _, it := range r.job.Contents {
			id := strconv.Itoa(it.ID)
			v.Items = append(v.Items, templates.PackRow{ID: it.ID, Text: it.Text, Condition: it.Condition, Device: it.Device, FateField: "fate-" + id, NoteField: "note-" + id})
		}
		v.JobPage = r.title("Pack and post")
		v.Ship = v.Counter
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		var items []workflow.PackedItem
		for _, it := range r.job.Contents {
			id := strconv.Itoa(it.ID)
			fate, note := workflow.Fate(r.value("fate-"+id)), strings.TrimSpace(r.value("note-"+id))
			if fate == "" {
				if note != "" {
					r.form.Add("fate-"+id, fmt.Sprintf("Say where “%s” went.", it.Text))
				}
				continue
			}
			if fate != workflow.FateReturned && note == "" {
				r.form.Add("note-"+id, fmt.Sprintf("Say in a few words why “%s” does not go back as it came.", it.Text))
			}
			if slices.Contains(r.job.Packed, workflow.PackedItem{Item: it.ID, Fate: fate, Note: note}) {
				continue
			}
			items = append(items, workflow.PackedItem{Item: it.ID, Fate: fate, Note: note})
		}
		if len(items) > 0 {
			out = append(out, workflow.Pack{Items: items})
		}
		s := workflow.PrepareShipment{
			InPerson: r.value("way") == "person", Carrier: r.value("carrier"), Parcel: r.value("parcel"), Serial: r.value("serial"),
			WarrantyDays: r.number("warranty_days", "The warranty"),
		}
		ship := r.value("do") == "ship"
		typed := s.InPerson || strings.TrimSpace(s.Parcel+s.Serial+s.Carrier) != ""
		if typed && !sameShipment(r.job.Shipment, s) {
			out = append(out, s)
		}
		out = append(out, r.addPhotos(workflow.PhotoPacking)...)
		r.said = "Kept."
		if ship {
			out = append(out, workflow.Go{To: workflow.StageShipped})
			r.said = "It has left the shop. The customer is told."
		} else if len(out) == 0 {
			r.said = "Nothing was changed."
		}
		return out, nil
	},
}

func sameShipment(old *workflow.Shipment, s workflow.PrepareShipment) bool {
	if old == nil {
		return false
	}
	return old.InPerson == s.InPerson && (s.InPerson || old.Carrier == strings.TrimSpace(s.Carrier) && old.Parcel == strings.TrimSpace(s.Parcel)) &&
		old.Serial == strings.TrimSpace(s.Serial) && (s.WarrantyDays == 0 || old.WarrantyDays == s.WarrantyDays)
}

var holdTask = &task{
	path: "hold",
	view: func(r *request) (templates.View, error) {
		v := &templates.CounterHold{JobPage: r.title("Hold")}
		v.Holds = templates.CounterJobOf(r.base, r.job, nil, r.shop(), r.now()).Holds
		if r.job.Hold() != nil {
			v.Lift = r.x.form(r.c, r.base.To("hold/lift"))
		}
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.PlaceHold{Reason: workflow.HoldReason(r.value("reason")), Note: r.value("note")}}, nil
	},
	said: "The job is on hold; the customer can see why.",
}

var liftTask = &task{
	path: "hold/lift", postOnly: true,
	view: func(r *request) (templates.View, error) {
		errs := r.form.Errors
		r.form = r.x.form(r.c, r.base.To("hold"))
		r.form.Errors = errs
		return holdTask.view(r)
	},
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.LiftHold{}}, nil },
	said: "The hold is lifted; the clock runs.",
}
