package counter

import (
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// intakePage is the form for opening the parcel.
type intakePage struct {
	jobBase
	Rows   []rowNumber
	Photos []templates.PhotoView
	Then   choice // what the same press may do beside keeping it
	// Hazards are the dangers that are asked about beside the four.
	Hazards []choice
}

func (*intakePage) Template() string { return "intake.html" }

// spareRows is how many empty rows a list in a form has to spare, for browsers without scripts.
const spareRows = 3

var intakeTask = &task{
	fields: map[string]string{"items": "item", "lithium": "lithium", "to": ""},
	stale:  true,
	fill: func(r *request) {
		v, j := r.form.Values, r.job
		items := j.Contents
		if len(items) == 0 {
			items = []workflow.Item{{Text: j.Device.Name(), Device: true}}
		}
		for i, it := range items {
			v.Add("item", it.Text)
			v.Add("state", it.Condition)
			if it.Device {
				v.Set("device", strconv.Itoa(i))
			}
		}
		v.Set("serial", j.Device.Serial.Text)
		v.Set("class", string(j.Device.Class))
		if s := j.Screening; s != nil {
			v.Set("lithium", string(s.Lithium))
			v.Set("cell_damaged", string(s.CellDamaged))
			v.Set("mains", string(s.Mains))
			v.Set("liquid", string(s.Liquid))
			v.Set("screening_note", s.Note.Text)
			v["hazards"] = s.Hazards
		}
	},
	view: func(r *request) (templates.View, error) {
		v := &intakePage{}
		for _, h := range r.shop().Trade().Hazards {
			v.Hazards = append(v.Hazards, choice{h.ID, r.shop().Trade().SayHazard("en", h.ID)})
		}
		if r.job.Stage == workflow.StageBooked {
			v.Then = choice{"receive", "Parcel received"}
		}
		v.Rows = formRows(filled(r.form.Values["item"]), spareRows)
		for _, p := range photoViews(r.job, r.shop()) {
			if p.Kind == workflow.PhotoArrival {
				v.Photos = append(v.Photos, p)
			}
		}
		v.jobBase = r.title("Open the parcel")
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		items, device := r.form.Values["item"], r.value("device")
		var list []workflow.Item
		for i, text := range items {
			state := r.form.Nth("state", i)
			if strings.TrimSpace(text) == "" && strings.TrimSpace(state) == "" {
				continue
			}
			list = append(list, workflow.Item{Text: text, Condition: state, Device: strconv.Itoa(i) == device})
		}
		if len(list) > 0 && (r.job.Stage == workflow.StageBooked || changedItems(r.job, list, r.value("serial")) || r.value("class") != string(r.job.Device.Class)) {
			out = append(out, workflow.ListContents{Items: list, Serial: r.value("serial"), Class: workflow.ProtectionClass(r.value("class"))})
		}
		answers := 0
		for _, name := range []string{"lithium", "cell_damaged", "mains", "liquid"} {
			if r.value(name) != "" {
				answers++
			}
		}
		s := workflow.Screening{
			Lithium: workflow.Answer(r.value("lithium")), CellDamaged: workflow.Answer(r.value("cell_damaged")),
			Mains: workflow.Answer(r.value("mains")), Liquid: workflow.Answer(r.value("liquid")), Note: workflow.Plain(strings.TrimSpace(r.value("screening_note"))),
			Hazards: r.form.Values["hazards"],
		}
		switch {
		case answers == 4 && (r.job.Screening == nil || !r.job.Screening.Same(s)):
			out = append(out, workflow.AnswerScreening{Screening: s})
		case answers < 4 && (answers > 0 || len(s.Hazards) > 0):
			for _, q := range []struct{ name, words string }{{"lithium", "lithium cells"}, {"cell_damaged", "damaged cells"}, {"mains", "the mains"}, {"liquid", "liquid"}} {
				if r.value(q.name) == "" {
					r.form.Add(q.name, "Answer the question about "+q.words+" too; “can’t tell” is an answer.")
				}
			}
		}
		out = append(out, r.addPhotos(workflow.PhotoArrival)...)
		if r.value("do") == "receive" {
			out = append(out, workflow.Go{To: workflow.StageReceived})
			r.said = "Received. The customer is told what was in the parcel and when it will be done."
			r.then = "look"
		} else {
			r.said = "Kept."
			r.then = "intake"
		}
		if len(out) == 0 && !r.form.Bad() {
			r.said = "Nothing was changed."
		}
		return out, nil
	},
}

func changedItems(j *workflow.Job, list []workflow.Item, serial string) bool {
	if len(list) != len(j.Contents) || strings.TrimSpace(serial) != j.Device.Serial.Text {
		return true
	}
	for i, it := range list {
		old := j.Contents[i]
		if strings.TrimSpace(it.Text) != old.Text || strings.TrimSpace(it.Condition) != old.Condition || it.Device != old.Device {
			return true
		}
	}
	return false
}
