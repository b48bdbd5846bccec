package templates

import (
	"cmp"
	"net/url"
	"strings"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"

	ics "github.com/arran4/golang-ical"
)

// DateFile returns a job's promised date as a calendar file: RFC 5545, published as RFC 5546 section 3.2.1 has
// it. The event keeps its UID, and its SEQUENCE rises with every move of the date, so that a calendar that
// reads the file again moves it too. Once the job has ended the event is cancelled. A link to the job is
// left out on purpose: calendars are shared more lightly than mails. ok is false while nothing is promised.
func DateFile(j *workflow.Job, shop *workflow.Shop, now time.Time, w *locale.Words) (file string, ok bool) {
	m := &statusMaker{j, shop, now, w, zoneOf(shop)}
	p := j.Promise()
	if p == nil {
		return "", false
	}
	date := m.named()
	if date.IsZero() {
		return "", false
	}
	s := StatusOf(j, shop, now, w)
	host := shop.BaseURL
	if u, err := url.Parse(shop.BaseURL); err == nil && u.Hostname() != "" {
		host = u.Hostname()
	}
	name := cmp.Or(j.Device.Kind, j.Device.Name())
	c := ics.NewCalendarFor("benchword")
	c.SetMethod(ics.MethodPublish)
	c.SetCalscale("GREGORIAN")
	c.SetRefreshInterval("PT6H") // RFC 7986
	c.SetXPublishedTTL("PT6H")
	c.SetXWRCalName(shop.Name + ", " + j.Number.Shown())
	e := c.AddEvent(string(j.Number) + ".promise@" + host)
	e.SetDtStampTime(j.ChangedAt.UTC())
	e.SetModifiedAt(j.ChangedAt.UTC())
	e.SetSequence(m.sequence())
	e.SetProperty(ics.ComponentPropertyOrganizer, "mailto:"+shop.Email, ics.WithCN(plainName(shop.Name)))
	e.SetTimeTransparency(ics.TransparencyTransparent)
	e.SetClass(ics.ClassificationPrivate)
	day := shop.Calendar.Date(date)
	e.SetProperty(ics.ComponentPropertyDtStart, strings.ReplaceAll(day.String(), "-", ""), ics.WithValue("DATE"))
	e.SetProperty(ics.ComponentPropertyDtEnd, strings.ReplaceAll((day+1).String(), "-", ""), ics.WithValue("DATE"))
	key, status := "by", ics.ObjectStatusConfirmed
	switch j.Standing(shop, now).Date.Kind {
	case workflow.DateClosed:
		key, status = "closed", ics.ObjectStatusCancelled
	case workflow.DateLeft:
		key, status = "left", ics.ObjectStatusCancelled
	case workflow.DateLate, workflow.DateReturning:
		key, status = "late", ics.ObjectStatusTentative
	case workflow.DatePaused, workflow.DateOver, workflow.DateReady:
		key, status = "says", ics.ObjectStatusTentative
	}
	e.SetStatus(status)
	about := []any{shop.Name, m.day(date)}
	if key == "says" {
		about[0] = s.When
	}
	e.SetSummary(w.T("ical.summary."+key, append([]any{locale.Capital(name)}, about...)...))
	says := append([]string{j.Device.Name() + ", " + j.Number.Shown()}, m.promiseSays()...)
	if says = append(says, s.When+". "+s.WhenMore); shop.BaseURL != "" {
		says = append(says, w.T("ical.find", shop.BaseURL+"/find"))
	}
	e.SetDescription(strings.Join(says, "\n"))
	return c.Serialize(ics.WithNewLineWindows), true
}

// plainName leaves out what a parameter's value can't hold unquoted.
func plainName(s string) string {
	return strings.Join(strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune("\",;:\\\r\n ", r) }), " ")
}

// sequence counts what moves the date: promises, missed ones, pauses as they begin, end and last, and the
// job's end. It never falls.
func (m *statusMaker) sequence() int {
	j := m.j
	n := len(j.Promises) - 1
	for _, p := range j.Promises {
		n += len(p.Told)
		if !p.BreachedAt.IsZero() {
			n++
		}
	}
	for _, p := range j.Pauses {
		to := m.now
		if n++; !p.To.IsZero() {
			n, to = n+1, p.To
		}
		if j.Ended() && to.After(j.EndedAt) {
			to = j.EndedAt
		}
		// While it lasts, the date moves with the days.
		n += max(int(m.shop.Calendar.Date(to)-m.shop.Calendar.Date(p.From)), 0)
	}
	if j.Ended() {
		n++
	}
	return n
}
