// Package api is the JSON interface under /api/v1: every action of the counter, for a shop's own
// programs.
//
// An action is one of the domain's commands, in the domain's own words: POST
// /api/v1/jobs/{number}/{action} with the command's fields as JSON. Callers carry a bearer token,
// which has a role as a person has. Errors are RFC 9457 problem documents. A POST with an
// Idempotency-Key is done once: a repeat gets the first answer, the same key with another body is
// refused. If-Match with a job's version (its ETag) refuses to act on a job that has changed since.
// The document at /api/v1/openapi.json is made from the same list as the routes ([action.List]), and the tests
// hold every request and answer to it.
package api

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/portal"
	"benchword/portal/action"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// request is a body that is not a command as it stands, because part of it is worked out here.
type request interface {
	command(a *api, c *fiber.Ctx, n workflow.JobNumber) (workflow.Command, error)
}

// requests are the actions that take one.
var requests = map[string]request{
	"photo-description": &PhotoDescription{}, "symptom": &Symptom{}, "quote": &Quote{}, "decision": &Answer{}, "delay-choice": &DelayChoice{},
}

// routes are the actions whose routes and operations are made from the list.
var routes = slices.DeleteFunc(slices.Clone(action.List), func(x action.Action) bool { return x.Name == "" })

// bodyOf returns an empty body of an action: its command, or a [request] for one.
func bodyOf(x action.Action) any {
	var v any = x.Command
	if r, ok := requests[x.Name]; ok {
		v = r
	}
	return reflect.New(reflect.Indirect(reflect.ValueOf(v)).Type()).Interface()
}

// onceFor is how long an Idempotency-Key is remembered.
const onceFor = 48 * time.Hour

type api struct{ s *portal.Server }

// Mount adds the interface to the portal.
func Mount(s *portal.Server) {
	a := &api{s}
	g := s.App().Group("/api/v1", func(c *fiber.Ctx) error {
		c.Set(fiber.HeaderCacheControl, "no-store")
		return c.Next()
	})
	g.Get("/openapi.json", a.document)
	g.Get("/problems", a.problems)
	need := s.Need()
	g.Get("/jobs", need, a.list)
	g.Post("/jobs", need, a.book)
	g.Get("/jobs/:number", need, a.show)
	g.Get("/jobs/:number/events", need, a.events)
	g.Get("/jobs/:number/notices", need, a.notices)
	g.Post("/jobs/:number/photos", need, a.photo)
	for _, x := range routes {
		g.Post("/jobs/:number/"+x.Name, need, a.act(x))
	}
}

func (a *api) number(c *fiber.Ctx) (workflow.JobNumber, error) {
	n, err := workflow.ParseJobNumber(c.Params("number"))
	if err != nil {
		return "", &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no job with this number.", Err: err}
	}
	return n, nil
}

// read decodes a JSON body strictly: an unknown field is a mistake that should be seen.
func read(c *fiber.Ctx, into any) error {
	if t, _, _ := strings.Cut(c.Get(fiber.HeaderContentType), ";"); strings.TrimSpace(strings.ToLower(t)) != "application/json" {
		return &portal.StatusError{Status: fiber.StatusUnsupportedMediaType, Message: "Send JSON, with the header Content-Type: application/json."}
	}
	body := c.Body()
	if len(body) == 0 { // blanks alone are no JSON, and are refused as such
		body = []byte("{}")
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return unreadable(err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return &workflow.Error{Code: workflow.CodeInvalid, Message: "There is more than one JSON value in the body; send one."}
	}
	return nil
}

// kinds are the JSON kinds of value as one says them.
var kinds = map[string]string{"string": "a text", "number": "a number", "bool": "true or false", "array": "a list", "object": "an object"}

// unreadable turns a decoder's error into a sentence. Its text may name our types, so only the parts
// that are the caller's own are passed on.
func unreadable(err error) error {
	e := &workflow.Error{Code: workflow.CodeInvalid, Message: "A value in the body can't be read; the document at /api/v1/openapi.json says what each must be.", Err: err}
	var typ *json.UnmarshalTypeError
	var syn *json.SyntaxError
	var instant *time.ParseError
	switch {
	case errors.As(err, &typ):
		kind, _, _ := strings.Cut(typ.Value, " ") // "number 1.5"
		e.Field = typ.Field
		e.Message = fmt.Sprintf("The field “%s” can't be %s; the document at /api/v1/openapi.json says what it is.", typ.Field, kinds[kind])
		if typ.Field == "" {
			e.Message = fmt.Sprintf("The body must be an object in braces; it can't be %s.", kinds[kind])
		}
	case errors.As(err, &instant):
		e.Message = fmt.Sprintf("“%s” is no instant; write it like 2026-11-25T16:00:00Z.", excerpt(strings.Trim(instant.Value, `"`)))
	case errors.As(err, &syn), errors.Is(err, io.ErrUnexpectedEOF):
		e.Message = "The body is not JSON: it ends too early."
		if syn != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
			e.Message = fmt.Sprintf("The body is not JSON from byte %d on.", syn.Offset)
		}
	case strings.HasPrefix(err.Error(), "json: unknown field "):
		e.Field = excerpt(strings.Trim(strings.TrimPrefix(err.Error(), "json: unknown field "), `"`))
		e.Message = fmt.Sprintf("There is no field “%s” here; the document at /api/v1/openapi.json lists them.", e.Field)
	}
	return e
}

