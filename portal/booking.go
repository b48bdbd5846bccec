package portal

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"
	"benchword/workflow/money"

	"github.com/gofiber/fiber/v2"
)

// bookQuestions are the short questions of the booking form.
//
// Decisions:
//
//   - 2026-11-30: what is answered stands below the fault, question and answer, in the customer's own words: sealed,
//     erased and shown with them. Rejected: fields of their own, which each page, email and file would have to learn.
//   - 2026-11-30: a battery that may be damaged ends the booking: nobody gets an address to post it to.
var bookQuestions = []string{"happened", "supply", "with", "data", "unlock", "open", "insurer", "parts", "value"}

func (s *Server) bookForm(c *fiber.Ctx) *templates.BookForm {
	shop := s.Shop()
	v := &templates.BookForm{Page: s.publicPage(c, "base.book"), Currency: string(shop.Currency), Days: shop.UsualDays()}
	for _, a := range []workflow.Answer{workflow.No, workflow.Yes, workflow.Unknown} {
		v.Cells = append(v.Cells, templates.BookQuestion{Name: string(a), Value: v.T("book.cell." + string(a))})
	}
	for _, name := range bookQuestions {
		v.Asked = append(v.Asked, templates.BookQuestion{Name: name})
	}
	if shop.Fee != nil && shop.Fee.Minor > 0 {
		v.Fee = v.T("book.fee", v.Words().Money(*shop.Fee))
		if shop.FeeCredited {
			v.Fee = v.T("book.fee.credited", v.Words().Money(*shop.Fee))
		}
	}
	v.Language = v.Lang
	if v.Levels = templates.LevelChoices(shop, v.Words()); len(v.Levels) > 0 {
		v.Level, v.Days = v.Levels[0].Key, 0
	}
	v.Languages = templates.LanguagesOf(v.Catalogue, shop)
	return v
}

func (s *Server) showBook(c *fiber.Ctx) error {
	return s.Render(c, fiber.StatusOK, s.bookForm(c))
}

func (s *Server) postBook(c *fiber.Ctx) error {
	v := s.bookForm(c)
	var all []string
	for _, f := range []struct {
		name string
		to   *string
	}{
		{"kind", &v.Kind}, {"maker", &v.Maker}, {"model", &v.Model}, {"fault", &v.Fault}, {"inbound", &v.Inbound}, {"limit", &v.Limit},
		{"name", &v.Name}, {"email", &v.Email}, {"phone", &v.Phone}, {"address", &v.Address}, {"time_zone", &v.TimeZone},
	} {
		*f.to = strings.TrimSpace(c.FormValue(f.name))
		all = append(all, *f.to)
	}
	if l := c.FormValue("language"); l != "" {
		v.Language = l
	}
	if l := c.FormValue("level"); l != "" {
		v.Level = l
	}
	all = append(all, v.Level)
	told := v.Fault
	if v.Cell = c.FormValue("cell"); !slices.ContainsFunc(v.Cells, func(a templates.BookQuestion) bool { return a.Name == v.Cell }) {
		v.Cell = ""
	}
	for i := range v.Asked {
		q := &v.Asked[i]
		if q.Value = strings.TrimSpace(c.FormValue(q.Name)); q.Value != "" {
			told += "\n\n" + v.T("book.ask."+q.Name) + "\n" + q.Value
			all = append(all, q.Name, q.Value)
		}
	}
	if _, err := calendar.LoadLocation(v.TimeZone); err != nil || v.TimeZone == "Local" {
		v.TimeZone = "" // the browser's own word on it; nobody typed it
	}
	need := func(ok bool, field, key string) {
		if !ok {
			v.Errors = append(v.Errors, templates.FieldError{Field: field, Message: v.T(key)})
		}
	}
	need(v.Cell != "", "cell", "book.error.cell")
	need(v.Cell == "" || v.Cell == string(workflow.No), "cell", "book.error.stop")
	need(v.Kind != "", "kind", "book.error.kind")
	need(v.Fault != "", "fault", "book.error.fault")
	need(v.Name != "", "name", "book.error.name")
	need(v.Email != "" || v.Phone != "", "email", "book.error.email")
	limit, err := typedAmount(v.Limit, s.Shop().Currency)
	need(err == nil, "limit", "book.error.limit")
	if len(v.Errors) > 0 {
		v.Title = v.T("form.titled", v.Title)
		return s.Render(c, fiber.StatusUnprocessableEntity, v)
	}
	o := workflow.Order{
		By: workflow.Actor{Role: workflow.RoleCustomer, ID: "booking"},
		Commands: []workflow.Command{workflow.Book{
			Person: workflow.Person{Name: v.Name, Email: v.Email, Phone: v.Phone, Address: v.Address, Language: v.Language, TimeZone: v.TimeZone},
			Kind:   v.Kind, Maker: v.Maker, Model: v.Model, Fault: told, Inbound: v.Inbound, Limit: limit, Level: v.Level,
		}},
		Once:   s.once(append(all, "book")...),
		Result: func(j *workflow.Job) []byte { return []byte(j.Number) },
	}
	switch many, err := s.tooManyBookings(c.UserContext(), &o, v.Email); {
	case err != nil && workflow.CodeOf(err) != workflow.CodeInvalid && workflow.CodeOf(err) != workflow.CodeRefused:
		return err
	case many:
		v.Errors = []templates.FieldError{{Message: v.T("book.error.many")}}
		v.Title = v.T("form.titled", v.Title)
		c.Set(fiber.HeaderRetryAfter, strconv.Itoa(int(bookedWithin.Seconds())))
		return s.Render(c, fiber.StatusTooManyRequests, v)
	}
	j, err := s.cfg.Service.Do(c.UserContext(), o)
	var again *workflow.AlreadyDone
	if errors.As(err, &again) {
		j, err = s.cfg.Service.Job(c.UserContext(), workflow.JobNumber(again.Once.Result))
	}
	if code := workflow.CodeOf(err); code == workflow.CodeInvalid || code == workflow.CodeRefused {
		v.Errors = []templates.FieldError{{Field: FieldOf(err), Message: say(v.Words(), err)}}
		v.Title = v.T("form.titled", v.Title)
		return s.Render(c, Status(err), v)
	}
	if err != nil {
		return err
	}
	g := j.Link(link.Own, s.Now())
	if g == nil { // the same form again, after the link was taken back
		return s.Back(c, "/find")
	}
	token, err := s.cfg.Service.Token(j, g)
	if err != nil {
		return err
	}
	return s.Back(c, "/j/"+token+"/booked")
}

