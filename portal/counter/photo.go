package counter

import (
	"strconv"
	"strings"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"
)

// photoPage is one photo: its words, its marks, and its removal.
type photoPage struct {
	jobBase
	Photo templates.PhotoView
	// Marks are the rows of the marks' table; Pairs the photos that could show the same place.
	Marks  []markRow
	Pairs  []choice
	Remove *form
	// MarkWords are the kinds of marks to choose from.
	MarkWords []choice
}

func (*photoPage) Template() string { return "photo.html" }

// markRow is one mark in the form's numbers.
type markRow struct {
	Index        int
	Prefix       string
	Kind         string
	X, Y, X2, Y2 string
	Number, Text string
}

// Shown counts from 1.
func (r markRow) Shown() int { return r.Index + 1 }

// spareMarks is how many empty rows the table of marks has to spare, for browsers without scripts.
const spareMarks = 3

func markPrefix(i int) string { return "m" + strconv.Itoa(i) + "." }

var photoTask = &task{
	stale: true, then: "photos",
	fields: map[string]string{"marks": "m0.kind", "photo": ""},
	fill: func(r *request) {
		p := r.job.Photo(r.param("id"))
		if p == nil {
			return
		}
		v := r.form.Values
		v.Set("kind", string(p.Kind))
		v.Set("caption", p.Caption.Text)
		v.Set("alt", p.Alt.Text)
		v.Set("pair", strconv.Itoa(p.Pair))
		for i, m := range p.Marks {
			o := markPrefix(i)
			v.Set(o+"kind", string(m.Kind))
			for name, n := range map[string]int{"x": m.X, "y": m.Y, "x2": m.X2, "y2": m.Y2, "number": m.Number} {
				if n != 0 || name != "number" {
					v.Set(o+name, strconv.Itoa(n))
				}
			}
			v.Set(o+"text", m.Text.Text)
		}
	},
	view: func(r *request) (templates.View, error) { return r.photoPage() },
	read: func(r *request) ([]workflow.Command, error) {
		p := r.job.Photo(r.param("id"))
		if p == nil {
			return nil, noPhoto
		}
		marks := r.readMarks()
		cmd := workflow.DescribePhoto{
			ID: p.ID, Kind: workflow.PhotoKind(r.value("kind")), Caption: r.value("caption"), Alt: r.value("alt"),
			Pair: r.number("pair", "The photo to pair with"), Marks: marks,
		}
		if err := evidence.CheckMarks(marks); err != nil && !r.form.Bad() {
			r.form.Add("m0.kind", portal.Sentence(err))
		}
		if cmd.Pair == p.ID {
			r.form.Add("pair", "A photo can't be paired with itself.")
		}
		if r.form.Bad() {
			return nil, nil
		}
		if err := r.x.s.Redraw(r.c.UserContext(), r.job, &cmd); err != nil {
			return nil, err
		}
		return []workflow.Command{cmd}, nil
	},
	said: "The photo is changed.",
}

var noPhoto = &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such photo on this job."}

// readMarks reads the table of marks; rows without a kind are left out.
func (r *request) readMarks() []workflow.Mark {
	var out []workflow.Mark
	for i := range workflow.MaxList + spareMarks {
		o := markPrefix(i)
		kind := workflow.MarkKind(r.value(o + "kind"))
		if kind == "" {
			continue
		}
		at := func(name, what string) int {
			n := r.number(o+name, what)
			if n < 0 || n > 10000 {
				r.form.Add(o+name, what+" goes from 0 to 10000.")
			}
			return n
		}
		m := workflow.Mark{Kind: kind, X: at("x", "Across"), Y: at("y", "Down"), Text: workflow.Plain(strings.TrimSpace(r.value(o + "text")))}
		if kind != workflow.MarkPoint {
			m.X2, m.Y2 = at("x2", "Across, second point"), at("y2", "Down, second point")
		}
		if m.Number = r.number(o+"number", "The number of a mark"); m.Number < 0 || m.Number > 99 {
			r.form.Add(o+"number", "The number of a mark goes from 1 to 99.")
		}
		out = append(out, m)
	}
	return out
}

func (r *request) photoPage() (*photoPage, error) {
	p := r.job.Photo(r.param("id"))
	if p == nil {
		return nil, noPhoto
	}
	v := &photoPage{MarkWords: markChoices}
	rows := 0
	for i := range workflow.MaxList + spareMarks {
		if r.value(markPrefix(i)+"kind") != "" {
			rows = i + 1
		}
	}
	for i := range min(rows+spareMarks, workflow.MaxList) {
		o := markPrefix(i)
		v.Marks = append(v.Marks, markRow{
			Index: i, Prefix: o, Kind: r.value(o + "kind"), X: r.value(o + "x"), Y: r.value(o + "y"), X2: r.value(o + "x2"), Y2: r.value(o + "y2"),
			Number: r.value(o + "number"), Text: r.value(o + "text"),
		})
	}
	v.Pairs = []choice{{Value: "0", Words: "none"}}
	for _, q := range photoViews(r.job, r.shop()) {
		if q.ID == p.ID {
			v.Photo = q
			continue
		}
		words := q.Number
		if q.Caption != "" {
			words += ": " + q.Caption
		}
		v.Pairs = append(v.Pairs, choice{Value: strconv.Itoa(q.ID), Words: words})
	}
	v.Remove = r.formTo("photo/" + strconv.Itoa(p.ID) + "/remove")
	v.jobBase = r.title(v.Photo.Number)
	return v, nil
}

var photoRemoveTask = &task{
	then: "photos",
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.RemovePhoto{ID: r.param("id"), Reason: r.value("reason")}}, nil
	},
	said: "The photo is off the pages. It stays in the history.",
}