// excerpt keeps a caller's own words within bounds in an answer.
func excerpt(s string) string {
	if r := []rune(s); len(r) > 100 {
		return string(r[:100]) + "…"
	}
	return s
}

// once reads the Idempotency-Key. The key is the caller's own: another token's same key is another.
// What was asked is the action, the job and said.
func (a *api) once(c *fiber.Ctx, n workflow.JobNumber, said []byte) (*workflow.Once, error) {
	key := c.Get("Idempotency-Key")
	if key == "" {
		return nil, nil
	}
	if len(key) > 200 {
		return nil, &workflow.Error{Code: workflow.CodeInvalid, Message: "The Idempotency-Key is too long: at most 200 characters."}
	}
	who := a.s.Actor(c)
	sum := sha256.Sum256([]byte(c.Route().Path + "\x00" + string(n) + "\x00" + string(said)))
	return &workflow.Once{Key: "api\x00" + who.ID + "\x00" + key, Digest: hex.EncodeToString(sum[:]), Until: a.s.Now().Add(onceFor)}, nil
}

// expect reads If-Match: the version that the caller saw.
func expect(c *fiber.Ctx) (int64, error) {
	m := c.Get(fiber.HeaderIfMatch)
	if m == "" || m == "*" {
		return 0, nil
	}
	v, err := strconv.ParseInt(strings.Trim(m, `"`), 10, 64)
	if err != nil || v < 1 {
		return 0, &portal.StatusError{Status: fiber.StatusPreconditionFailed, Message: "If-Match must hold the ETag that this interface gave for the job."}
	}
	return v, nil
}

// answered is what is kept of an answer for a repeat.
type answered struct {
	Status  int                `json:"status"`
	Job     workflow.JobNumber `json:"job"`
	Version int64              `json:"version"`
	Body    json.RawMessage    `json:"body"`
}

// step is a request for one step, read and checked.
type step struct {
	job    workflow.JobNumber // "" to begin one
	status int                // of the answer
	said   []byte             // what a repeat must say again
	make   func() (workflow.Command, error)
}

// do takes a step and answers with the job, or as the first time.
func (a *api) do(c *fiber.Ctx, x step) error {
	once, err := a.once(c, x.job, x.said)
	if err != nil {
		return err
	}
	version, err := expect(c)
	if err != nil {
		return err
	}
	cmd, err := x.make()
	if err != nil {
		return err
	}
	o := workflow.Order{Job: x.job, By: a.s.Actor(c), Commands: []workflow.Command{cmd}, Expect: version, Once: once}
	var keep error
	o.Result = func(j *workflow.Job) []byte {
		var b, body []byte
		if body, keep = a.shown(j); keep == nil {
			b, keep = json.Marshal(answered{x.status, j.Number, j.Version, body})
		}
		return b
	}
	j, err := a.s.Service().Do(c.UserContext(), o)
	var done *workflow.AlreadyDone
	switch {
	case errors.As(err, &done):
		return a.replay(c, once, done.Once)
	case version != 0 && errors.Is(err, workflow.ErrConflict):
		return &portal.StatusError{Status: fiber.StatusPreconditionFailed, Message: "The job has changed since you read it. Read it again and decide anew.", Err: err}
	case err != nil:
		return err
	case keep != nil:
		return keep
	}
	return a.send(c, x.status, j)
}

