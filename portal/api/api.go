// Package api is the JSON interface under /api/v1: every action of the counter, for a shop's own
// programs.
//
// An action is one of the domain's commands, in the domain's own words: POST
// /api/v1/jobs/{number}/{action} with the command's fields as JSON. Callers carry a bearer token,
// which has a role as a person has. Errors are RFC 9457 problem documents. A POST with an
// Idempotency-Key is done once: a repeat gets the first answer, the same key with another body is
// refused. If-Match with a job's version (its ETag) refuses to act on a job that has changed since.
// The document at /api/v1/openapi.json is made from the same table that the routes are, and the tests
// hold every request and answer to it.
package api

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strconv"
	"strings"
	"time"

	"benchword/portal"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// action is one thing that can be done to a job.
type action struct {
	Name    string // the last part of the address
	Summary string
	make    func() any // a command, or a [request] for one
}

// request is a body that is not a command as it stands, because the domain works part of it out.
type request interface{ command() workflow.Command }

// actions is the table that routes and document are made from.
var actions = []action{
	{"contents", "List what was in the parcel, with the serial number.", func() any { return new(workflow.ListContents) }},
	{"screening", "Answer the safety screening.", func() any { return new(workflow.AnswerScreening) }},
	{"condition", "Note the condition on arrival.", func() any { return new(workflow.NoteCondition) }},
	{"fault", "Say whether the customer's fault was reproduced.", func() any { return new(workflow.TryFault) }},
	{"photo-description", "Change a photo's kind, caption, description or marks.", func() any { return new(workflow.DescribePhoto) }},
	{"photo-removal", "Take a photo off the pages.", func() any { return new(workflow.RemovePhoto) }},
	{"suspects", "Name a candidate cause of the fault.", func() any { return new(workflow.NameSuspect) }},
	{"checks", "Record a check of a suspect.", func() any { return new(workflow.DoCheck) }},
	{"findings", "Note a finding, or correct one.", func() any { return new(workflow.NoteFinding) }},
	{"finding-withdrawal", "Take a finding back.", func() any { return new(workflow.WithdrawFinding) }},
	{"duties", "Raise a duty.", func() any { return new(workflow.RaiseDuty) }},
	{"duty-done", "Settle a duty.", func() any { return new(workflow.DoDuty) }},
	{"duty-waiver", "Waive a duty, with a reason that the customer will read.", func() any { return new(workflow.WaiveDuty) }},
	{"report", "Send a findings report.", func() any { return new(workflow.SendReport) }},
	{"quote", "Issue the next revision of the quote.", func() any { return new(Quote) }},
	{"quote-withdrawal", "Take the open quote back.", func() any { return new(workflow.WithdrawQuote) }},
	{"decision", "Write down a decision that the customer gave by telephone.", func() any { return new(workflow.Decide) }},
	{"payments", "Record money that came in, or went back.", func() any { return new(workflow.RecordPayment) }},
	{"hold", "Place a hold.", func() any { return new(workflow.PlaceHold) }},
	{"hold-end", "Lift the hold.", func() any { return new(workflow.LiftHold) }},
	{"promise", "Tell the customer a new date, with its reason.", func() any { return new(workflow.MovePromise) }},
	{"work", "Record what was done.", func() any { return new(workflow.DoWork) }},
	{"tests", "Record one run of a test.", func() any { return new(workflow.DoTest) }},
	{"ready", "Tell the customer that it is done and tested.", func() any { return new(workflow.DeclareReady) }},
	{"packing", "Account for the contents.", func() any { return new(workflow.Pack) }},
	{"shipment", "Write down the parcel number, or that it is handed over.", func() any { return new(workflow.PrepareShipment) }},
	{"move", "Move the job along a row of the table.", func() any { return new(workflow.Go) }},
	{"messages", "Write to the customer.", func() any { return new(workflow.SendMessage) }},
	{"customer", "Correct how the customer is reached, and the limit agreed to.", func() any { return new(workflow.ChangeCustomer) }},
	{"link", "Mail the customer the link again.", func() any { return new(workflow.AskLink) }},
	{"link-revocation", "End every look link and make a new one.", func() any { return new(workflow.RevokeLinks) }},
	{"erasure", "Erase the person (owner).", func() any { return new(workflow.ErasePerson) }},
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
	need := s.Need()
	g.Get("/jobs", need, a.list)
	g.Post("/jobs", need, a.book)
	g.Get("/jobs/:number", need, a.show)
	g.Get("/jobs/:number/events", need, a.events)
	g.Get("/jobs/:number/notices", need, a.notices)
	g.Post("/jobs/:number/photos", need, a.photo)
	for _, x := range actions {
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
	if len(bytes.TrimSpace(body)) == 0 {
		body = []byte("{}")
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return unreadable(err)
	}
	if d.More() {
		return &workflow.Error{Code: workflow.CodeInvalid, Message: "There is more than one JSON value in the body; send one."}
	}
	return nil
}

// unreadable turns a decoder's error into a sentence. Its text may name our types, so only the parts
// that are the caller's own are passed on.
func unreadable(err error) error {
	e := &workflow.Error{Code: workflow.CodeInvalid, Message: "The body is not readable JSON.", Err: err}
	var typ *json.UnmarshalTypeError
	var syn *json.SyntaxError
	switch {
	case errors.As(err, &typ):
		e.Field = typ.Field
		e.Message = fmt.Sprintf("The field “%s” can't be a %s.", typ.Field, typ.Value)
	case errors.As(err, &syn):
		e.Message = fmt.Sprintf("The body is not JSON from byte %d on.", syn.Offset)
	case strings.HasPrefix(err.Error(), "json: unknown field "):
		e.Field = strings.Trim(strings.TrimPrefix(err.Error(), "json: unknown field "), `"`)
		e.Message = fmt.Sprintf("There is no field “%s” here; the document at /api/v1/openapi.json lists them.", e.Field)
	default:
		e.Message = "A value in the body can't be read: " + err.Error()
	}
	return e
}

// once reads the Idempotency-Key. The key is the caller's own: another token's same key is another.
func (a *api) once(c *fiber.Ctx) (*workflow.Once, error) {
	key := c.Get("Idempotency-Key")
	if key == "" {
		return nil, nil
	}
	if len(key) > 200 {
		return nil, &workflow.Error{Code: workflow.CodeInvalid, Message: "The Idempotency-Key is too long: at most 200 characters."}
	}
	who := a.s.Actor(c)
	sum := sha256.Sum256([]byte(c.Path() + "\x00" + string(c.Body())))
	return &workflow.Once{Key: "api\x00" + who.ID + "\x00" + key, Digest: hex.EncodeToString(sum[:]), Until: a.s.Now().Add(onceFor)}, nil
}

// expect reads If-Match: the version that the caller saw.
func expect(c *fiber.Ctx) (int64, error) {
	m := c.Get(fiber.HeaderIfMatch)
	if m == "" || m == "*" {
		return 0, nil
	}
	v, err := strconv.ParseInt(strings.Trim(strings.TrimPrefix(m, "W/"), `"`), 10, 64)
	if err != nil || v < 1 {
		return 0, &portal.StatusError{Status: fiber.StatusPreconditionFailed, Message: "If-Match must hold the ETag that this interface gave for the job."}
	}
	return v, nil
}

// answered is what is kept of an answer for a repeat.
type answered struct {
	Status int             `json:"status"`
	Body   json.RawMessage `json:"body"`
}

// do takes a step and answers with the job, or as the first time.
func (a *api) do(c *fiber.Ctx, n workflow.JobNumber, status int, cmd workflow.Command) error {
	once, err := a.once(c)
	if err != nil {
		return err
	}
	version, err := expect(c)
	if err != nil {
		return err
	}
	var kept []byte
	j, err := a.s.Service().Do(c.Context(), workflow.Order{
		Job: n, By: a.s.Actor(c), Commands: []workflow.Command{cmd}, Expect: version, Once: once,
		Result: func(j *workflow.Job) []byte {
			body, err := json.Marshal(a.view(j))
			if err != nil {
				return nil
			}
			kept, _ = json.Marshal(answered{status, body})
			return kept
		},
	})
	var done *workflow.AlreadyDone
	if errors.As(err, &done) {
		if done.Once.Digest != once.Digest {
			return &workflow.Error{Code: workflow.CodeInvalid, Message: "This Idempotency-Key was used for another request. Use a new key for a new request."}
		}
		var first answered
		if err := json.Unmarshal(done.Once.Result, &first); err != nil {
			return err
		}
		c.Set("Idempotent-Replayed", "true")
		c.Set(fiber.HeaderContentType, fiber.MIMEApplicationJSON)
		return c.Status(first.Status).Send(first.Body)
	}
	if version != 0 && errors.Is(err, workflow.ErrConflict) {
		return &portal.StatusError{Status: fiber.StatusPreconditionFailed, Message: "The job has changed since you read it. Read it again and decide anew.", Err: err}
	}
	if err != nil {
		return err
	}
	if status == fiber.StatusCreated {
		c.Set(fiber.HeaderLocation, "/api/v1/jobs/"+string(j.Number))
	}
	return a.send(c.Status(status), j)
}

func (a *api) send(c *fiber.Ctx, j *workflow.Job) error {
	c.Set(fiber.HeaderETag, `"`+strconv.FormatInt(j.Version, 10)+`"`)
	return c.JSON(a.view(j))
}

func (a *api) book(c *fiber.Ctx) error {
	cmd := new(workflow.Book)
	if err := read(c, cmd); err != nil {
		return err
	}
	return a.do(c, "", fiber.StatusCreated, cmd)
}

func (a *api) act(x action) fiber.Handler {
	return func(c *fiber.Ctx) error {
		n, err := a.number(c)
		if err != nil {
			return err
		}
		body := x.make()
		if err := read(c, body); err != nil {
			return err
		}
		cmd, ok := body.(workflow.Command)
		if !ok {
			cmd = body.(request).command()
		}
		if d, ok := cmd.(*workflow.Decide); ok {
			// Evidence of a decision by telephone: who wrote it down.
			d.Address, d.Agent = "", strings.TrimSpace("written down by "+a.s.Actor(c).ID+". "+d.Agent)
		}
		if p, ok := cmd.(*workflow.DescribePhoto); ok {
			return a.describePhoto(c, n, p)
		}
		return a.do(c, n, fiber.StatusOK, cmd)
	}
}

// describePhoto changes what is said about, or drawn on, a picture; a new blur makes new copies.
func (a *api) describePhoto(c *fiber.Ctx, n workflow.JobNumber, cmd *workflow.DescribePhoto) error {
	before, err := a.s.Service().Job(c.Context(), n)
	if err != nil {
		return err
	}
	if err := a.s.Redraw(c.Context(), before, cmd); err != nil {
		return err
	}
	if err := a.do(c, n, fiber.StatusOK, cmd); err != nil {
		return err
	}
	after, err := a.s.Service().Job(c.Context(), n)
	if err != nil {
		return err
	}
	return a.s.DiscardOld(c.Context(), before, after)
}

func (a *api) show(c *fiber.Ctx) error {
	n, err := a.number(c)
	if err != nil {
		return err
	}
	j, err := a.s.Service().Job(c.Context(), n)
	if err != nil {
		return err
	}
	return a.send(c, j)
}

// Row is a job as listed.
type Row struct {
	Number    workflow.JobNumber  `json:"number"`
	Stage     workflow.Stage      `json:"stage"`
	Device    string              `json:"device"`
	Person    string              `json:"person"`
	DueAt     *time.Time          `json:"due_at"`
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
	store, shop := a.s.Service().Store, a.s.Shop().ID
	var rows []workflow.Row
	var err error
	out := Rows{Jobs: []Row{}}
	if q := c.Query("q"); q != "" {
		rows, err = store.Search(c.Context(), shop, q, pageSize)
	} else {
		f := workflow.BoardFilter{Stage: workflow.Stage(c.Query("stage")), Ended: c.Query("ended") == "true", Limit: pageSize + 1}
		if after := c.Query("after"); after != "" {
			if f.After, err = readRow(after); err != nil {
				return err
			}
		}
		rows, err = store.Board(c.Context(), shop, f)
		if len(rows) > pageSize {
			rows = rows[:pageSize]
			out.More = "/api/v1/jobs?stage=" + string(f.Stage) + "&ended=" + strconv.FormatBool(f.Ended) + "&after=" + writeRow(rows[pageSize-1])
		}
	}
	if err != nil {
		return err
	}
	for _, r := range rows {
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
	if _, err := a.s.Service().Store.Version(c.Context(), a.s.Shop().ID, n); err != nil {
		return err
	}
	events, err := a.s.Service().Store.Events(c.Context(), a.s.Shop().ID, n, after)
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
	entries, err := a.s.Service().Store.Entries(c.Context(), a.s.Shop().ID, n)
	if err != nil {
		return err
	}
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
	p.Kind, p.Caption, p.Alt = workflow.PhotoKind(c.FormValue("kind")), c.FormValue("caption"), c.FormValue("alt")
	return a.do(c, n, fiber.StatusOK, &workflow.AddPhoto{Photo: p})
}

// typeName names a command's schema in the document.
func typeName(v any) string { return reflect.TypeOf(v).Elem().Name() }
