package notify

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	netmail "net/mail"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/templates/mail"
	"benchword/workflow"

	"github.com/emersion/go-msgauth/dkim"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// telling composes a mail that lists all that it tells.
type telling struct{}

func (telling) Compose(_ context.Context, j *workflow.Job, e *workflow.Entry) (*Mail, error) {
	told, _ := j.Told(e)
	var text strings.Builder
	for _, x := range told {
		fmt.Fprintf(&text, "%s\n", x.ID)
	}
	return Build(Parts{
		ID: e.ID + "@bench.example", Date: e.MadeAt, From: netmail.Address{Address: "desk@bench.example"},
		To: netmail.Address{Address: j.Customer.Email.Text}, Subject: string(e.Kind), Lang: "en", Text: text.String(), HTML: text.String(),
	})
}

// Whatever happens when, and whatever the mail server does: every notice is told once a mail is through,
// in order, none before its time, none at night but what was asked for, and a repeat has the same bytes.
func TestGatheredAndQuiet(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		c := &hands{at: time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC)}
		d := deskFor(r, t, c.Now)
		shop := d.svc.Shop
		shop.Gather = time.Duration(rapid.IntRange(0, 5).Draw(r, "gather")) * time.Minute
		shop.Quiet = rapid.SampledFrom([]workflow.Quiet{{}, {From: 21 * 60, To: 8 * 60}}).Draw(r, "quiet")
		x := d.dispatcher(func(cfg *Config) { cfg.Composer = telling{} })
		n := d.book()
		d.w.set(func(m *Mail) (bool, error) {
			switch rapid.IntRange(0, 5).Draw(r, "weather") {
			case 0:
				return false, &Failure{Fate: PutOff, Step: "data", Code: 451, Words: "later"}
			case 1:
				return true, &Failure{Fate: Unknown, Step: "end", Words: "no answer"}
			case 2: // a step in the middle of the mail, decided on before the mail was due
				back := time.Duration(rapid.IntRange(0, 12).Draw(r, "back")) * 10 * time.Minute
				c.Move(-back)
				d.write(n)
				c.Move(back)
			}
			return true, nil
		})
		for range rapid.IntRange(3, 25).Draw(r, "steps") {
			switch rapid.IntRange(0, 5).Draw(r, "step") {
			case 0, 1:
				d.write(n)
			case 2:
				d.do(n, customer, workflow.AskLink{})
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
		j := d.job(n)
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
			told, _ := j.Told(&workflow.Entry{ID: mail, Kind: j.Notice(mail).Kind})
			if slices.ContainsFunc(told, func(e workflow.Entry) bool { return e.ID == rec.ID }) {
				require.Contains(r, face[mail], rec.ID)
			}
			if last != "" && mail != last {
				require.Less(r, slices.Index(order, last), slices.Index(order, mail), "in order")
			}
			last = mail
		}
		for _, e := range d.entries(n) {
			require.Equal(r, workflow.EntrySent, e.State)
		}
	})
}

// Steps within minutes are one mail: it is headed by what asks something, and says the rest below.
func TestStepsWithinMinutesAreOneMail(t *testing.T) {
	b := newBench(t)
	b.svc.Shop.Gather = 3 * time.Minute
	w := &weather{now: b.clock.Now}
	x := New(Config{Service: b.svc, Transport: w, Composer: b.mails, Random: newDice(3)})
	flush := func() []sent {
		before := len(w.sent())
		require.NoError(t, x.Flush(context.Background()))
		return w.sent()[before:]
	}
	b.book("Maud Ellery")
	require.Len(t, flush(), 1, "who booked waits for the answer")
	b.receive()
	require.Empty(t, flush(), "not yet")
	b.do(counter, workflow.NoteCondition{Text: "Two screws are missing."}, workflow.TryFault{Result: workflow.FaultReproduced}, workflow.Go{To: workflow.StageDiagnosing})
	b.report()
	b.do(counter, workflow.SendMessage{Text: "A word beside the report."})
	require.Empty(t, flush())
	b.clock.Move(3 * time.Minute)
	got := flush()
	require.Len(t, got, 1)
	m := open(t, got[0].mail.Data)
	require.Contains(t, m.Text, "A word beside the report.")
	require.Contains(t, m.Text, "The scanner stops because")
	require.Contains(t, m.Text, "Power supply, 24 V", "what was in the parcel")
	require.Contains(t, m.HTML, "A word beside the report.")
	require.True(t, strings.HasPrefix(got[0].mail.ID, string(b.n)))
	require.Contains(t, got[0].mail.ID, "-received@", "the first notice names the mail, so that repeats are known by it")
	require.Len(t, got[0].mail.With, 2)
	require.Empty(t, flush())
	require.Empty(t, b.job().Undelivered())
	for _, n := range b.job().Notices {
		require.False(t, n.DeliveredAt.IsZero(), n.ID)
	}
}