// replay returns the answer that a request got the first time.
func (a *api) replay(c *fiber.Ctx, asked *workflow.Once, first workflow.Once) error {
	if first.Digest != asked.Digest {
		return &workflow.Error{Code: workflow.CodeInvalid, Message: "This Idempotency-Key was used for another request. Use a new key for a new request."}
	}
	if len(first.Result) == 0 {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "This request was done before. Its answer is gone, since the customer was erased from the job; nothing was done again."}
	}
	var kept answered
	if err := json.Unmarshal(first.Result, &kept); err != nil {
		return err
	}
	c.Set("Idempotent-Replayed", "true")
	answer(c, kept.Status, kept.Job, kept.Version)
	c.Set(fiber.HeaderContentType, fiber.MIMEApplicationJSON)
	return c.Send(kept.Body)
}

// answer sets what an answer about a job has beside its body.
func answer(c *fiber.Ctx, status int, n workflow.JobNumber, version int64) {
	c.Status(status)
	c.Set(fiber.HeaderETag, `"`+strconv.FormatInt(version, 10)+`"`)
	if status == fiber.StatusCreated {
		c.Set(fiber.HeaderLocation, "/api/v1/jobs/"+string(n))
	}
}

func (a *api) send(c *fiber.Ctx, status int, j *workflow.Job) error {
	body, err := a.shown(j)
	if err != nil {
		return err
	}
	answer(c, status, j.Number, j.Version)
	c.Set(fiber.HeaderContentType, fiber.MIMEApplicationJSON)
	return c.Send(body)
}

func (a *api) shown(j *workflow.Job) ([]byte, error) {
	body, err := json.Marshal(a.view(j))
	return j.InClear(body), err
}

func (a *api) book(c *fiber.Ctx) error {
	cmd := new(workflow.Book)
	if err := read(c, cmd); err != nil {
		return err
	}
	return a.do(c, step{status: fiber.StatusCreated, said: c.Body(), make: func() (workflow.Command, error) { return cmd, nil }})
}

func (a *api) act(x action.Action) fiber.Handler {
	return func(c *fiber.Ctx) error {
		n, err := a.number(c)
		if err != nil {
			return err
		}
		body := bodyOf(x)
		if err := read(c, body); err != nil {
			return err
		}
		return a.do(c, step{job: n, status: fiber.StatusOK, said: c.Body(), make: func() (workflow.Command, error) {
			if r, ok := body.(request); ok {
				return r.command(a, c, n)
			}
			return body.(workflow.Command), nil
		}})
	}
}

func (a *api) show(c *fiber.Ctx) error {
	n, err := a.number(c)
	if err != nil {
		return err
	}
	j, err := a.s.Service().Job(c.UserContext(), n)
	if err != nil {
		return err
	}
	return a.send(c, fiber.StatusOK, j)
}

// Row is a job as listed.
type Row struct {
	Number    workflow.JobNumber  `json:"number"`
	Stage     workflow.Stage      `json:"stage"`
	Device    string              `json:"device"`
	Person    string              `json:"person"`
	DueAt     *time.Time          `json:"due_at" jsonschema:"nullable"`
	Breached  bool                `json:"breached"`
	OnHold    workflow.HoldReason `json:"on_hold,omitempty"`
	Waiting   bool                `json:"waiting"`
	ChangedAt time.Time           `json:"changed_at"`
}

// Rows is a page of the list.
type Rows struct {
	Jobs []Row `json:"jobs"`
	// More is the address of the next page, "" at the end.
	More string `json:"more,omitempty"`
}

const pageSize = 100

func (a *api) list(c *fiber.Ctx) error {
	svc := a.s.Service()
	var rows []workflow.Row
	var err error
	out := Rows{Jobs: []Row{}}
	if q := c.Query("q"); q != "" {
		rows, err = svc.Search(c.UserContext(), q, pageSize)
	} else {
		f := workflow.BoardFilter{Stage: workflow.Stage(c.Query("stage")), Ended: c.Query("ended") == "true", Limit: pageSize + 1}
		if f.Stage != "" && !slices.Contains(workflow.Stages, f.Stage) {
			return &workflow.Error{Code: workflow.CodeInvalid, Field: "stage", Message: "There is no such stage; the document at /api/v1/openapi.json lists them."}
		}
		if after := c.Query("after"); after != "" {
			if f.After, err = readRow(after); err != nil {
				return err
			}
		}
		rows, err = svc.Board(c.UserContext(), f)
		if len(rows) > pageSize {
			rows = rows[:pageSize]
			out.More = "/api/v1/jobs?stage=" + string(f.Stage) + "&ended=" + strconv.FormatBool(f.Ended) + "&after=" + writeRow(rows[pageSize-1])
		}
	}
	if err != nil {
		return err
	}
	for _, r := range rows {
		if r.Stage == workflow.StageUnconfirmed {
			continue // no job of the shop's before its address is confirmed
		}
		if r.Stage == workflow.StageUnarrived {
			r.Stage, r.DueAt = workflow.StageShipped, time.Time{}
		}
		x := Row{Number: r.Job, Stage: r.Stage, Device: r.Title, Person: r.Person, Breached: r.Breached, OnHold: r.OnHold, Waiting: r.Waiting, ChangedAt: r.ChangedAt}
		if !r.DueAt.IsZero() {
			x.DueAt = &r.DueAt
		}
		out.Jobs = append(out.Jobs, x)
	}
	return c.JSON(out)
}

