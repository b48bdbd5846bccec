package counter

import (
	"html/template"
	"slices"
	"strings"
	"time"

	"benchword/templates"
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
	k := newClock(shop, now)
	c := jobCard{
		Job: j.Number, Number: j.Number.Shown(), URL: "/counter/job/" + string(j.Number), Version: j.Version,
		Device: j.Device.Name(), Serial: j.Device.Serial.Text, Person: j.Customer.Name.Text, Email: j.Customer.Email.Text,
		Phone: j.Customer.Phone.Text, PhoneTo: templates.ShopView{Phone: j.Customer.Phone.Text}.PhoneURL(),
		Address: templates.Lines(j.Customer.Address.Text), TimeZone: j.Customer.TimeZone, Fault: j.Fault.Text, Stage: j.Stage,
		StageWords: stageWords[j.Stage], Since: k.at(j.StageSince), Outcome: outcomeWords[j.Outcome], Inbound: j.Inbound.Text,
		Ended: j.Ended(), Erased: !j.Erased.IsZero(),
	}
	if j.Queued() {
		c.StageWords = "In the queue"
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
	if h := j.Hold(); h != nil {
		c.Hold = "On hold for " + holdWords[h.Reason] + " since " + k.day(h.From) + "."
		if h.Note.Text != "" {
			c.Hold += " " + h.Note.Text
		}
	}
	c.Urgency, c.Promise = k.standing(j)
	p := jobBase{Page: page, Card: c}
	for _, i := range shop.Instruments {
		p.Instruments = append(p.Instruments, i.Name)
	}
	if s := page.Staff; s != nil {
		p.Counter = slices.Contains(counterUp, s.Role)
	}
	return p
}

// standing says how a job stands to its promise.
func (k clockOf) standing(j *workflow.Job) (group, words string) {
	p := j.Promise()
	switch {
	case j.Ended():
		words = "Ended " + k.at(j.EndedAt)
		if p != nil && !p.BreachedAt.IsZero() {
			return "ended", words + ", after the promised date."
		}
		if p != nil {
			return "ended", words + ", within the promise."
		}
		return "ended", words + "."
	case p == nil:
		return "open", "No date is promised yet."
	}
	due, _ := j.Due(k.shop)
	group, words = k.promise(due, !p.BreachedAt.IsZero())
	if group == "stopped" {
		if left, ok := j.Turnaround(k.shop, p).Remaining(k.now); ok {
			words += "; " + span(left) + " are left"
		}
	}
	if d := j.Standing(k.shop, k.now).Date; !d.Told.IsZero() && k.day(d.At) != k.day(k.shop.DayOf(due)) {
		words += "; we say by " + k.day(d.At)
		if d.Kind == workflow.DatePaused {
			words += ", if it goes on by " + k.day(d.If)
		}
	}
	return group, strings.ToUpper(words[:1]) + words[1:] + "."
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
