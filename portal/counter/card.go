package counter

import (
	"html/template"
	"slices"
	"time"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// jobCard is the head of every page about one job: what it is, whose, where it stands.
type jobCard struct {
	Job    workflow.JobNumber
	Number string
	// URL is the job's page.
	URL     string
	Version int64
	Device  string
	Serial  string
	Person  string
	Email   string
	Phone   string
	PhoneTo template.URL
	Address []string
	// Language is the customer's, where it is not the shop's first; TimeZone where it is known.
	Language, TimeZone string
	// Fault is the fault in the customer's own words.
	Fault      string
	Stage      workflow.Stage
	StageWords string
	// Since says since when the job has been in its stage.
	Since   string
	Outcome string
	// Urgency is the part of the board that the job belongs to; Promise says how it stands, in words.
	Urgency, Promise string
	// Hold says what the job is on hold for, with the note, "" if it is not.
	Hold string
	// Level is the level of service, "" where the shop has none.
	Level string
	Limit string
	// Company stands on the papers; Return, Insured and Data are what the customer wants done, "" where they have not said.
	Company, Return, Insured, Data string
	Follows                        string
	Inbound                        string
	Ended                          bool
	Erased                         bool
	FollowTo                       string
}

// jobBase is what all pages about one job have in common.
type jobBase struct {
	templates.Page
	Card jobCard
	Form *form
	// Counter says that the reader's role includes what reaches the customer.
	Counter bool
	// Instruments are the names on the shop's list.
	Instruments []string
}

// To returns an address below the job's page.
func (p jobBase) To(rest string) string { return p.Card.URL + "/" + rest }

// jobBaseOf makes the common part of a page about a job.
func jobBaseOf(page templates.Page, j *workflow.Job, shop *workflow.Shop, now time.Time) jobBase {
	k, at := newClock(shop, now), j.Standing(shop, now)
	c := jobCard{
		Job: j.Number, Number: j.Number.Shown(), URL: "/counter/job/" + string(j.Number), Version: j.Version,
		Device: j.Device.Name(), Serial: j.Device.Serial.Text, Person: j.Customer.Name.Text, Email: j.Customer.Email.Text,
		Phone: j.Customer.Phone.Text, PhoneTo: templates.ShopView{Phone: j.Customer.Phone.Text}.PhoneURL(),
		Address: templates.Lines(j.Customer.Address.Text), TimeZone: j.Customer.TimeZone, Fault: j.Fault.Text, Stage: j.Stage,
		StageWords: placeWords(j, at), Since: k.at(j.StageSince), Outcome: outcomeWords[j.Outcome], Inbound: j.Inbound.Text,
		Ended: j.Ended(), Erased: !j.Erased.IsZero(),
	}
	if c.Person == "" {
		c.Person = "person erased"
	}
	if l := j.Customer.Language; len(shop.Languages) > 0 && l != shop.Languages[0] {
		if c.Language = languageWords[l]; c.Language == "" {
			c.Language = l
		}
	}
	if j.Level != nil {
		c.Level = j.Level.Name
	}
	if j.Limit != nil {
		c.Limit = k.w.Money(*j.Limit)
	}
	if c.Company, c.Return, c.Data = j.Customer.Company.Text, returnWords[j.Wishes.Return], dataWords[j.Wishes.Data]; j.Wishes.Insured != nil {
		c.Insured = k.w.Money(*j.Wishes.Insured)
	}
	if j.Follows != "" {
		c.Follows, c.FollowTo = j.Follows.Shown(), "/counter/job/"+string(j.Follows)
	}
	if h := at.Waiting; h != nil {
		c.Hold = "On hold for " + holdWords[h.Reason] + " since " + k.day(h.From) + "."
		if h.Note.Text != "" {
			c.Hold += " " + h.Note.Text
		}
	}
	c.Urgency, c.Promise = k.standing(j, at)
	c.Promise = locale.Capital(c.Promise) + "."
	p := jobBase{Page: page, Card: c}
	for _, i := range shop.Instruments {
		p.Instruments = append(p.Instruments, i.Name)
	}
	if s := page.Staff; s != nil {
		p.Counter = slices.Contains(counterUp, s.Role)
	}
	return p
}

// placeWords says where a job is: its stage, unless it waits for the bench to begin.
func placeWords(j *workflow.Job, at workflow.Standing) string {
	switch at.Where {
	case workflow.WhereQueued, workflow.WhereWithin, workflow.WhereReturning:
		return "In the queue"
	}
	return stageWords[j.Stage]
}

// standing says how a job stands to its date, and which group of the board that is. The date is the customer's; the
// clock's instant is said beside it where that is another day.
func (k clockOf) standing(j *workflow.Job, at workflow.Standing) (group, words string) {
	d := at.Date
	if j.Ended() {
		words = "ended " + k.at(j.EndedAt)
		switch p := j.Promise(); {
		case d.Missed, p != nil && !p.BreachedAt.IsZero():
			words += ", after the promised date"
		case p != nil:
			words += ", within the promise"
		}
		return "ended", words
	}
	switch d.Kind {
	case workflow.DateBooked:
		return "open", "not here yet"
	case workflow.DateNone:
		if at.Where == workflow.WhereBooked {
			return "open", "not here yet"
		}
		return "stopped", "no date is promised yet"
	case workflow.DateClosed:
		return "stopped", "it won’t be sent back"
	case workflow.DateReady:
		return "stopped", "ready to collect since " + k.day(d.At)
	case workflow.DateLate, workflow.DateReturning:
		over := k.worked(d.Due, k.now)
		if _, runs := j.Due(k.shop); !runs {
			return "over", "date missed; waiting"
		} else if over >= manyHours {
			return "over", "over since " + k.day(d.Due)
		}
		return "over", span(over) + " over"
	case workflow.DatePaused:
		words = "waiting"
		if left, ok := j.Turnaround(k.shop, j.Promise()).Remaining(k.now); ok {
			words += "; " + span(left) + " are left"
		}
		if !d.At.IsZero() {
			words += "; the customer’s date: " + k.day(d.At) + ", if it goes on by " + k.day(d.If)
		}
		return "stopped", words
	}
	group, words = "later", "due "+k.due(d.Due)
	if day := k.shop.DayOf(d.Due); k.day(d.At) != k.day(day) {
		words += "; the customer’s date: " + k.day(d.At)
	}
	if d.Kind == workflow.DateOver || k.day(d.At) == k.w.T("date.today") {
		group = "today"
	}
	return group, words
}

// title heads a task's page.
func (r *request) title(words string) jobBase {
	r.base.Title = words + " · " + r.base.Card.Number
	r.base.Form = r.form
	return r.base
}

// role returns the reader's role.
func (p jobBase) role() workflow.Role {
	if p.Staff == nil {
		return ""
	}
	return p.Staff.Role
}