// A place in the list is what it is sorted by, so that a page goes on where the last one ended
// although jobs come and go.
func writeRow(r workflow.Row) string {
	return fmt.Sprintf("%s.%d.%d.%t", r.Job, unix(r.DueAt), unix(r.ChangedAt), r.Breached)
}

func unix(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

func readRow(s string) (*workflow.Row, error) {
	bad := &workflow.Error{Code: workflow.CodeInvalid, Field: "after", Message: "“after” must come from the “more” of an earlier answer."}
	p := strings.Split(s, ".")
	if len(p) != 4 {
		return nil, bad
	}
	due, err1 := strconv.ParseInt(p[1], 10, 64)
	changed, err2 := strconv.ParseInt(p[2], 10, 64)
	breached, err3 := strconv.ParseBool(p[3])
	if err1 != nil || err2 != nil || err3 != nil {
		return nil, bad
	}
	r := &workflow.Row{Job: workflow.JobNumber(p[0])}
	r.Breached = breached
	if due != 0 {
		r.DueAt = time.UnixMilli(due).UTC()
	}
	if changed != 0 {
		r.ChangedAt = time.UnixMilli(changed).UTC()
	}
	return r, nil
}

func (a *api) events(c *fiber.Ctx) error {
	n, err := a.number(c)
	if err != nil {
		return err
	}
	after, err := strconv.ParseInt(c.Query("after", "0"), 10, 64)
	if err != nil || after < 0 {
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "after", Message: "“after” must be a sequence number."}
	}
	if _, err := a.s.Service().Version(c.UserContext(), n); err != nil {
		return err
	}
	events, err := a.s.Service().Events(c.UserContext(), n, after)
	if err != nil {
		return err
	}
	out := Events{Events: []json.RawMessage{}}
	for _, e := range events {
		line, err := e.Canonical()
		if err != nil {
			return err
		}
		out.Events = append(out.Events, line)
	}
	return c.JSON(out)
}

// Events is a job's history as it is hashed: canonical JSON, personal data as digests.
type Events struct {
	Events []json.RawMessage `json:"events"`
}

// Notices is the fate of a job's notices.
type Notices struct {
	Notices []workflow.Entry `json:"notices"`
}

func (a *api) notices(c *fiber.Ctx) error {
	n, err := a.number(c)
	if err != nil {
		return err
	}
	if _, err := a.s.Service().Version(c.UserContext(), n); err != nil {
		return err
	}
	entries, err := a.s.Service().Entries(c.UserContext(), n)
	if err != nil {
		return err
	}
	entries = slices.DeleteFunc(entries, func(e workflow.Entry) bool { return e.Channel == workflow.Effects }) // told to nobody
	if entries == nil {
		entries = []workflow.Entry{}
	}
	return c.JSON(Notices{entries})
}

// photo takes one picture as multipart form data.
func (a *api) photo(c *fiber.Ctx) error {
	n, err := a.number(c)
	if err != nil {
		return err
	}
	photos, err := a.s.ReadPhotos(c, "photo")
	if err != nil {
		return err
	}
	if len(photos) != 1 {
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "photo", Message: "Send one picture in the part “photo”."}
	}
	p := photos[0]
	p.Kind, p.Caption, p.Alt = workflow.PhotoKind(c.FormValue("kind")), workflow.Plain(c.FormValue("caption")), workflow.Plain(c.FormValue("alt"))
	// Not the body as it came: between two parts stands another line each time.
	said := fmt.Appendf(nil, "%q", []string{p.Original, string(p.Kind), p.Caption.Text, p.Alt.Text})
	return a.do(c, step{job: n, status: fiber.StatusOK, said: said, make: func() (workflow.Command, error) {
		return &workflow.AddPhoto{Photo: p}, nil
	}})
}

// typeName names a command's schema in the document.
func typeName(v any) string { return reflect.TypeOf(v).Elem().Name() }
