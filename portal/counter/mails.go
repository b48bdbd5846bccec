package counter

import (
	"slices"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

const (
	mailsPage  = 200  // so many mails stand on the page of the outbox, and so many entries that go another way
	mailsAmong = 5000 // so many entries are looked through for them
)

// showMails is the outbox over all jobs, oldest first: the mails, then what goes other ways. What waits for a
// system that is switched off is counted, so that it hides nothing else.
func (x *counter) showMails(c *fiber.Ctx) error {
	state, among := workflow.EntryState(c.Query("state")), mailsAmong
	switch state {
	case workflow.EntryBuried:
	case workflow.EntrySent:
		among = 2 * mailsPage // the store looks through all jobs for each
	default:
		state = workflow.EntryQueued
	}
	ctx, svc := c.UserContext(), x.s.Service()
	v := &templates.CounterMails{Page: x.s.Page(c, "Mails")}
	for _, s := range []workflow.EntryState{workflow.EntryQueued, workflow.EntryBuried, workflow.EntrySent} {
		v.States = append(v.States, templates.StageFilter{Words: templates.MailStateWords(s), URL: "/counter/mails?state=" + string(s), Here: s == state})
	}
	entries, err := svc.Store.EntriesIn(ctx, x.s.Shop().ID, state, among+1)
	if err != nil {
		return err
	}
	more := len(entries) > among
	entries = entries[:min(len(entries), among)]
	off, waiting := map[workflow.Via]bool{}, map[workflow.Via]int{}
	if state == workflow.EntryQueued {
		for i := range entries {
			waiting[entries[i].Via]++
		}
	}
	for _, h := range x.s.Shop().Hooks {
		is, err := svc.HookOff(ctx, h.Name)
		if err != nil {
			return err
		}
		off[h.Via()] = is != nil && state == workflow.EntryQueued
		v.Hooks = append(v.Hooks, templates.HookViewOf(h.Name, is, waiting[h.Via()], more, x.s.Shop(), x.s.Now()))
	}
	mails := templates.OutboxList{ID: "mails", Heading: templates.MailStateWords(state), Cut: more}
	others := templates.OutboxList{ID: "others", Heading: "Other ways than mail", Cut: more}
	seen := map[workflow.JobNumber]*workflow.Job{}
	for i := range entries {
		e, list := &entries[i], &mails
		if e.Via != "" {
			list = &others
		}
		if off[e.Via] {
			continue
		}
		if len(list.Rows) == mailsPage {
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
		list.Rows = append(list.Rows, templates.OutboxRowOf(j, e, x.s.Shop(), x.s.Now()))
	}
	if v.Lists = []templates.OutboxList{mails}; len(others.Rows) > 0 {
		v.Lists = append(v.Lists, others)
	}
	return x.s.Render(c, fiber.StatusOK, v)
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

var noticesTask = &task{
	path: "notices", roles: counterUp,
	fill: func(r *request) { r.form.Values.Set("choice", string(r.job.Choice())) },
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job."}
		}
		return &templates.CounterNotices{JobPage: r.title("Which mails"), Choices: templates.NoticeChoices()}, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.ChooseNotices{Choice: workflow.NoticeChoice(r.value("choice"))}}, nil
	},
	said: "The choice is written down.",
}

// againTask and toldTask are the buttons beside a mail that was given up.
var againTask = &task{
	path: "notices/again", postOnly: true, roles: counterUp,
	view: noticesTask.view,
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.SendAgain{ID: r.value("id")}}, nil
	},
	said: "The mail is on its way again.",
}

var toldTask = &task{
	path: "notices/told", postOnly: true, roles: counterUp,
	view: noticesTask.view,
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.NoteTold{ID: r.value("id")}}, nil
	},
	said: "Ticked off: the customer was told.",
}
