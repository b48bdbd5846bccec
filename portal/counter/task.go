package counter

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/portal"
	"benchword/portal/action"
	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// task is one form on one job.
type task struct {
	// Action is the first that the form is for; it comes from the list.
	action.Action
	// fill sets the form's values before anything was typed.
	fill func(r *request)
	// view makes the page; nil for a form that stands on the page of another task.
	view func(r *request) (templates.View, error)
	// read turns what was typed into commands; it may add sentences to the form instead.
	read func(r *request) ([]workflow.Command, error)
	// fields leads from the domain's field names to the form's, where they differ.
	fields map[string]string
	// said is the sentence on the next page.
	said string
	// then is where to go on, "" for the job's page; it stands below the job's address.
	then string
	// stale refuses the step if the job has changed since the form was made.
	stale bool
	on    *task // see [action.Action.On]
}

// request is one visit to a task's page.
type request struct {
	x    *counter
	c    *fiber.Ctx
	job  *workflow.Job
	form *form
	base jobBase
	task *task
	// beside is a refused form that stands on the task's page beside its main one, nil if there is none, and
	// besideTo the path that it was sent to.
	beside   *form
	besideTo string
	// photos came with the form.
	photos []workflow.Photo
	// said and then take the place of the task's, where it depends on what was done.
	said, then string
	refused    bool
	// passcode is what was asked to be seen.
	passcode string
}

func (r *request) shop() *workflow.Shop { return r.x.s.Shop() }

func (r *request) now() time.Time { return r.x.s.Now() }

// value returns what was typed into a field.
func (r *request) value(name string) string { return r.form.Value(name) }

// number reads a whole number; an empty field is 0. A sentence is noted if it is none.
func (r *request) number(name, what string) int {
	s := strings.TrimSpace(r.value(name))
	if s == "" {
		return 0
	}
	n, err := strconv.Atoi(s)
	if err != nil {
		r.form.Add(name, what+" must be a whole number.")
	}
	return n
}

