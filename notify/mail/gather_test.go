package mail

import (
	"benchword/notify/notifytest"
	"benchword/templates"
	"benchword/templates/locale"
	mailview "benchword/templates/mail"
	"benchword/workflow"
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	netmail "net/mail"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-msgauth/dkim"
	"github.com/stretchr/testify/require"
)

// Steps within minutes are one mail: it is headed by what asks something, and says the rest below.
func TestStepsWithinMinutesAreOneMail(t *testing.T) {
	b := newWaiting(t)
	b.svc.Shop.Gather = 3 * time.Minute
	flush := func() []opened { return b.flush(0) }
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
	m := got[0]
	require.Contains(t, m.Text, "A word beside the report.")
	require.Contains(t, m.Text, "The scanner stops because")
	require.Contains(t, m.Text, "Power supply, 24 V", "what was in the parcel")
	require.Contains(t, m.HTML, "A word beside the report.")
	require.True(t, strings.HasPrefix(m.Header.Get("Message-ID"), "<"+string(b.n)))
	require.Contains(t, m.Header.Get("Message-ID"), "-received.", "the first notice names the email, so that repeats are known by it")
	require.Empty(t, flush())
	require.Empty(t, b.job().Undelivered())
	for _, n := range b.job().Notices {
		require.False(t, n.DeliveredAt.IsZero(), n.ID)
	}
}

// What is gathered is told as it stands when it leaves: where, needs, sums, dates and subject, with nothing that a
// later step made out of date.
func TestAGatheredEmailTellsOneState(t *testing.T) {
	gathers := func() *waiting {
		w := newWaiting(t)
		w.svc.Shop.Gather = 30 * 24 * time.Hour
		w.book("Maud Ellery")
		require.Len(t, w.flush(0), 1)
		return w
	}
	// The link that is asked for makes what waits go, now.
	leave := func(w *waiting) []opened {
		w.do(customer, workflow.AskLink{})
		return w.flush(0)
	}
	one := func(w *waiting) opened {
		t.Helper()
		got := leave(w)
		require.Len(t, got, 2)
		s := templates.StatusOf(w.job(), w.svc.Shop, w.clock.Now(), locale.For("en"))
		for _, o := range got {
			for _, says := range []string{s.Where, s.When, s.Need} {
				require.Contains(t, joined(o.Text), says, "as the page says")
			}
		}
		for _, n := range w.job().Notices {
			require.False(t, n.DeliveredAt.IsZero(), n.ID)
		}
		return got[0]
	}
	phone := func(w *waiting) {
		w.do(counter, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: w.job().Quote().Digest, Option: "A", Name: "Maud Ellery", Call: &workflow.CallNote{Number: "902 555 0100"}})
	}
	t.Run("a quote answered on the telephone", func(t *testing.T) {
		w := gathers()
		w.receive()
		w.diagnose()
		w.report()
		phone(w)
		o := one(w)
		require.NotContains(t, o.Text, "Yes or no?")
		require.NotContains(t, o.Text, "before you say yes")
		require.NotContains(t, o.Header.Get("Subject"), "answer")
	})
	t.Run("on hold when it leaves", func(t *testing.T) {
		w := gathers()
		w.receive()
		w.do(counter, workflow.PlaceHold{Reason: workflow.HoldCarrier})
		require.Contains(t, joined(one(w).Text), "if the carrier has done its part by")
	})
	t.Run("no hold any more", func(t *testing.T) {
		w := gathers()
		w.receive()
		w.do(counter, workflow.PlaceHold{Reason: workflow.HoldPayment})
		w.do(counter, workflow.LiftHold{})
		require.NotContains(t, one(w).Text, "payment is here by")
	})
	t.Run("shipped, then paid", func(t *testing.T) {
		w := gathers()
		w.receive()
		w.diagnose()
		w.report()
		phone(w)
		w.repair()
		w.test()
		w.ship()
		w.do(counter, workflow.RecordPayment{Amount: "20.00", How: "cash"})
		o := one(w)
		require.Contains(t, o.Text, "Paid: CA$20.00")
		require.Contains(t, o.Header.Get("Subject"), "on its way")
		require.NotContains(t, o.Text, "yes")
	})
	t.Run("booked and here", func(t *testing.T) {
		w := newWaiting(t)
		w.svc.Shop.Gather = time.Hour
		w.do(counter, workflow.Book{Person: workflow.Person{Name: "Maud Ellery", Email: "maud@example.org"}, Kind: "film scanner", Fault: "Stops."})
		w.receive()
		require.NotContains(t, one(w).Text, "Before you close the box")
	})
	t.Run("answered while the quote waited", func(t *testing.T) {
		w := gathers()
		w.receive()
		w.diagnose()
		w.report()
		w.do(customer, workflow.Decide{Verdict: workflow.VerdictDecline, Digest: w.job().Quote().Digest, Name: "Maud Ellery"})
		for _, o := range w.flush(0) {
			require.NotContains(t, o.Text, "Yes or no?")
		}
	})
}

func joined(s string) string { return strings.Join(strings.Fields(s), " ") }

// A mail that the customer may do without has the one-click button of RFC 8058 and its signature covers
// both headers; one that needs them has none.
func TestOneClick(t *testing.T) {
	b := newBench(t)
	public, private, err := ed25519.GenerateKey(notifytest.NewDice(5))
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

// A mail that tells several notices keeps what each asks: one question is the mail's button, a second one
// stands with its own words.
func TestGatheredNoticesKeepWhatTheyAsk(t *testing.T) {
	b := newBench(t)
	for _, x := range b.everything() {
		if x.name != "promise_breached_explained" {
			continue
		}
		b.clock.Set(x.entry.MadeAt)
		order, _, err := b.mails.order(x.job, &x.entry)
		require.NoError(t, err)
		require.NotEmpty(t, order.Delay)
		order.Also = []workflow.Entry{x.entry}

		letter := x.entry
		letter.Kind, letter.Ref = workflow.NoticePromiseMoved, 0
		order.Entry = &letter
		m := mailview.Of(order)
		require.Equal(t, order.Delay, m.Act.URL)
		require.True(t, m.Chooses)

		alone := order
		alone.Also = nil
		if m := mailview.Of(alone); m.Chooses {
			require.Equal(t, order.Delay, m.Act.URL)
		}

		order.Delay = ""
		m = mailview.Of(order)
		require.False(t, m.Chooses)
		require.Equal(t, order.Own, m.Act.URL, "without a question it leads to the job")
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
	b.clock.Set(quote.entry.MadeAt)
	order, _, err := b.mails.order(&j, &quote.entry)
	require.NoError(t, err)
	order.Decide, order.Delay = "https://bench.example/d/decide", "https://bench.example/c/choose"
	late := breach.entry
	late.MadeAt = quote.entry.MadeAt
	order.Also = []workflow.Entry{late}
	for i := range j.Delays {
		j.Delays[i].AnswerBy = quote.entry.MadeAt.Add(72 * time.Hour)
	}
	m := mailview.Of(order)
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
