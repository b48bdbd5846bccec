package mail

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/notify"
	"benchword/notify/notifytest"
	"benchword/notify/smtptest"
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// waiting is a shop whose mails go to a real server over a real line.
type waiting struct {
	*bench
	server *smtptest.Server
	disp   *notify.Dispatcher
}

func newWaiting(t *testing.T) *waiting {
	b := newBench(t)
	w := &waiting{bench: b, server: startServer(t, smtptest.Config{})}
	tr := transportTo(t, w.server)
	tr.Timeouts.End = 5 * time.Second
	w.disp = notify.New(notify.Config{Service: b.svc, Channel: &Channel{Transport: tr, Composer: b.mails}, Random: notifytest.NewDice(3)})
	return w
}

// flush sends what is due after some time and returns the mails that the server took meanwhile.
func (w *waiting) flush(after time.Duration) []opened {
	w.t.Helper()
	w.clock.Move(after)
	before := len(w.server.Mails())
	require.NoError(w.t, w.disp.Flush(context.Background()))
	var out []opened
	for _, m := range w.server.Mails()[before:] {
		out = append(out, open(w.t, m.Data))
	}
	return out
}

// raw returns the last mail that the server has.
func (w *waiting) raw() string {
	m := w.server.Mails()
	return string(m[len(m)-1].Data)
}

func (w *waiting) look() string {
	w.t.Helper()
	t, err := w.svc.Token(w.job(), w.job().Link(link.Own, w.clock.Now()))
	require.NoError(w.t, err)
	return t
}

// received leaves the mail that tells of the parcel's arrival waiting after the fault, with the one before
// it delivered.
func (w *waiting) received(f smtptest.Fault) {
	w.t.Helper()
	w.book("Maud Ellery")
	require.Len(w.t, w.flush(0), 1)
	w.receive()
	f.Times = 1
	w.server.Fail(f)
	w.flush(0)
	require.Equal(w.t, workflow.EntryQueued, w.entry("received").State)
}

func (w *waiting) entry(kind workflow.NoticeKind) workflow.Entry {
	w.t.Helper()
	all, err := w.store.Entries(context.Background(), w.svc.Shop.ID, w.n)
	require.NoError(w.t, err)
	i := slices.IndexFunc(all, func(e workflow.Entry) bool { return e.Kind == kind })
	require.GreaterOrEqual(w.t, i, 0)
	return all[i]
}

func (w *waiting) removePhotos() {
	for _, p := range w.job().Photos {
		w.do(counter, workflow.RemovePhoto{ID: p.ID, Reason: "shows an address label"})
	}
}

// blur makes an area of a photo unreadable, as the desk of photos does: its copies are others then.
func (w *waiting) blur(id int) {
	w.t.Helper()
	p := w.job().Photo(id)
	large, _, err := w.photos.Put(context.Background(), evidence.Folder{Shop: w.svc.Shop.ID, Job: w.n, Area: evidence.Shown}, bytes.NewReader(notifytest.Picture(1200, 900, 99)))
	require.NoError(w.t, err)
	w.do(counter, workflow.DescribePhoto{ID: id, Kind: p.Kind, Caption: p.Caption.Text, Alt: p.Alt.Text,
		Marks:  []workflow.Mark{{Kind: workflow.MarkBlur, X: 1000, Y: 1000, X2: 3000, Y2: 3000}},
		Copies: workflow.Copies{Large: workflow.Copy{Digest: string(large), Width: 1200, Height: 900}, Small: p.Small}})
}

func (w *waiting) reword() {
	words, err := w.mails.Words.With("en", "mail.received.heading", locale.Wording{Text: "The parcel lies on our bench."})
	require.NoError(w.t, err)
	w.mails.Words = words
}

// shows reports whether the mail shows a photo as the job has it now.
func (w *waiting) shows(o opened, id int) bool {
	c, err := w.mails.copies.get(context.Background(), w.photos, w.job(), w.job().Photo(id))
	require.NoError(w.t, err)
	return slices.ContainsFunc(slices.Collect(maps.Values(o.Inline)), func(b []byte) bool { return bytes.Equal(b, c.jpeg) })
}

