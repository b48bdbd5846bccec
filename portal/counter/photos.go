package counter

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchword/portal"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/gofiber/fiber/v2"
)

// takePhotos reads the pictures that came with the form.
func (r *request) takePhotos() error {
	if !strings.HasPrefix(strings.ToLower(r.c.Get(fiber.HeaderContentType)), "multipart/form-data") {
		return nil
	}
	photos, err := r.x.s.ReadPhotos(r.c, "photo")
	if err != nil {
		return err
	}
	r.photos = photos
	return nil
}

// addPhotos gives the commands that add the form's pictures. Caption and description hold for all of
// them.
func (r *request) addPhotos(kind workflow.PhotoKind) []workflow.Command {
	var out []workflow.Command
	for _, p := range r.photos {
		p.Kind, p.Caption, p.Alt = kind, r.value("caption"), r.value("alt")
		out = append(out, workflow.AddPhoto{Photo: p})
	}
	return out
}

// newIDs gives the ids that the form's pictures will get; the step must then be pinned to the job as it
// stands.
func (r *request) newIDs() []int {
	var out []int
	for i := range r.photos {
		out = append(out, len(r.job.Photos)+1+i)
	}
	if len(out) > 0 {
		r.pin = true
	}
	return out
}

// kindFor is the kind of photo that is most likely wanted in a stage.
func kindFor(s workflow.Stage) workflow.PhotoKind {
	switch s {
	case workflow.StageBooked, workflow.StageReceived:
		return workflow.PhotoArrival
	case workflow.StageRepairing:
		return workflow.PhotoAfter
	case workflow.StageTesting:
		return workflow.PhotoTest
	}
	return workflow.PhotoEvidence
}

// keepPhotos adds the pictures of a refused form to the job by themselves, and ticks them in the form
// that comes back.
func (r *request) keepPhotos() error {
	if len(r.photos) == 0 {
		return nil
	}
	kind := workflow.PhotoKind(r.value("kind"))
	if !slices.Contains(workflow.PhotoKinds(), kind) {
		kind = kindFor(r.job.Stage)
	}
	var commands []workflow.Command
	for _, p := range r.photos {
		p.Kind = kind
		commands = append(commands, workflow.AddPhoto{Photo: p})
	}
	before, version := len(r.job.Photos), r.job.Version
	j, err := r.x.s.Service().Do(r.c.UserContext(), workflow.Order{Job: r.job.Number, By: r.x.s.Actor(r.c), Commands: commands, Once: r.once("photos")})
	var done *workflow.AlreadyDone
	switch {
	case errors.As(err, &done):
		if j, err = r.x.s.Service().Job(r.c.UserContext(), r.job.Number); err != nil {
			return err
		}
	case err != nil && shown(err):
		r.form.Add("photo", "The photo was not kept: "+portal.Sentence(err))
		return nil
	case err != nil:
		return err
	}
	for i := before; i < len(j.Photos); i++ {
		r.form.Values.Add("photos", strconv.Itoa(j.Photos[i].ID))
	}
	word := "The photo is kept on the job; you need not send it again."
	if n := len(r.photos); n > 1 {
		word = fmt.Sprintf("The %d photos are kept on the job; you need not send them again.", n)
	}
	r.form.Add("", word)
	if r.form.Version == version {
		r.form.Version = j.Version // it was this form that changed the job
	}
	r.renew(j)
	r.photos = nil
	return nil
}

// photoFile sends a photo's shown copy to staff.
func (x *counter) photoFile(c *fiber.Ctx) error {
	j, err := x.load(c)
	if err != nil {
		return err
	}
	return x.s.SendPhoto(c, j, c.Params("id"), c.Params("size"))
}

var photosTask = &task{
	path: "photos",
	fill: func(r *request) { r.form.Values.Set("kind", string(kindFor(r.job.Stage))) },
	view: func(r *request) (templates.View, error) { return r.photoList(nil), nil },
	read: func(r *request) ([]workflow.Command, error) {
		if len(r.photos) == 0 {
			r.form.Add("photo", "Choose at least one photo, or take one.")
			return nil, nil
		}
		r.said = "The photo is on the job."
		if n := len(r.photos); n > 1 {
			r.said = fmt.Sprintf("%d photos are on the job.", n)
		}
		return r.addPhotos(workflow.PhotoKind(r.value("kind"))), nil
	},
	then: "photos",
}

// photoList makes the page of all photos; words is the form for captions after a refusal.
func (r *request) photoList(words *templates.Form) *templates.CounterPhotoList {
	r.base.Title = "Photos · " + r.base.Card.Number
	v := &templates.CounterPhotoList{JobPage: r.base, Photos: templates.CounterPhotoViews(r.job, r.shop()), Words: words}
	fresh := words == nil
	if fresh {
		v.Words = r.x.form(r.c, r.base.To("photos/words"))
	}
	for _, p := range v.Photos {
		q := r.job.Photo(p.ID)
		if q.Caption != "" && q.Alt != "" {
			continue
		}
		v.Bare = append(v.Bare, p)
		if fresh {
			id := strconv.Itoa(p.ID)
			v.Words.Values.Set("caption-"+id, q.Caption)
			v.Words.Values.Set("alt-"+id, q.Alt)
		}
	}
	return v
}