// A mail that the customer may do without has the one-click button of RFC 8058 and its signature covers
// both headers; one that needs them has none.
func TestOneClick(t *testing.T) {
	b := newBench(t)
	public, private, err := ed25519.GenerateKey(newDice(5))
	require.NoError(t, err)
	b.mails.Signers = []*Signer{{Domain: "bench.example", Selector: "now", Key: private}}
	seen := map[bool]int{}
	for _, x := range b.everything() {
		m, err := b.compose(x)
		require.NoError(t, err)
		head, err := netmail.ReadMessage(bytes.NewReader(m.Data))
		require.NoError(t, err)
		optional := x.job.Optional(b.svc.Shop, x.entry.Kind, x.entry.Quote)
		seen[optional]++
		if !optional {
			require.Empty(t, head.Header.Get("List-Unsubscribe"), x.name)
			require.Empty(t, head.Header.Get("List-Unsubscribe-Post"), x.name)
			continue
		}
		require.Regexp(t, `^<https://bench\.example/j/[a-z2-7]{32}/notices>$`, head.Header.Get("List-Unsubscribe"), x.name)
		require.Equal(t, "List-Unsubscribe=One-Click", head.Header.Get("List-Unsubscribe-Post"))
		verified, err := dkim.VerifyWithOptions(bytes.NewReader(m.Data), &dkim.VerifyOptions{LookupTXT: func(string) ([]string, error) {
			return []string{"v=DKIM1; k=ed25519; p=" + base64.StdEncoding.EncodeToString(public)}, nil
		}})
		require.NoError(t, err)
		require.NoError(t, verified[0].Err)
		require.Subset(t, verified[0].HeaderKeys, []string{"List-Unsubscribe", "List-Unsubscribe-Post"})
	}
	require.Greater(t, seen[true], 3)
	require.Greater(t, seen[false], 10)
}

// A domain over its limit lets others pass, and takes its turn; a domain's mails keep their rate.
func TestPerDomain(t *testing.T) {
	c := &hands{at: time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC)}
	d := newDesk(t, c.Now)
	x := d.dispatcher(func(cfg *Config) { cfg.PerDomain = 2 })
	for i := range 8 {
		at := "many.example"
		if i == 7 {
			at = "one.example"
		}
		d.do("", customer, workflow.Book{Person: workflow.Person{Name: "Maud", Email: fmt.Sprintf("m%d@%s", i, at)}, Kind: "film scanner", Fault: "stops"})
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
	c := &hands{at: time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC)}
	d := newDesk(t, c.Now)
	n := d.book()
	d.w.set(func(*Mail) (bool, error) {
		return false, &Failure{Fate: Refused, Step: "rcpt", Code: 550, Words: "5.1.1 <maud@example.org> unknown"}
	})
	require.NoError(t, d.dispatcher(nil).Flush(context.Background()))
	events, err := d.store.Events(context.Background(), d.svc.Shop.ID, n, 0)
	require.NoError(t, err)
	buried := events[len(events)-1]
	require.Equal(t, "notice.buried/1", buried.Wire)
	require.NotContains(t, string(buried.Data), "maud")
	require.Contains(t, string(buried.Data), "The address does not exist")
	require.Equal(t, "550 5.1.1 <maud@example.org> unknown", d.entries(n)[0].Attempts[0].Words)

	// The counter corrects the address and sends it again.
	d.do(n, counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Ellery", Email: "maud@other.example"}})
	d.do(n, counter, workflow.SendAgain{ID: d.job(n).Notices[0].ID})
	d.w.set(nil)
	require.NoError(t, d.dispatcher(nil).Flush(context.Background()))
	last := d.w.sent()[1]
	require.Equal(t, "maud@other.example", last.mail.To)
	require.Equal(t, d.w.sent()[0].mail.ID, last.mail.ID)
	require.Empty(t, d.job(n).Undelivered())
}

// A mail that tells several notices keeps what each asks: one question is the mail's button, a second one
// stands with its own words.
func TestGatheredNoticesKeepWhatTheyAsk(t *testing.T) {
	b := newBench(t)
	for _, x := range b.everything() {
		if x.name != "promise_breached_explained" {
			continue
		}
		order, _, err := b.mails.order(x.job, &x.entry)
		require.NoError(t, err)
		require.NotEmpty(t, order.Delay)
		order.Also = []workflow.Entry{x.entry}

		letter := x.entry
		letter.Kind, letter.Ref = workflow.NoticePromiseMoved, 0
		order.Entry = &letter
		m := mail.Of(order)
		require.Equal(t, order.Delay, m.Act.URL)
		require.True(t, m.Chooses)

		alone := order
		alone.Also = nil
		if m := mail.Of(alone); m.Chooses {
			require.Equal(t, order.Delay, m.Act.URL)
		}

		order.Delay = ""
		m = mail.Of(order)
		require.False(t, m.Chooses)
		require.Equal(t, order.Look, m.Act.URL, "without a question it leads to the job")
		return
	}
	t.Fatal("the missed promise was not told")
}

// Two questions in one mail: the button leads to the quote, the choice after the missed date stands with
// its own words, in both parts.
func TestTwoQuestionsInOneMail(t *testing.T) {
	b := newBench(t)
	var quote, breach *told
	for _, x := range b.everything() {
		if quote == nil && x.entry.Kind == workflow.NoticeQuote && x.job.Quote().Answerable(x.entry.MadeAt) {
			quote = &x
		}
		if x.name == "promise_breached_explained" {
			breach = &x
		}
	}
	j := *quote.job
	j.Delays = breach.job.Delays
	order, _, err := b.mails.order(&j, &quote.entry)
	require.NoError(t, err)
	order.Decide, order.Delay = "https://bench.example/d/decide", "https://bench.example/c/choose"
	late := breach.entry
	late.MadeAt = quote.entry.MadeAt
	order.Also = []workflow.Entry{late}
	for i := range j.Delays {
		j.Delays[i].AnswerBy = quote.entry.MadeAt.Add(72 * time.Hour)
	}
	m := mail.Of(order)
	require.Equal(t, order.Decide, m.Act.URL)
	require.True(t, m.Decides)
	require.False(t, m.Chooses)
	html, err := b.mails.render(m)
	require.NoError(t, err)
	require.Contains(t, html, `href="https://bench.example/c/choose"`)
	text, err := b.mails.render(m.Plain())
	require.NoError(t, err)
	require.Contains(t, text, "\nhttps://bench.example/c/choose\n")
}
