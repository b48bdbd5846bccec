package counter

import (
	"fmt"
	"slices"
	"time"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// mailsPage is the outbox over all jobs.
type mailsPage struct {
	templates.Page
	States []stageFilter
	// Lists are the mails and, where there is any, what goes other ways.
	Lists []outboxList
	// Hooks are the shop's own systems.
	Hooks []hookView
}

func (*mailsPage) Template() string { return "mails.html" }

// outboxRow is a mail on the page of the outbox.
type outboxRow struct {
	noticeView
	Number                   workflow.JobNumber
	Job, URL, Device, Person string
}

// outboxList is a list of entries, the oldest first; Cut says that there are more.
type outboxList struct {
	ID, Heading string
	Rows        []outboxRow
	Cut         bool
}

// hookView is one of the shop's own systems that is told of steps. Off says in words since when and why it is
// told nothing, "" while it is told; Waiting what there is for it, "" for nothing.
type hookView struct{ Name, Off, Waiting string }

// outboxRowOf makes the row of an outbox entry.
func outboxRowOf(j *workflow.Job, e *workflow.Entry, shop *workflow.Shop, now time.Time) outboxRow {
	k := newClock(shop, now)
	if e.Channel != workflow.Email {
		return outboxRow{noticeView: k.other(j, e), Number: j.Number, Job: j.Number.Shown(), URL: "/counter/job/" + string(j.Number) + "#notices", Device: j.Device.Name(), Person: j.Customer.Name.Text}
	}
	n := j.Notice(e.ID)
	if n == nil {
		n = &workflow.Notice{ID: e.ID, Kind: e.Kind, At: e.MadeAt}
	}
	return outboxRow{
		noticeView: k.notice(j, n, e), Number: j.Number, Job: j.Number.Shown(), URL: "/counter/job/" + string(j.Number) + "#notices",
		Device: j.Device.Name(), Person: j.Customer.Name.Text,
	}
}

// hookViewOf makes the view of a hook; off is nil while it is told, more says that not all that waits was counted.
func hookViewOf(name string, off *workflow.HookState, waiting int, more bool, shop *workflow.Shop, now time.Time) hookView {
	v := hookView{Name: name}
	if off != nil {
		v.Off = "switched off " + newClock(shop, now).at(off.At) + ", since it answered “" + off.Words + "”"
	}
	switch {
	case waiting == 0:
	case more:
		v.Waiting = fmt.Sprintf("%d messages or more wait", waiting)
	case waiting == 1:
		v.Waiting = "1 message waits"
	default:
		v.Waiting = fmt.Sprintf("%d messages wait", waiting)
	}
	return v
}

const (
	mailsShown = 200  // so many mails stand on the page of the outbox, and so many entries that go another way
	mailsAmong = 5000 // so many entries are looked through for them
)

// showMails is the outbox over all jobs, oldest first: the mails, then what goes other ways. What waits for a
// system that is switched off is counted, so that it hides nothing else.
func (x *counter) showMails(c *fiber.Ctx) error {
	state, among := workflow.EntryState(c.Query("state")), mailsAmong
	switch state {
	case workflow.EntryBuried:
	case workflow.EntrySent:
		among = 2 * mailsShown // the store looks through all jobs for each
	default:
		state = workflow.EntryQueued
	}
	ctx, svc := c.UserContext(), x.s.Service()
	v := &mailsPage{Page: x.s.Page(c, "Emails")}
	for _, s := range []workflow.EntryState{workflow.EntryQueued, workflow.EntryBuried, workflow.EntrySent} {
		v.States = append(v.States, stageFilter{Words: mailStateWords[s], URL: "/counter/mails?state=" + string(s), Here: s == state})
	}
	entries, err := svc.EntriesIn(ctx, state, among+1)
	if err != nil {
		return err
	}
	more := len(entries) > among
	entries = entries[:min(len(entries), among)]
	off, waiting := map[workflow.Channel]bool{}, map[workflow.Channel]int{}
	if state == workflow.EntryQueued {
		for i := range entries {
			waiting[entries[i].Channel]++
		}
	}
	for _, h := range x.s.Shop().Hooks {
		is, err := svc.HookOff(ctx, h.Name)
		if err != nil {
			return err
		}
		off[h.Channel()] = is != nil && state == workflow.EntryQueued
		v.Hooks = append(v.Hooks, hookViewOf(h.Name, is, waiting[h.Channel()], more, x.s.Shop(), x.s.Now()))
	}
	mails := outboxList{ID: "mails", Heading: mailStateWords[state], Cut: more}
	others := outboxList{ID: "others", Heading: "Other ways than email", Cut: more}
	seen := map[workflow.JobNumber]*workflow.Job{}
	for i := range entries {
		e, list := &entries[i], &mails
		if e.Channel != workflow.Email {
			list = &others
		}
		if off[e.Channel] {
			continue
		}
		if len(list.Rows) == mailsShown {
			list.Cut = true
			continue
		}
		j := seen[e.Job]
		if j == nil {
			if j, err = svc.Job(ctx, e.Job); err != nil {
				return err
			}
			seen[e.Job] = j
		}
		list.Rows = append(list.Rows, outboxRowOf(j, e, x.s.Shop(), x.s.Now()))
	}
	if v.Lists = []outboxList{mails}; len(others.Rows) > 0 {
		v.Lists = append(v.Lists, others)
	}
	return x.render(c, fiber.StatusOK, v)
}

// postHook switches one of the shop's own systems on again. Its dispatcher finds out when it next looks.
func (x *counter) postHook(c *fiber.Ctx) error {
	name := c.FormValue("name")
	if !slices.ContainsFunc(x.s.Shop().Hooks, func(h workflow.Hook) bool { return h.Name == name }) {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such system in the settings."}
	}
	if err := x.s.Service().SwitchHookOn(c.UserContext(), name); err != nil {
		return err
	}
	x.s.Flash(c, "“"+name+"” is told again; what waited goes out within a minute.")
	return x.s.Back(c, "/counter/mails")
}

// postOtherAgain sends again what went another way than mail and was given up.
func (x *counter) postOtherAgain(c *fiber.Ctx) error {
	n, err := workflow.ParseJobNumber(c.FormValue("job"))
	if err != nil {
		return err
	}
	if err := x.s.Service().SendOtherAgain(c.UserContext(), n, c.FormValue("id")); err != nil {
		return err
	}
	x.s.Flash(c, "It is on its way again.")
	return x.s.Back(c, "/counter/mails")
}