// bookedWithin is how long a booking counts towards the limits.
const bookedWithin = time.Hour

// tooManyBookings counts a booking that could be taken, by its email address, by that one's domain, and in all. A form
// that has been taken already is no new one. The owner is told when there are too many in all: addresses are not kept.
func (s *Server) tooManyBookings(ctx context.Context, o *workflow.Order, email string) (bool, error) {
	svc, most := s.cfg.Service, s.Shop().BookLimits
	if done, err := svc.Done(ctx, o.Once.Key); err == nil && s.Now().Before(done.Until) {
		return false, nil
	} else if err != nil && !errors.Is(err, workflow.ErrNotFound) {
		return false, err
	}
	if _, err := svc.Try(ctx, *o); err != nil {
		return false, err // it says so to whoever typed it, and counts for nothing
	}
	count := func(what, of string, most int) (n int64, over bool, err error) {
		if most == 0 || of == "" {
			return 0, false, nil
		}
		n, err = svc.Bucket("booked").Count(ctx, s.sign("booked", what, of), bookedWithin)
		return n, n > int64(most), err
	}
	if _, over, err := count("address", strings.ToLower(email), most.Address); over || err != nil {
		return over, err
	}
	if _, over, err := count("domain", workflow.EmailDomain(email), most.Domain); over || err != nil {
		return over, err
	}
	n, over, err := count("all", "all", most.All)
	if over && n == int64(most.All)+1 {
		s.cfg.Log.Warn("bookings on the web are refused: as many came in as an hour may bring", "most", most.All)
		err = errors.Join(err, svc.Bucket(bucketAlerts).Put(ctx, alertBookings, nil, s.Now().Add(alertFor)))
	}
	return over, err
}

// typedAmount reads an amount as people type it ("120", "120.5", "120,00") into the exact form.
func typedAmount(s string, cur money.Currency) (string, error) {
	if s == "" {
		return "", nil
	}
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
	}
	d, err := money.ParseDecimal(s)
	if err != nil {
		return "", err
	}
	a, err := money.Exact(d, cur)
	if err != nil {
		return "", err
	}
	if a.Minor < 0 {
		return "", errors.New("below zero")
	}
	return a.Plain(), nil
}

// showBooked confirms a booking. Once the parcel is here the tracking page says more.
func (s *Server) showBooked(c *fiber.Ctx) error {
	token, _, j, err := s.openedJob(c)
	if err != nil {
		return err
	}
	track := "/j/" + token
	if j.Stage != workflow.StageBooked {
		return s.Back(c, track)
	}
	page := s.jobPage(c, j, "")
	page.Title = page.T("booked.title")
	if j.Unconfirmed() {
		page.Title = page.T("booked.confirm.title")
	}
	status := templates.StatusOf(j, s.Shop(), s.Now(), page.Words())
	return s.Render(c, fiber.StatusOK, &templates.Booked{
		Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Fault: j.Fault.Text,
		Track: track, TrackFull: s.Shop().BaseURL + track, Mailed: j.Customer.Email.Text != "", Confirms: j.Unconfirmed(),
		When: status.When, WhenMore: status.WhenMore,
	})
}