// ids reads ticked numbers; what is no number is left out.
func (r *request) ids(name string) []int {
	var out []int
	for _, s := range r.form.Values[name] {
		if n, err := strconv.Atoi(s); err == nil && n > 0 && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}

// param reads a number from the address.
func (r *request) param(name string) int {
	n, _ := strconv.Atoi(r.c.Params(name))
	return n
}

func newOnce() string {
	var b [12]byte
	_, _ = rand.Read(b[:]) // crypto/rand never fails
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// form makes an empty form of this page.
func (x *counter) form(c *fiber.Ctx, act string) *form {
	return &form{Act: act, CSRF: x.s.Page(c, "").CSRF, Once: newOnce(), Values: url.Values{}}
}

// read reads what was sent, whichever way it was encoded.
func (x *counter) read(c *fiber.Ctx) (url.Values, error) {
	if strings.HasPrefix(strings.ToLower(c.Get(fiber.HeaderContentType)), "multipart/form-data") {
		m, err := c.MultipartForm()
		if err != nil {
			return nil, &portal.StatusError{Status: fiber.StatusBadRequest, Message: "What your browser sent can't be read. Go back and send the form again.", Err: err}
		}
		return url.Values(m.Value), nil
	}
	v, err := url.ParseQuery(string(c.Body()))
	if err != nil {
		return nil, &portal.StatusError{Status: fiber.StatusBadRequest, Message: "What your browser sent can't be read. Go back and send the form again.", Err: err}
	}
	return v, nil
}

func (x *counter) jobNumber(c *fiber.Ctx) (workflow.JobNumber, error) {
	n, err := workflow.ParseJobNumber(c.Params("number"))
	if err != nil {
		return "", &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no job with this number. Check it against the email or the label.", Err: err}
	}
	return n, nil
}

func (x *counter) load(c *fiber.Ctx) (*workflow.Job, error) {
	n, err := x.jobNumber(c)
	if err != nil {
		return nil, err
	}
	return x.s.Service().Job(c.UserContext(), n)
}

// open begins a visit to a page about a job.
func (x *counter) open(c *fiber.Ctx, title string) (*request, error) {
	j, err := x.load(c)
	if err != nil {
		return nil, err
	}
	r := &request{x: x, c: c, job: j, form: x.form(c, c.Path())}
	r.form.Version = j.Version
	r.base = jobBaseOf(x.s.Page(c, title), j, x.s.Shop(), x.s.Now())
	r.base.Form = r.form
	return r, nil
}

// renew makes the page's head again, for a job that has changed.
func (r *request) renew(j *workflow.Job) {
	r.job = j
	page := r.base.Page
	r.base = jobBaseOf(page, j, r.shop(), r.now())
	r.base.Form = r.form
}

func (x *counter) show(t *task) fiber.Handler {
	return func(c *fiber.Ctx) error {
		r, err := x.open(c, "")
		if err != nil {
			return err
		}
		r.task = t
		if t.fill != nil {
			t.fill(r)
		}
		return r.render(fiber.StatusOK)
	}
}

// render shows the task's page. A form that stands on another task's page is shown there, and what was said
// about it stands above the main form where the page does not hold it any more.
func (r *request) render(status int) error {
	path := func(t *task) string { return strings.ReplaceAll(t.Form, ":id", strconv.Itoa(r.param("id"))) }
	if on := r.task.on; on != nil {
		r.beside, r.besideTo, r.task, r.refused = r.form, path(r.task), on, false
		r.form = r.x.form(r.c, r.base.To(path(on)))
		r.form.Version = r.job.Version
		if on.fill != nil {
			on.fill(r)
		}
	}
	v, err := r.task.view(r)
	if err != nil {
		return err
	}
	if r.beside != nil {
		r.form.Errors = r.beside.Errors
	}
	return r.x.render(r.c, status, v)
}

// formTo returns the form of the page that is sent to a path below the job: as it was typed where it was
// refused, else empty.
func (r *request) formTo(path string) *form {
	if f := r.beside; f != nil && r.besideTo == path {
		r.beside = nil
		return f
	}
	return r.x.form(r.c, r.base.To(path))
}

func (x *counter) post(t *task) fiber.Handler {
	return func(c *fiber.Ctx) error {
		values, err := x.read(c)
		if err != nil {
			return err
		}
		r, err := x.open(c, "")
		if err != nil {
			return err
		}
		r.task = t
		if o := values.Get("once"); o != "" && len(o) <= 64 {
			r.form.Once = o
		}
		seen, _ := strconv.ParseInt(values.Get("v"), 10, 64)
		if seen > 0 {
			r.form.Version = seen // until a conflict has been told, the form stays as old as it is
		}
		r.form.Values = values
		if err := r.takePhotos(); err != nil {
			if !shown(err) {
				return err
			}
			r.form.Add("photo", portal.Sentence(err))
			return r.refuse(portal.Status(err))
		}
		if done, err := r.before(); err != nil || done {
			if err != nil {
				return err
			}
			return r.goOn()
		}
		commands, err := t.read(r)
		if errors.Is(err, errShowAgain) {
			return r.render(fiber.StatusOK)
		}
		if err != nil {
			return err
		}
		if r.form.Bad() {
			return r.refuse(fiber.StatusUnprocessableEntity)
		}
		if len(commands) == 0 {
			return r.goOn()
		}
		o := workflow.Order{Job: r.job.Number, By: x.s.Actor(c), Commands: commands, Once: r.once(""), Result: r.onward}
		if t.stale {
			o.Seen = seen
		}
		j, err := x.s.Service().Do(c.UserContext(), o)
		var done *workflow.AlreadyDone
		switch {
		case err == nil:
			r.job = j
			return r.goOn()
		case errors.As(err, &done):
			r.remember(done.Once)
			return r.goOn()
		case !shown(err):
			return err
		case errors.Is(err, workflow.ErrConflict):
			if j, lost := x.s.Service().Job(c.UserContext(), r.job.Number); lost == nil {
				r.renew(j)
				r.form.Version = j.Version
			}
		}
		r.note(err)
		return r.refuse(portal.Status(err))
	}
}

// shown reports whether an error belongs on the form: a refusal that staff can do something about.
func shown(err error) bool {
	switch workflow.CodeOf(err) {
	case workflow.CodeInvalid, workflow.CodeRefused, workflow.CodeConflict, workflow.CodeGone:
		return true
	}
	var s *portal.StatusError
	return errors.As(err, &s) && s.Status < 500
}

// note puts an error's sentences onto the form, beside the field that it is about.
func (r *request) note(err error) {
	field := portal.FieldOf(err)
	if to, ok := r.task.fields[field]; ok {
		field = to
	}
	missing := portal.Missing(err)
	if len(missing) == 0 {
		missing = []string{portal.Sentence(err)}
	}
	for _, m := range missing {
		r.form.Add(field, m)
	}
}

// refuse shows the form again with everything that was typed. Photos that came with it are kept.
func (r *request) refuse(status int) error {
	if err := r.keepPhotos(); err != nil {
		return err
	}
	r.refused = true
	return r.render(status)
}

// onward keeps where the step leads and what is said there, for a repeat of it.
func (r *request) onward(*workflow.Job) []byte {
	b, _ := json.Marshal([2]string{r.said, r.then}) // strings always encode
	return b
}

func (r *request) remember(done workflow.Once) {
	var kept [2]string
	if json.Unmarshal(done.Result, &kept) == nil {
		r.said, r.then = kept[0], kept[1]
	}
}

// before reports whether this very form was sent and done already: then it goes on as the first time.
func (r *request) before() (bool, error) {
	done, err := r.x.s.Service().Done(r.c.UserContext(), r.once("").Key)
	if errors.Is(err, workflow.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	r.remember(done)
	return true, nil
}

// goOn redirects to where the step leads.
func (r *request) goOn() error {
	said, then := r.task.said, r.task.then
	if r.said != "" {
		said = r.said
	}
	if r.then != "" {
		then = r.then
	}
	if said != "" {
		r.x.s.Flash(r.c, said)
	}
	to := "/counter/job/" + string(r.job.Number)
	if then != "" {
		to += "/" + then
	}
	return r.x.s.Back(r.c, to)
}

// onceFor is how long a sent form is remembered.
const onceFor = 24 * time.Hour

// once names the step: the form's own key with what was typed. The same form sent twice is one step; one
// that was changed and sent again is another.
func (r *request) once(part string) *workflow.Once { return r.x.once(r.c, r.form, r.photos, part) }

func (x *counter) once(c *fiber.Ctx, f *form, photos []workflow.Photo, part string) *workflow.Once {
	h := sha256.New()
	keys := make([]string, 0, len(f.Values))
	for k := range f.Values {
		if k != "csrf" && k != "v" && k != "passcode" { // a digest of few digits would tell them
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	for _, k := range keys {
		fmt.Fprintf(h, "%q%q", k, f.Values[k])
	}
	for _, p := range photos {
		fmt.Fprintf(h, "%q", p.Original)
	}
	sum := hex.EncodeToString(h.Sum(nil))
	return &workflow.Once{
		Key:    "counter\x00" + x.s.Actor(c).ID + "\x00" + c.Path() + "\x00" + f.Once + "\x00" + part + sum[:32],
		Digest: sum, Until: x.s.Now().Add(onceFor),
	}
}

// firstLine returns the first line of a text, cut to n characters.
func firstLine(s string, n int) string {
	s, _, _ = strings.Cut(strings.TrimSpace(s), "\n")
	s = strings.TrimSpace(s)
	if r := []rune(s); len(r) > n {
		s = strings.TrimSpace(string(r[:n-1])) + "…"
	}
	return s
}

// errShowAgain asks for the form to be shown as it stands, without a refusal.
var errShowAgain = errors.New("show the form again")