var (
	greylisted = smtptest.Fault{At: smtptest.AtRcpt, Reply: "450 4.2.0 greylisted"}
	full       = smtptest.Fault{At: smtptest.AtEnd, Reply: "452 4.3.1 disk full"}
	cut        = smtptest.Fault{At: smtptest.AtEnd, Drop: true, Keep: true}
)

// What was put off is told as it is when it leaves: no server has it, so it may differ under one Message-ID.
func TestAMailThatWasPutOffIsBuiltAnew(t *testing.T) {
	for _, fault := range []smtptest.Fault{greylisted, full} {
		t.Run(string(fault.At), func(t *testing.T) {
			id := func(w *waiting) string { return "<" + MessageName(w.svc, w.entry("received").ID) + "@bench.example>" }
			one := func(w *waiting) opened {
				t.Helper()
				got := w.flush(2 * time.Minute)
				require.Len(t, got, 1)
				require.Equal(t, id(w), got[0].Header.Get("Message-ID"))
				require.Equal(t, got[0].Header.Get("References"), got[0].Header.Get("In-Reply-To"), "it replies to the thread alone")
				require.Empty(t, w.flush(24*time.Hour))
				return got[0]
			}
			t.Run("link ended", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				old := w.look()
				w.do(counter, workflow.RevokeLinks{})
				o := one(w)
				require.NotContains(t, o.Text+o.HTML, old)
				require.Contains(t, o.Text, w.look())
				require.Contains(t, o.HTML, w.look())
			})
			t.Run("photo removed", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				w.removePhotos()
				o := one(w)
				require.Empty(t, o.Inline)
				require.NotContains(t, o.HTML, "corner", "nor its description")
			})
			t.Run("photo made unreadable in places", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				w.blur(1)
				o := one(w)
				require.Len(t, o.Inline, 2)
				require.True(t, w.shows(o, 1) && w.shows(o, 2))
			})
			t.Run("address", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				w.do(counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Ellery", Email: "right@example.org"}})
				o := one(w)
				require.Contains(t, o.Header.Get("To"), "right@example.org")
			})
			t.Run("the shop's words", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				w.reword()
				o := one(w)
				require.Contains(t, o.Text, "The parcel lies on our bench.")
				require.Contains(t, o.HTML, "The parcel lies on our bench.")
			})
			t.Run("state", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				w.diagnose()
				o := one(w)
				require.Contains(t, o.Text, locale.For("en").T("where.diagnosing"))
				require.Contains(t, o.HTML, locale.For("en").T("where.diagnosing"))
			})
			t.Run("time", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				when := func() string {
					return templates.StatusOf(w.job(), w.svc.Shop, w.clock.Now(), locale.For("en")).When
				}
				before := when()
				w.clock.Move(25 * 24 * time.Hour)
				o := one(w)
				require.NotEqual(t, before, when())
				require.Contains(t, o.Text, when())
			})
			t.Run("nothing", func(t *testing.T) {
				w := newWaiting(t)
				w.received(fault)
				e := w.entry("received")
				e.Attempts = nil
				first, err := w.mails.Compose(t.Context(), w.job(), &e)
				require.NoError(t, err)
				require.Len(t, one(w).Inline, 2)
				require.Equal(t, string(first.Data), w.raw(), "the same bytes")
			})
		})
	}
}