var wordsTask = &task{
	path: "photos/words", postOnly: true, then: "photos",
	view: func(r *request) (templates.View, error) {
		words := r.form
		upload := r.x.form(r.c, r.base.To("photos"))
		upload.Values.Set("kind", string(kindFor(r.job.Stage)))
		r.form, r.base.Form = upload, upload
		return r.photoList(words), nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		var out []workflow.Command
		for i := range r.job.Photos {
			p := &r.job.Photos[i]
			id := strconv.Itoa(p.ID)
			if p.Removed || !r.form.Values.Has("caption-"+id) && !r.form.Values.Has("alt-"+id) {
				continue
			}
			caption, alt := strings.TrimSpace(r.value("caption-"+id)), strings.TrimSpace(r.value("alt-"+id))
			for _, name := range []string{"caption-", "alt-"} {
				if len([]rune(r.value(name+id))) > workflow.MaxLine {
					r.form.Add(name+id, fmt.Sprintf("Photo %s: at most %d characters fit.", id, workflow.MaxLine))
				}
			}
			if caption == p.Caption && alt == p.Alt {
				continue
			}
			out = append(out, workflow.DescribePhoto{ID: p.ID, Kind: p.Kind, Caption: caption, Alt: alt, Pair: p.Pair, Marks: p.Marks})
		}
		r.said = "The words are with the photos."
		if len(out) == 0 {
			r.said = "Nothing was changed."
		}
		return out, nil
	},
}

// photoOne takes one picture from the page's script and answers with JSON: its number, or the sentence.
func (x *counter) photoOne(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	values, err := x.read(c)
	if err != nil {
		return err
	}
	r.form.Values = values
	if o := values.Get("once"); o != "" && len(o) <= 64 {
		r.form.Once = o
	}
	answer := func(err error) error {
		if !shown(err) {
			return err
		}
		return c.Status(portal.Status(err)).JSON(fiber.Map{"message": portal.Sentence(err)})
	}
	if err := r.takePhotos(); err != nil {
		return answer(err)
	}
	if len(r.photos) != 1 {
		return answer(&workflow.Error{Code: workflow.CodeInvalid, Field: "photo", Message: "Send one photo at a time."})
	}
	_, err = x.s.Service().Do(c.UserContext(), workflow.Order{
		Job: r.job.Number, By: x.s.Actor(c), Commands: r.addPhotos(workflow.PhotoKind(r.value("kind"))), Once: r.once(""),
	})
	var done *workflow.AlreadyDone
	if err != nil && !errors.As(err, &done) {
		return answer(err)
	}
	return c.JSON(fiber.Map{"ok": true})
}

// spareMarks is how many empty rows the table of marks has to spare, for browsers without scripts.
const spareMarks = 3

func markPrefix(i int) string { return "m" + strconv.Itoa(i) + "." }

var photoTask = &task{
	path: "photo/:id", stale: true, then: "photos",
	fields: map[string]string{"marks": "m0.kind", "photo": ""},
	fill: func(r *request) {
		p := r.job.Photo(r.param("id"))
		if p == nil {
			return
		}
		v := r.form.Values
		v.Set("kind", string(p.Kind))
		v.Set("caption", p.Caption)
		v.Set("alt", p.Alt)
		v.Set("pair", strconv.Itoa(p.Pair))
		for i, m := range p.Marks {
			o := markPrefix(i)
			v.Set(o+"kind", string(m.Kind))
			for name, n := range map[string]int{"x": m.X, "y": m.Y, "x2": m.X2, "y2": m.Y2, "number": m.Number} {
				if n != 0 || name != "number" {
					v.Set(o+name, strconv.Itoa(n))
				}
			}
			v.Set(o+"text", m.Text)
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
	said:  "The photo is changed.",
	after: func(r *request, j *workflow.Job) error { return r.x.s.DiscardOld(r.c.UserContext(), r.job, j) },
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
		m := workflow.Mark{Kind: kind, X: at("x", "Across"), Y: at("y", "Down"), Text: strings.TrimSpace(r.value(o + "text"))}
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

func (r *request) photoPage() (*templates.CounterPhoto, error) {
	p := r.job.Photo(r.param("id"))
	if p == nil {
		return nil, noPhoto
	}
	v := &templates.CounterPhoto{MarkWords: templates.MarkChoices}
	rows := 0
	for i := range workflow.MaxList + spareMarks {
		if r.value(markPrefix(i)+"kind") != "" {
			rows = i + 1
		}
	}
	for i := range min(rows+spareMarks, workflow.MaxList) {
		o := markPrefix(i)
		v.Marks = append(v.Marks, templates.MarkRow{
			Index: i, Prefix: o, Kind: r.value(o + "kind"), X: r.value(o + "x"), Y: r.value(o + "y"), X2: r.value(o + "x2"), Y2: r.value(o + "y2"),
			Number: r.value(o + "number"), Text: r.value(o + "text"),
		})
	}
	v.Pairs = []templates.Choice{{Value: "0", Words: "none"}}
	for _, q := range templates.CounterPhotoViews(r.job, r.shop()) {
		if q.ID == p.ID {
			v.Photo = q
			continue
		}
		words := q.Number
		if q.Caption != "" {
			words += ": " + q.Caption
		}
		v.Pairs = append(v.Pairs, templates.Choice{Value: strconv.Itoa(q.ID), Words: words})
	}
	v.Remove = r.x.form(r.c, r.base.To("photo/"+strconv.Itoa(p.ID)+"/remove"))
	v.JobPage = r.title(v.Photo.Number)
	return v, nil
}

var photoRemoveTask = &task{
	path: "photo/:id/remove", postOnly: true, then: "photos",
	view: func(r *request) (templates.View, error) {
		form := r.form
		r.form = r.x.form(r.c, r.base.To("photo/"+r.c.Params("id")))
		r.form.Version = r.job.Version
		photoTask.fill(r)
		v, err := r.photoPage()
		if err != nil {
			return nil, err
		}
		v.Remove = form
		return v, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.RemovePhoto{ID: r.param("id"), Reason: r.value("reason")}}, nil
	},
	said: "The photo is off the pages. It stays in the history.",
}
