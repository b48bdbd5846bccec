package counter

import (
	"fmt"
	"slices"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// noticesPage writes down which mails a customer wants.
type noticesPage struct {
	jobBase
	Choices []choice
}

func (*noticesPage) Template() string { return "notices.html" }

// noticeView is a notice and its fate.
type noticeView struct {
	ID          string
	Words, When string
	// Way is how it goes where that is no mail.
	Way string
	// Fate is "sent", "queued", "back" (telephone the customer), "stopped" (one of the shop's systems did not
	// take it) or "left" (nothing needs to be done); FateWords says it.
	Fate, FateWords string
	// Tries are the tries so far, in the mail server's words.
	Tries []string
	// Task marks one that somebody must telephone about; Again one that can be sent again, Other one that
	// went another way.
	Task, Again, Other bool
}

func (k clockOf) notices(j *workflow.Job, entries []workflow.Entry) []noticeView {
	byID := map[string]*workflow.Entry{}
	for i := range entries {
		byID[entries[i].ID] = &entries[i]
	}
	var out []noticeView
	for i := range slices.Backward(j.Notices) {
		n := &j.Notices[i]
		out = append(out, k.notice(j, n, byID[n.ID]))
	}
	for i := range slices.Backward(entries) {
		if e := &entries[i]; e.Channel != workflow.Email {
			out = append(out, k.other(j, e))
		}
	}
	return out
}

// effectWords name what is done outside the store.
var effectWords = map[workflow.NoticeKind]string{
	workflow.EffectForget:   "Removing the erased person’s photos and drafts",
	workflow.EffectReturned: "Naming the warranty return on the job that it follows",
	workflow.EffectDiscard:  "Removing copies of photos from before an area was blurred",
}

// other tells the life of what goes another way than mail. The outbox alone knows it.
func (k clockOf) other(j *workflow.Job, e *workflow.Entry) noticeView {
	v := k.notice(j, &workflow.Notice{ID: e.ID, Kind: e.Kind, At: e.MadeAt, Due: e.NotBefore}, e)
	v.Task, v.Again, v.Other = false, false, e.State == workflow.EntryBuried
	if e.Channel == workflow.Effects {
		if v.Words = effectWords[e.Kind]; e.State == workflow.EntrySent {
			v.Fate, v.FateWords = "sent", "done "+k.at(e.Attempts[len(e.Attempts)-1].At)
		} else if len(v.Tries) > 0 {
			v.Fate, v.FateWords = "stopped", "not done yet. It is tried again by itself; have somebody look at the disk or bucket that the photos lie on."
		}
		return v
	}
	name, hook := strings.CutPrefix(string(e.Channel), "hook:")
	if hook {
		v.Way, v.Words = "to your system “"+name+"”", string(e.Kind)
	} else {
		v.Way = "to the customer’s browser"
	}
	var last workflow.Attempt
	if len(e.Attempts) > 0 {
		last = e.Attempts[len(e.Attempts)-1]
	}
	switch {
	case e.State == workflow.EntryBuried && hook:
		v.Fate, v.FateWords = "stopped", "given up "+k.at(last.At)+". The system “"+name+"” did not take it. Have somebody look at its address, then send it again."
	case e.State == workflow.EntryBuried:
		v.Fate, v.FateWords = "left", "given up "+k.at(last.At)+". Nothing needs to be done: the email tells the same."
	case e.State == workflow.EntrySent && last.Result == "gone":
		v.Fate, v.FateWords = "sent", "not sent: the browser is told no more"
	case e.State == workflow.EntrySent:
		v.Fate, v.FateWords = "sent", "accepted "+k.at(last.At)
	}
	return v
}

// notice tells a notice's life: made, held back or tried, and what came of it. The entry may be nil.
func (k clockOf) notice(j *workflow.Job, n *workflow.Notice, e *workflow.Entry) noticeView {
	v := noticeView{ID: n.ID, Words: noticeWords[n.Kind], When: k.at(n.At), Fate: "queued", FateWords: "on its way"}
	tried := 0
	if e != nil {
		for _, a := range e.Attempts {
			switch a.Result {
			case "held back":
				v.Tries = append(v.Tries, k.at(a.At)+": held back, "+lower(a.Words))
				continue
			case "paced":
				v.Tries = append(v.Tries, k.at(a.At)+": waits its turn. "+a.Words)
				continue
			}
			tried++
			if a.Words != "" {
				v.Tries = append(v.Tries, k.at(a.At)+": "+a.Result+", “"+a.Words+"”")
			} else {
				v.Tries = append(v.Tries, k.at(a.At)+": "+a.Result)
			}
		}
		switch {
		case tried == 1:
			v.FateWords = "not through yet; it will be tried again"
		case tried > 1:
			v.FateWords = fmt.Sprintf("not through yet, tried %d times; it will be tried again", tried)
		case n.Due.After(n.At) && n.Due.After(k.now):
			v.FateWords = "goes out " + k.at(n.Due)
		}
		if tried > 0 && e.State == workflow.EntryQueued {
			v.FateWords += ", next " + k.at(e.NotBefore)
		}
	}
	if n.With != "" && n.DeliveredAt.IsZero() && n.BuriedAt.IsZero() {
		v.FateWords = "goes with the email before it"
	}
	switch {
	case !n.BouncedAt.IsZero():
		v.Fate, v.FateWords, v.Task = "back", "bounced "+k.at(n.BouncedAt)+". "+n.Reason, true
	case !n.DeliveredAt.IsZero():
		v.Fate, v.FateWords = "sent", "accepted by the mail server "+k.at(n.DeliveredAt)
	case !n.BuriedAt.IsZero():
		v.Fate, v.FateWords, v.Task, v.Again = "back", "given up "+k.at(n.BuriedAt)+". "+n.Reason, true, j.Erased.IsZero()
	}
	if !n.ToldAt.IsZero() {
		v.Task, v.Fate = false, "sent"
		v.FateWords += " The customer was told " + k.at(n.ToldAt) + "."
	}
	v.Task = v.Task && n.With == ""
	v.Again = v.Again && v.Task
	return v
}

var noticesTask = &task{
	fill: func(r *request) { r.form.Values.Set("choice", string(r.job.Choice())) },
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job."}
		}
		return &noticesPage{jobBase: r.title("Which emails"), Choices: noticeChoices()}, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.ChooseNotices{Choice: workflow.NoticeChoice(r.value("choice"))}}, nil
	},
	said: "The choice is written down.",
}

// againTask and toldTask are the buttons beside a mail that was given up.
var againTask = &task{
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.SendAgain{ID: r.value("id")}}, nil
	},
	said: "The email is on its way again.",
}

var toldTask = &task{
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.NoteTold{ID: r.value("id")}}, nil
	},
	said: "Ticked off: the customer was told.",
}
