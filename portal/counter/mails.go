package counter

import (
	"slices"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// mailsPage is how many mails stand on the page of the outbox.
const mailsPage = 200

// showMails is the outbox over all jobs, oldest first.
func (x *counter) showMails(c *fiber.Ctx) error {
	state := workflow.EntryState(c.Query("state"))
	switch state {
	case workflow.EntryBuried, workflow.EntrySent:
	default:
		state = workflow.EntryQueued
	}
	ctx, svc := c.UserContext(), x.s.Service()
	v := &templates.CounterMails{Page: x.s.Page(c, "Mails")}
	for _, s := range []workflow.EntryState{workflow.EntryQueued, workflow.EntryBuried, workflow.EntrySent} {
		v.States = append(v.States, templates.StageFilter{Words: templates.MailStateWords(s), URL: "/counter/mails?state=" + string(s), Here: s == state})
	}
	for _, h := range x.s.Shop().Hooks {
		off, err := svc.HookOff(ctx, h.Name)
		if err != nil {
			return err
		}
		v.Hooks = append(v.Hooks, templates.HookViewOf(h.Name, off, x.s.Shop(), x.s.Now()))
	}
	entries, err := svc.Store.EntriesIn(ctx, x.s.Shop().ID, state, mailsPage+1)
	if err != nil {
		return err
	}
	if v.Cut = len(entries) > mailsPage; v.Cut {
		entries = entries[:mailsPage]
	}
	v.Heading = templates.MailStateWords(state)
	seen := map[workflow.JobNumber]*workflow.Job{}
	for i := range entries {
		e := &entries[i]
		j := seen[e.Job]
		if j == nil {
			if j, err = svc.Job(ctx, e.Job); err != nil {
				return err
			}
			seen[e.Job] = j
		}
		v.Mails = append(v.Mails, templates.OutboxRowOf(j, e, x.s.Shop(), x.s.Now()))
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