// The server may have it: it is sent again as it was, unless something in it was withdrawn.
func TestAMailThatMayHaveArrived(t *testing.T) {
	start := func(t *testing.T) (w *waiting, id, raw string) {
		w = newWaiting(t)
		w.received(cut)
		return w, MessageName(w.svc, w.entry("received").ID), w.raw()
	}
	again := func(t *testing.T, w *waiting) opened {
		t.Helper()
		got := w.flush(2 * time.Minute)
		require.Len(t, got, 1)
		require.Equal(t, workflow.EntrySent, w.entry("received").State)
		return got[0]
	}
	// anew holds a mail to be another one, which replies to those before it.
	anew := func(t *testing.T, w *waiting, o opened, id string, n int) {
		t.Helper()
		name := func(n int) string {
			if n == 1 {
				return "<" + id + "@bench.example>"
			}
			return fmt.Sprintf("<%s.%d@bench.example>", id, n)
		}
		require.Equal(t, name(n), o.Header.Get("Message-ID"))
		require.Equal(t, name(n-1), o.Header.Get("In-Reply-To"))
		refs := "<" + string(w.n) + ".job@bench.example>"
		for i := 1; i < n; i++ {
			refs += " " + name(i)
		}
		require.Equal(t, refs, strings.Join(strings.Fields(o.Header.Get("References")), " "))
	}
	for name, change := range map[string]func(w *waiting){
		"nothing":          func(*waiting) {},
		"state":            func(w *waiting) { w.diagnose(); w.clock.Move(-20 * time.Hour) },
		"a new one":        func(w *waiting) { w.photo(workflow.PhotoEvidence, "One more", "A board", 0) },
		"the shop's words": (*waiting).reword,
	} {
		t.Run(name, func(t *testing.T) {
			w, _, raw := start(t)
			change(w)
			again(t, w)
			require.Equal(t, raw, w.raw(), "the same bytes, and so the same Message-ID")
		})
	}
	for name, change := range map[string]func(w *waiting){
		"photo": (*waiting).removePhotos,
		"blur":  func(w *waiting) { w.blur(1) },
		"link":  func(w *waiting) { w.do(counter, workflow.RevokeLinks{}) },
		"time":  func(w *waiting) { w.clock.Move(w.svc.Shop.LinkFor) },
		"address": func(w *waiting) {
			w.do(counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud", Email: "right@example.org"}})
		},
	} {
		t.Run(name+" withdrawn", func(t *testing.T) {
			w, id, raw := start(t)
			old, n := w.look(), len(open(t, []byte(raw)).Inline)
			require.Equal(t, 2, n)
			change(w)
			o := again(t, w)
			anew(t, w, o, id, 2)
			switch name {
			case "photo":
				require.Empty(t, o.Inline)
			case "blur":
				require.Len(t, o.Inline, 2)
				require.True(t, w.shows(o, 1) && w.shows(o, 2))
				require.False(t, w.shows(open(t, []byte(raw)), 1))
			case "link", "time":
				require.NotContains(t, o.Text+o.HTML, old)
			case "address":
				require.Contains(t, o.Header.Get("To"), "right@example.org")
			}
			require.False(t, w.job().Notice(w.entry("received").ID).DeliveredAt.IsZero())
		})
	}
	t.Run("erased", func(t *testing.T) {
		w := newWaiting(t)
		w.book("Maud Ellery")
		w.server.Fail(smtptest.Fault{At: smtptest.AtEnd, Drop: true, Keep: true, Times: 1})
		require.Len(t, w.flush(0), 1)
		w.do(counter, workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled, Reason: "cancelled"})
		w.do(workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}, workflow.ErasePerson{})
		require.Empty(t, w.flush(24*time.Hour))
		require.Equal(t, workflow.EntryBuried, w.entry("booked").State)
	})
	t.Run("one after the other", func(t *testing.T) {
		w, id, _ := start(t)
		w.do(counter, workflow.RemovePhoto{ID: 1, Reason: "shows an address label"})
		w.server.Fail(smtptest.Fault{At: smtptest.AtRcpt, Reply: "450 4.2.0 greylisted", Times: 1})
		require.Empty(t, w.flush(2*time.Minute))
		w.do(counter, workflow.RevokeLinks{})
		w.server.Fail(smtptest.Fault{At: smtptest.AtEnd, Drop: true, Keep: true, Times: 1})
		o := w.flush(5 * time.Minute)
		require.Len(t, o, 1)
		anew(t, w, o[0], id, 2) // no server had the one that was put off
		require.Len(t, o[0].Inline, 1)
		w.do(counter, workflow.RemovePhoto{ID: 2, Reason: "shows an address label"})
		o = w.flush(20 * time.Minute)
		require.Len(t, o, 1)
		anew(t, w, o[0], id, 3)
		require.Empty(t, o[0].Inline)
	})
	t.Run("then put off", func(t *testing.T) {
		w, _, raw := start(t)
		w.server.Fail(smtptest.Fault{At: smtptest.AtRcpt, Reply: "450 4.2.0 greylisted", Times: 1})
		require.Empty(t, w.flush(2*time.Minute))
		w.diagnose()
		again(t, w)
		require.Equal(t, raw, w.raw(), "it may have arrived all the same")
	})
}

