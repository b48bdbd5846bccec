package workflow

import (
	"encoding/json"
	"testing"
	"time"

	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// The example of RFC 8291, appendix A.
const (
	browserKey  = "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
	browserAuth = "BTBZMqHH6r4Tts7J_aSIgg"
)

// byLink is a customer who acts by the newest link of a purpose.
func (b *bench) byLink(p link.Purpose) Actor {
	g := b.job().Link(p, b.now)
	require.NotNil(b.t, g, p)
	return Actor{Role: RoleCustomer, ID: g.ID}
}

// oldLink gives the job a link as it was given out before 2026-11-30.
func (b *bench) oldLink() {
	t := &turn{j: b.job(), shop: b.s.Shop, now: b.now, by: customer, random: b.s.Random, links: b.s.Links}
	require.NoError(b.t, t.issueLink(link.Look, 0, b.now.AddDate(1, 0, 0)))
	require.NoError(b.t, b.s.store.Commit(b.t.Context(), &Commit{Shop: t.shop.ID, Job: b.n, Expect: t.j.Version - 1, Events: t.events, State: t.j, Links: t.rows}))
}

// Which command a link lets its holder give: every command that customers may give, by every purpose.
func TestWhatLinksLet(t *testing.T) {
	commands := map[string]Command{
		"message": SendMessage{}, "notices": ChooseNotices{}, "push": Subscribe{}, "push off": Unsubscribe{}, "ask": AskLink{}, "share": ShareLink{},
		"decide": Decide{}, "undo": UndoDecision{}, "choose": AnswerDelay{}, "confirm": Confirm{}, "fewer": ChooseNotices{TellWhatNeedsMe},
	}
	customers := []string{"message", "notices", "fewer", "push", "push off", "ask", "share"}
	want := map[link.Purpose][]string{
		link.Own: customers, link.Share: {"push off"}, link.Look: {"push off", "ask", "fewer"}, link.Confirm: {"confirm"}, link.Data: nil,
		link.Decide: append([]string{"decide", "undo"}, customers...), link.Choose: append([]string{"choose"}, customers...),
	}
	require.Len(t, want, len(link.Purposes))
	for p, may := range want {
		var got []string
		for name, c := range commands {
			if LinkPermits(p, c) {
				got = append(got, name)
			}
		}
		require.ElementsMatch(t, may, got, p)
		for _, c := range []Command{RevokeLinks{}, ChangeCustomer{}, WithdrawQuote{}, ErasePerson{}} {
			require.False(t, LinkPermits(p, c), "%s %T", p, c)
		}
	}
}

// The service asks the table, whoever forgets to.
func TestTheServiceAsksWhatALinkLets(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.oldLink()
	b.do(b.byLink(link.Own), ShareLink{})
	yes := Decide{Verdict: VerdictApprove, Digest: b.job().Quote().Digest, Option: "A", Name: "Mira Osei"}
	for _, p := range []link.Purpose{link.Share, link.Look} {
		require.Equal(t, "link_looks", b.refuses(CodeForbidden, b.byLink(p), SendMessage{Text: "Hello"}).Reason)
		b.refuses(CodeForbidden, b.byLink(p), ChooseNotices{TellEveryStep})
		b.refuses(CodeForbidden, b.byLink(p), ShareLink{})
		b.refuses(CodeForbidden, b.byLink(p), yes)
	}
	b.refuses(CodeForbidden, b.byLink(link.Share), ChooseNotices{TellWhatNeedsMe})
	b.do(b.byLink(link.Look), ChooseNotices{TellWhatNeedsMe})
	require.Equal(t, TellWhatNeedsMe, b.job().Choice(), "an old email's button goes on working, towards fewer")
	b.refuses(CodeForbidden, b.byLink(link.Own), yes)
	own, decide := b.byLink(link.Own), b.byLink(link.Decide)
	b.do(counter, RevokeLinks{})
	require.Equal(t, "link_ended", b.refuses(CodeGone, own, SendMessage{Text: "Hello"}).Reason, "a link that ended while the form was open")
	b.refuses(CodeGone, decide, yes)
	b.do(b.byLink(link.Decide), yes)
	b.checkHistory()
}

// Every link ends at once, for good, with the browsers told by one; the customer gets new ones, by email where
// something waits for them.
func TestEndingLinks(t *testing.T) {
	for what, x := range map[string]struct {
		end  Command
		ends bool
		why  LinkWhy
	}{
		"ended":        {RevokeLinks{}, true, LinkEnded},
		"address":      {ChangeCustomer{Person: Person{Name: "Mira Osei", Email: "mira@new.example"}}, true, LinkAddress},
		"no address":   {ChangeCustomer{Person: Person{Name: "Mira Osei", Phone: "+1 902 555 0101"}}, true, ""},
		"same address": {ChangeCustomer{Person: Person{Name: "Mira O.", Email: "MIRA@post.example"}}, false, ""},
	} {
		for _, open := range []bool{true, false} {
			b := newBench(t)
			if open {
				b.toAwaiting()
			} else {
				b.toDiagnosing()
			}
			b.oldLink()
			b.do(b.byLink(link.Own), ShareLink{}, Subscribe{Endpoint: "https://push.example/a", Key: browserKey, Auth: browserAuth, LinkID: "x"})
			old := b.job().Links
			before := len(b.job().Notices)
			j := b.do(counter, x.end)
			for i := range old {
				g := j.Links[i]
				require.Equal(t, x.ends, g.Revoked, "%s: %s", what, g.Purpose)
				require.Equal(t, x.ends, g.Ended())
				token, err := b.s.Token(j, &g)
				require.NoError(t, err)
				row, err := b.s.Open(t.Context(), token)
				if x.ends {
					require.Equal(t, CodeGone, CodeOf(err))
					require.Equal(t, LinkRow{Job: b.n}, row, "an ended link says nothing of itself")
				} else {
					require.NoError(t, err)
				}
			}
			require.Equal(t, !x.ends, j.Subscriptions[0].Live(), what)
			require.NotNil(t, j.Link(link.Own, b.now))
			require.Equal(t, open, j.Link(link.Decide, b.now) != nil)
			require.Equal(t, !x.ends, j.Link(link.Share, b.now) != nil, "nobody is given what was shared anew")
			if x.why == "" || !open {
				require.Len(t, j.Notices, before, "%s: nothing waits, or there is no address", what)
			} else {
				require.Equal(t, NoticeLink, j.Notices[before].Kind)
				require.Equal(t, x.why, LinkWhyOf(j.Notices[before].Ref))
			}
			b.checkHistory()
		}
	}
}

// What became of a quote stays to be read by a link whose turn is over, but not by one that was ended.
func TestAnEndedLinkIsNotOnlyRevoked(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	decide := *j.Link(link.Decide, b.now)
	token, err := b.s.Token(j, &decide)
	require.NoError(t, err)
	b.do(counter, WithdrawQuote{Reason: "A price was wrong."})
	row, err := b.s.Open(t.Context(), token)
	require.Equal(t, CodeGone, CodeOf(err))
	require.Equal(t, link.Decide, row.Purpose)
	b.do(counter, RevokeLinks{})
	row, err = b.s.Open(t.Context(), token)
	require.Equal(t, CodeGone, CodeOf(err))
	require.Empty(t, row.Purpose)
}

// An email never holds a link that is about to end, and one about a job from before brings the customer a link of
// their own.
func TestEmailsBringTheCustomersLink(t *testing.T) {
	b := newBench(t)
	j := b.toDiagnosing()
	first := j.Link(link.Own, b.now).ID
	b.do(counter, SendMessage{Text: "It is here."})
	require.Equal(t, first, b.job().Link(link.Own, b.now).ID)
	b.now = j.Link(link.Own, b.now).ExpiresAt.Add(-linkLeft)
	b.do(counter, SendMessage{Text: "It is still here."})
	g := b.job().Link(link.Own, b.now)
	require.NotEqual(t, first, g.ID)
	require.Greater(t, g.ExpiresAt.Sub(b.now), linkLeft)
	b.checkHistory()
}

// A quote whose answer was taken back at the counter can be answered by link again, though every link was ended.
func TestTakenBackIsAnswerableByLink(t *testing.T) {
	b := newBench(t).undoable()
	j := b.toAwaiting()
	b.approve()
	b.do(counter, RevokeLinks{})
	require.Equal(t, LinkEnded, LinkWhyOf(b.job().Notices[len(b.job().Notices)-1].Ref), "what can be taken back is open, too")
	b.do(b.byLink(link.Decide), UndoDecision{Digest: j.Quote().Digest})
	require.Equal(t, StageAwaitingApproval, b.job().Stage)
}

// How a message came is written down, and known of those from before as far as it can be.
func TestHowMessagesCame(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.oldLink()
	proven := SendMessage{Text: "By email", Came: CameProven}
	for _, x := range []struct {
		by   Actor
		c    Command
		came Came
	}{
		{b.byLink(link.Own), SendMessage{Text: "Hello"}, CameLink},
		{b.byLink(link.Decide), Decide{Verdict: VerdictAsk, Digest: b.job().Quote().Digest, Words: "How long?"}, CameLink},
		{Actor{Role: RoleCustomer, ID: ByEmail}, proven, CameProven},
		{Actor{Role: RoleCustomer, ID: ByEmail}, SendMessage{Text: "By email"}, CameEmail},
		{counter, SendMessage{Text: "Hello"}, CameStaff},
		{counter, Decide{Verdict: VerdictAsk, Digest: b.job().Quote().Digest, Words: "How long?", Call: &CallNote{Number: "+1 902 555 0101"}}, CamePhone},
	} {
		j := b.do(x.by, x.c)
		m := &j.Messages[len(j.Messages)-1]
		require.Equal(t, x.came, m.Came)
		require.Equal(t, x.came, j.Came(m))
	}
	j := b.job()
	was := func(by Actor) Came { return j.Came(&Message{By: by}) }
	require.Equal(t, CameShared, was(b.byLink(link.Look)))
	require.Equal(t, CameLink, was(b.byLink(link.Own)))
	require.Equal(t, CameEmail, was(Actor{Role: RoleCustomer, ID: "mail"}))
	require.Equal(t, CameStaff, was(counter))
	require.Empty(t, was(Actor{Role: RoleCustomer, ID: "link"}), "nobody knows")
	read, err := json.Marshal(proven)
	require.NoError(t, err)
	require.NotContains(t, string(read), "came", "nobody says it of themselves")
	b.checkHistory()
}

// Each email that only brings a link knows who asked for it.
func TestWhoAskedForTheLink(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	for _, x := range []struct {
		by  Actor
		why LinkWhy
	}{{Actor{Role: RoleCustomer, ID: "find"}, LinkFind}, {b.byLink(link.Own), LinkPage}, {counter, LinkStaff}} {
		j := b.do(x.by, AskLink{})
		require.Equal(t, x.why, LinkWhyOf(j.Notices[len(j.Notices)-1].Ref))
		b.now = b.now.Add(time.Minute)
	}
	require.Empty(t, LinkWhyOf(0), "of one from before nobody wrote it down")
	require.Empty(t, LinkWhyOf(99))
}

// A message that may send the parcel elsewhere is told from one that asks how it goes.
func TestMessagesThatRedirect(t *testing.T) {
	says := func(text string) bool {
		return (&Message{By: customer, Text: Sealed{Text: text}}).Redirects()
	}
	for _, text := range []string{
		"Send it to 9 Other Street please.", "Please send it to my NEW address: 1 Thief Road", "We have moved to Leeds.", "Ask my brother instead: jo@elsewhere.example",
		"Could it go to SW1A 1AA?", "B3H 4R2 is nearer.", "Take it to 1011 AB", "Springfield, IL 62701", "Bitte schicken Sie es an meine Schwester.", "Hafenstraße 12", "Am Weg 4",
		"Neue Anschrift", "10115 Berlin", "Wir sind umgezogen.", "12 rue des Lilas", "Envoyez-le chez ma sœur.", "Nouvelle adresse", "Calle Mayor, 5", "Envíelo a mi oficina.", "Mi nueva dirección",
	} {
		require.True(t, says(text), text)
	}
	for _, text := range []string{
		"How is it going?", "Thank you!", "It stopped after 20 minutes.", "Yes, please go ahead with option A.", "The serial number is H-20417.",
		"Wie lange dauert es noch?", "Danke, das passt mir gut.", "Merci, c’est parfait.", "Est-ce que le devis tient jusqu’au 12 ?", "Gracias por todo.", "¿Cuándo estará listo?",
	} {
		require.False(t, says(text), text)
	}
	require.False(t, (&Message{By: counter, Text: Sealed{Text: "Hafenstraße 12"}}).Redirects(), "the bench's own")
}
