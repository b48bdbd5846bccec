package counter

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"benchword/portal"
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// photosPage shows a job's photos, takes new ones in, and asks for the words that are missing.
type photosPage struct {
	jobBase
	Photos []templates.PhotoView
	// Bare are those that have no caption or no description yet.
	Bare []templates.PhotoView
	// Words is the form for them.
	Words *form
}

func (*photosPage) Template() string { return "photos.html" }

// shotView is a photo at the counter: it leads to its own page, and can be ticked.
type shotView struct {
	templates.PhotoView
	Page   string
	Ticked bool
}

// shotPick is a choice of photos to tick.
type shotPick struct {
	Legend string
	Photos []shotView
}

// Shots makes photos lead to their pages.
func (p jobBase) Shots(photos []templates.PhotoView) []shotView {
	var out []shotView
	for _, v := range photos {
		out = append(out, shotView{v, p.To("photo/" + itoa(v.ID)), p.Form != nil && p.Form.Holds("photos", itoa(v.ID))})
	}
	return out
}

// PickPhotos offers photos to tick.
func (p jobBase) PickPhotos(legend string, photos []templates.PhotoView) shotPick {
	return shotPick{legend, p.Shots(photos)}
}

// photoURLs returns the addresses of photos below the job at the counter.
func photoURLs(j *workflow.Job) templates.PhotoURLs {
	return templates.PhotosAt("/counter/job/" + string(j.Number) + "/photo/")
}

// photoViews shows all of a job's photos, newest first.
func photoViews(j *workflow.Job, shop *workflow.Shop) []templates.PhotoView {
	var ids []int
	for i := range slices.Backward(j.Photos) {
		ids = append(ids, j.Photos[i].ID)
	}
	out := templates.PhotosOf(j, ids, locale.For("en"), shop.Calendar.Location(), photoURLs(j))
	for i := range out {
		if out[i].Label == "" {
			out[i].Label = photoKindWords[out[i].Kind]
		}
	}
	return out
}

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

// pictures returns the form's pictures. Caption and description hold for all of them; where nobody typed a
// caption, shows says what they show.
func (r *request) pictures(kind workflow.PhotoKind, shows string) []workflow.Photo {
	caption := r.value("caption")
	if strings.TrimSpace(caption) == "" {
		caption = firstLine(shows, workflow.MaxLine)
	}
	var out []workflow.Photo
	for _, p := range r.photos {
		p.Kind, p.Caption, p.Alt = kind, workflow.Plain(caption), workflow.Plain(r.value("alt"))
		out = append(out, p)
	}
	return out
}

// addPhotos returns the commands that add the form's pictures by themselves.
func (r *request) addPhotos(kind workflow.PhotoKind) []workflow.Command {
	var out []workflow.Command
	for _, p := range r.pictures(kind, "") {
		out = append(out, workflow.AddPhoto{Photo: p})
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
	fill: func(r *request) { r.form.Values.Set("kind", string(kindFor(r.job.Stage))) },
	view: func(r *request) (templates.View, error) { return r.photoList(), nil },
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

// photoList makes the page of all photos.
func (r *request) photoList() *photosPage {
	v := &photosPage{jobBase: r.title("Photos"), Photos: photoViews(r.job, r.shop()), Words: r.formTo("photos/words")}
	for _, p := range v.Photos {
		q := r.job.Photo(p.ID)
		if q.Caption.Text != "" && q.Alt.Text != "" {
			continue
		}
		v.Bare = append(v.Bare, p)
		if !v.Words.Bad() {
			id := strconv.Itoa(p.ID)
			v.Words.Values.Set("caption-"+id, q.Caption.Text)
			v.Words.Values.Set("alt-"+id, q.Alt.Text)
		}
	}
	return v
}

var photoWordsTask = &task{
	then: "photos",
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
			if caption == p.Caption.Text && alt == p.Alt.Text {
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