// Earlier versions kept every mail that was put off, and did not say what it held.
func TestMailsThatAnEarlierVersionKept(t *testing.T) {
	holds := regexp.MustCompile(`,"holds":\[[^]]*\]`)
	for _, fate := range []notify.Fate{notify.PutOff, notify.Unknown} {
		t.Run(string(fate), func(t *testing.T) {
			w := newWaiting(t)
			w.book("Maud Ellery")
			w.flush(0)
			w.receive()
			e := w.entry("received")
			m, err := w.mails.Compose(t.Context(), w.job(), &e)
			require.NoError(t, err)
			body := holds.ReplaceAll(m.keep(), nil)
			require.NotContains(t, string(body[:200]), "holds")
			now := w.clock.Now()
			claimed, err := w.store.ClaimEntries(t.Context(), w.svc.Shop.ID, workflow.Claim{Now: now, Until: now.Add(time.Minute), Limit: 1, Lease: "old"})
			require.NoError(t, err)
			require.Len(t, claimed, 1)
			require.NoError(t, w.store.SettleEntry(t.Context(), w.svc.Shop.ID, workflow.Settlement{
				Entry: e.ID, Lease: "old", State: workflow.EntryQueued, RetryAt: now, Attempt: workflow.Attempt{At: now, Result: string(fate)}, Body: body}))
			w.removePhotos()
			got := w.flush(0)
			require.Len(t, got, 1)
			require.Empty(t, got[0].Inline)
			want := "<" + MessageName(w.svc, e.ID) + "@bench.example>"
			if fate == notify.Unknown {
				require.Equal(t, want, got[0].Header.Get("In-Reply-To"))
				want = "<" + MessageName(w.svc, e.ID) + ".2@bench.example>"
			}
			require.Equal(t, want, got[0].Header.Get("Message-ID"))
		})
	}
}

// An email that leaves for the first time holds the links, photos, address and state that are so now.
func TestAFirstMailHoldsWhatStandsNow(t *testing.T) {
	w := newWaiting(t)
	w.book("Maud Ellery")
	w.flush(0)
	w.receive()
	old := w.look()
	w.do(counter, workflow.RevokeLinks{})
	w.do(counter, workflow.RemovePhoto{ID: 1, Reason: "shows an address label"})
	w.do(counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Ellery", Email: "right@example.org"}})
	w.diagnose()
	got := w.flush(0)
	require.Len(t, got, 1)
	require.Contains(t, got[0].Header.Get("To"), "right@example.org")
	require.NotContains(t, got[0].Text+got[0].HTML, old)
	require.Contains(t, got[0].Text, w.look())
	require.Len(t, got[0].Inline, 1)
	require.Contains(t, got[0].Text, locale.For("en").T("where.diagnosing"), "and the state of now")
	require.NotContains(t, got[0].Text, locale.For("en").T("where.received"))
}

// What a later notice of a gathered mail made out of date is not told.
func TestAGatheredMailLeavesOutWhatIsOutOfDate(t *testing.T) {
	w := newWaiting(t)
	w.svc.Shop.Gather = 10 * time.Minute
	w.book("Maud Ellery")
	w.receive()
	w.diagnose()
	w.do(counter, workflow.NameSuspect{Text: "The lamp"})
	w.do(counter, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Measured the lamp", Outcome: workflow.CheckUnclear}},
		workflow.SendReport{Text: workflow.ReportText{Short: "We go on looking."}})
	w.flush(time.Hour)
	w.do(counter, quote("60.00", ""), workflow.Go{To: workflow.StageAwaitingApproval})
	w.do(counter, workflow.WithdrawQuote{Reason: "We found something cheaper."})
	w.do(counter, workflow.SendMessage{Text: "A word between."})
	w.do(counter, quote("40.00", "A shorter repair will do."), workflow.Go{To: workflow.StageAwaitingApproval})
	got := w.flush(time.Hour)
	require.Len(t, got, 1)
	for _, part := range []string{got[0].Text, got[0].HTML} {
		require.Contains(t, part, "A word between.")
		require.Contains(t, part, "A shorter repair will do.")
		require.NotContains(t, part, "We found something cheaper.")
		require.NotContains(t, part, locale.For("en").T("mail.taken_back.next"))
	}
	require.Empty(t, w.flush(24*time.Hour))
	for _, n := range w.job().Notices {
		require.False(t, n.DeliveredAt.IsZero(), n.ID)
	}
}
