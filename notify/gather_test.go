package notify_test

import (
	"context"
	"fmt"
	netmail "net/mail"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/mail"
	"benchword/notify/notifytest"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// telling composes a mail that lists all that it tells.
type telling struct{}

func (telling) Compose(_ context.Context, j *workflow.Job, e *workflow.Entry) (*mail.Message, error) {
	told, _ := j.Gathered(e)
	var text strings.Builder
	for _, x := range told {
		fmt.Fprintf(&text, "%s\n", x.ID)
	}
	return mail.Build(mail.Parts{
		ID: e.ID + "@bench.example", Date: e.MadeAt, From: netmail.Address{Address: "desk@bench.example"},
		To: netmail.Address{Address: j.Customer.Email.Text}, Subject: string(e.Kind), Lang: "en", Text: text.String(), HTML: text.String(),
	})
}

// Whatever happens when, and whatever the mail server does: every notice is told once a mail is through,
// in order, none before its time, none at night but what was asked for, and a repeat has the same bytes.
func TestGatheredAndQuiet(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		c := notifytest.NewClock(time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC))
		d := newDesk(t, c.Now)
		d.T = r
		shop := d.Svc.Shop
		shop.Gather = time.Duration(rapid.IntRange(0, 5).Draw(r, "gather")) * time.Minute
		shop.Quiet = rapid.SampledFrom([]workflow.Quiet{{}, {From: 21 * 60, To: 8 * 60}}).Draw(r, "quiet")
		x := d.dispatcher(func(cfg *setting) { cfg.Composer = telling{} })
		n := d.Book()
		d.w.set(func(m *mail.Message) (bool, error) {
			switch rapid.IntRange(0, 5).Draw(r, "weather") {
			case 0:
				return false, &notify.Failure{Fate: notify.PutOff, Step: "data", Code: 451, Words: "later"}
			case 1:
				return true, &notify.Failure{Fate: notify.Unknown, Step: "end", Words: "no answer"}
			case 2: // a step in the middle of the mail, decided on before the mail was due
				back := time.Duration(rapid.IntRange(0, 12).Draw(r, "back")) * 10 * time.Minute
				c.Move(-back)
				d.Write(n)
				c.Move(back)
			}
			return true, nil
		})
		for range rapid.IntRange(3, 25).Draw(r, "steps") {
			switch rapid.IntRange(0, 5).Draw(r, "step") {
			case 0, 1:
				d.Write(n)
			case 2:
				d.Do(n, notifytest.Customer, workflow.AskLink{})
			case 3:
				c.Move(time.Duration(rapid.IntRange(1, 400).Draw(r, "minutes")) * time.Minute)
			default:
				c.Move(time.Duration(rapid.IntRange(1, 200).Draw(r, "seconds")) * time.Second)
			}
			require.NoError(r, x.Flush(context.Background()))
		}
		d.w.set(nil)
		for range 40 {
			c.Move(7 * time.Hour)
			require.NoError(r, x.Flush(context.Background()))
		}
		j := d.Job(n)
		face := map[string]string{}
		var order []string
		for _, s := range d.w.sent() {
			id, _, _ := strings.Cut(s.mail.ID, "@")
			rec := j.Notice(id)
			require.NotNil(r, rec)
			if was, ok := face[id]; ok {
				require.Equal(r, was, string(s.mail.Data), "a repeat is the same bytes")
			}
			face[id] = string(s.mail.Data)
			require.False(r, s.at.Before(rec.Due), "not before its time")
			if !rec.Asked {
				require.Equal(r, s.at, shop.Awake(&j.Customer, s.at), "not at night")
			}
			if !s.has || slices.Contains(order, id) {
				continue
			}
			order = append(order, id)
		}
		// Every notice is told in the mail that it belongs to, and mails come in the order of what they tell.
		last := ""
		for _, rec := range j.Notices {
			require.False(r, rec.DeliveredAt.IsZero(), "%s was never told", rec.ID)
			mail := rec.ID
			if rec.With != "" {
				mail = rec.With
			}
			require.Contains(r, order, mail)
			told, _ := j.Gathered(&workflow.Entry{ID: mail, Kind: j.Notice(mail).Kind})
			if slices.ContainsFunc(told, func(e workflow.Entry) bool { return e.ID == rec.ID }) {
				require.Contains(r, face[mail], rec.ID)
			}
			if last != "" && mail != last {
				require.Less(r, slices.Index(order, last), slices.Index(order, mail), "in order")
			}
			last = mail
		}
		for _, e := range d.Entries(n) {
			require.Equal(r, workflow.EntrySent, e.State)
		}
	})
}

// A domain over its limit lets others pass, and takes its turn; a domain's mails keep their rate.
func TestPerDomain(t *testing.T) {
	c := notifytest.NewClock(time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC))
	d := newDesk(t, c.Now)
	x := d.dispatcher(func(cfg *setting) { cfg.PerDomain = 2 })
	for i := range 8 {
		at := "many.example"
		if i == 7 {
			at = "one.example"
		}
		d.Do("", notifytest.Customer, workflow.Book{Person: workflow.Person{Name: "Maud", Email: fmt.Sprintf("m%d@%s", i, at)}, Kind: "film scanner", Fault: "stops"})
	}
	require.NoError(t, x.Flush(context.Background()))
	require.Len(t, d.w.sent(), 2, "one to each domain at once")
	for want := 3; want <= 8; want++ {
		c.Move(30 * time.Second)
		require.NoError(t, x.Flush(context.Background()))
		require.Len(t, d.w.sent(), want)
	}
}

// What a server said never comes into the history: it may hold an address.
func TestServersWordsStayOutOfHistory(t *testing.T) {
	c := notifytest.NewClock(time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC))
	d := newDesk(t, c.Now)
	n := d.Book()
	d.w.set(func(*mail.Message) (bool, error) {
		return false, &notify.Failure{Fate: notify.Refused, Step: "rcpt", Code: 550, Words: "5.1.1 <maud@example.org> unknown"}
	})
	require.NoError(t, d.dispatcher(nil).Flush(context.Background()))
	events, err := d.Store.Events(context.Background(), d.Svc.Shop.ID, n, 0)
	require.NoError(t, err)
	buried := events[len(events)-1]
	require.Equal(t, "notice.buried/1", buried.Wire)
	require.NotContains(t, string(buried.Data), "maud")
	require.Contains(t, string(buried.Data), "The address does not exist")
	require.Equal(t, "550 5.1.1 <maud@example.org> unknown", d.Entries(n)[0].Attempts[0].Words)

	// The counter corrects the address and sends it again.
	d.Do(n, notifytest.Counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Ellery", Email: "maud@other.example"}})
	d.Do(n, notifytest.Counter, workflow.SendAgain{ID: d.Job(n).Notices[0].ID})
	d.w.set(nil)
	require.NoError(t, d.dispatcher(nil).Flush(context.Background()))
	last := d.w.sent()[1]
	require.Equal(t, "maud@other.example", last.mail.To)
	require.Equal(t, d.w.sent()[0].mail.ID, last.mail.ID)
	require.Empty(t, d.Job(n).Undelivered())
}
