package workflow

import (
	"context"
	"fmt"
	"testing"
	"time"

	"benchword/workflow/calendar"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The night is the customer's own, whatever the seasons do to their clocks. The instants of the changes
// are those of the tz database: Halifax went from 2:00 to 3:00 on 8 March 2026, back on 1 November.
func TestAwake(t *testing.T) {
	cal, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{"mon": {"09:00-17:00"}}})
	require.NoError(t, err)
	at := func(s string) time.Time {
		x, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return x.UTC()
	}
	s := &Shop{Calendar: cal, Quiet: Quiet{21 * 60, 8 * 60}}
	for _, row := range []struct{ zone, at, want string }{
		{"", "2026-11-02T20:59:59-04:00", "2026-11-02T20:59:59-04:00"},
		{"", "2026-11-02T21:00:00-04:00", "2026-11-03T08:00:00-04:00"},
		{"", "2026-11-03T07:59:00-04:00", "2026-11-03T08:00:00-04:00"},
		{"", "2026-11-03T08:00:00-04:00", "2026-11-03T08:00:00-04:00"},
		{"Europe/Lisbon", "2026-11-02T17:30:00-04:00", "2026-11-03T08:00:00Z"},
		{"Asia/Kolkata", "2026-11-02T12:00:00-04:00", "2026-11-03T08:00:00+05:30"},
		{"No/Where", "2026-11-02T22:00:00-04:00", "2026-11-03T08:00:00-04:00"},
		{"", "2026-03-07T22:00:00-04:00", "2026-03-08T08:00:00-03:00"},
		{"", "2026-10-31T22:00:00-03:00", "2026-11-01T08:00:00-04:00"},
	} {
		require.Equal(t, at(row.want), s.Awake(&Customer{TimeZone: row.zone}, at(row.at)).UTC(), "%v", row)
	}
	s.Quiet = Quiet{12 * 60, 13 * 60}
	require.Equal(t, at("2026-11-02T13:00:00-04:00"), s.Awake(&Customer{}, at("2026-11-02T12:30:00-04:00")).UTC())
	require.Equal(t, at("2026-11-02T23:30:00-04:00"), s.Awake(&Customer{}, at("2026-11-02T23:30:00-04:00")).UTC())
	s.Quiet = Quiet{}
	require.Equal(t, at("2026-11-02T02:30:00-04:00"), s.Awake(&Customer{}, at("2026-11-02T02:30:00-04:00")).UTC())

	rapid.Check(t, func(t *rapid.T) {
		s.Quiet = Quiet{rapid.IntRange(0, 1439).Draw(t, "from"), rapid.IntRange(0, 1439).Draw(t, "to")}
		c := &Customer{TimeZone: rapid.SampledFrom([]string{"", "Europe/Lisbon", "Asia/Kolkata", "Pacific/Chatham"}).Draw(t, "zone")}
		from := time.Unix(rapid.Int64Range(1767225600, 1798761600).Draw(t, "at"), 0).UTC()
		got := s.Awake(c, from)
		if got.Before(from) || got.After(from.Add(26*time.Hour)) {
			t.Fatalf("%s became %s", from, got)
		}
		if again := s.Awake(c, got); !again.Equal(got) && got.After(from) {
			t.Fatalf("woken at %s, and not awake until %s", got, again)
		}
	})
}

// Which notices may be done without is a decision, so it stands here once more.
func TestOptional(t *testing.T) {
	need := map[NoticeKind]bool{}
	for _, r := range NoticeTable() {
		need[r.Notice] = !r.Optional
	}
	require.Equal(t, map[NoticeKind]bool{
		NoticeBooked: true, NoticeReceived: false, NoticeShipped: true, NoticeWithdrawn: true, NoticeFindings: false, NoticeQuote: true,
		NoticeFurtherQuote: true, NoticeQuoteWithdrawn: true, NoticeExpired: true, NoticeReminder: true, NoticeDecision: true,
		NoticeLastNotice: true, NoticeUndone: true, NoticeUncollected: true, NoticeReady: false, NoticePromiseMoved: false, NoticeBreach: true, NoticeDelayAnswered: true, NoticeMessage: true, NoticeLink: true, NoticeConfirm: true, NoticeData: true,
	}, need)
}

// What was gathered into one email is told as it stands by then: what a later notice of it makes moot is not told.
func TestToldWithoutWhatIsOutOfDate(t *testing.T) {
	e := &Entry{ID: "K7M2QX8-3-quote", Kind: NoticeQuote, Ref: 1, Quote: 1}
	with := func(kinds ...NoticeKind) []NoticeKind {
		j := &Job{}
		for i, k := range kinds {
			j.Notices = append(j.Notices, Notice{ID: fmt.Sprintf("K7M2QX8-%d-%s", 4+i, k), Kind: k, With: e.ID})
		}
		j.Notices = append(j.Notices, Notice{ID: "K7M2QX8-99-message", Kind: NoticeMessage})
		told, settled := j.Gathered(e)
		require.Len(t, settled, len(kinds), "all of them are settled")
		var out []NoticeKind
		for _, x := range told {
			out = append(out, x.Kind)
		}
		return out
	}
	require.Equal(t, []NoticeKind{NoticeQuote}, with())
	require.Equal(t, []NoticeKind{NoticeQuote, NoticeMessage}, with(NoticeMessage))
	require.Equal(t, []NoticeKind{NoticeQuote, NoticePromiseMoved}, with(NoticeBreach, NoticePromiseMoved))
}

// kindsTold plays steps that are gathered into one email, and returns what that tells.
func (b *bench) kindsTold(steps ...func()) (kinds []NoticeKind) {
	b.t.Helper()
	b.s.Shop.Gather = time.Hour
	n := len(b.store.notices)
	for _, step := range steps {
		step()
	}
	require.Len(b.t, b.store.notices[n:], 1, "one email")
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(b.t, err)
	gathered, _ := j.Gathered(&b.store.notices[n])
	for _, x := range gathered {
		kinds = append(kinds, x.Kind)
	}
	return kinds
}

// What later steps made out of date is not told, whatever its email tells beside it.
func TestAnEmailTellsNothingThatIsOver(t *testing.T) {
	report := func(b *bench) func() {
		return func() {
			b.do(technician, NameSuspect{Text: "Supply"}, DoCheck{Suspect: 1, Check: Check{Text: "Measured", Outcome: CheckConfirmed}})
			b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00"), replaceOption()}}, Go{To: StageAwaitingApproval})
		}
	}
	phone := func(b *bench) func() {
		return func() {
			j, err := b.s.Job(context.Background(), b.n)
			require.NoError(t, err)
			b.do(counter, Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei", Call: &CallNote{Number: "902 555 0100"}})
		}
	}
	b := newBench(t)
	b.toDiagnosing()
	require.Equal(t, []NoticeKind{NoticeFindings, NoticeDecision}, b.kindsTold(report(b), phone(b)), "a quote that was answered is not asked for")
	b = newBench(t)
	b.toDiagnosing()
	require.Equal(t, []NoticeKind{NoticeShipped}, b.kindsTold(report(b), phone(b), func() {
		b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting})
		b.do(technician, pass("Function"), pass(SafetyTest), packAll, PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA", Serial: "h-20417"})
		b.do(counter, Go{To: StageShipped})
	}), "nothing else is told of what has left")

	b = newBench(t)
	b.toDiagnosing()
	require.Equal(t, []NoticeKind{NoticeFindings, NoticeQuoteWithdrawn}, b.kindsTold(report(b), func() { b.do(counter, WithdrawQuote{Reason: "We found something cheaper."}) }))

	b = newBench(t)
	arrive := func() {
		b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}}}, AnswerScreening{mainsPlug}, photo(PhotoArrival), Go{To: StageReceived})
	}
	require.Equal(t, []NoticeKind{NoticeReceived}, b.kindsTold(func() { b.do(counter, booking) }, arrive), "what is here is not asked for")

	b = newBench(t)
	require.Equal(t, []NoticeKind{NoticeReceived}, b.kindsTold(func() { b.do(counter, booking) }, func() { b.do(counter, ChooseNotices{TellWhatNeedsMe}) }, arrive), "nor from who is told only what is needed")
}

// One email tells so many notices and no more; the next one gets an email of its own.
func TestOneEmailTellsSoMany(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.passes(24 * time.Hour)
	b.s.Shop.Gather = 10 * time.Hour
	for range mostInMail + 1 {
		b.do(counter, SendMessage{Text: "One more thing."})
	}
	own := map[string]int{}
	for _, n := range b.checkHistory().Notices {
		if n.Kind == NoticeMessage {
			own[n.ID+n.With]++
			if n.With != "" {
				own[n.With]++
				delete(own, n.ID+n.With)
			}
		}
	}
	require.Len(t, own, 2)
	for _, n := range own {
		require.Contains(t, []int{1, mostInMail}, n)
	}
}

// What waits for the morning, or for company, are emails: the shop's own systems are told at once.
func TestHooksAreToldAtOnce(t *testing.T) {
	b := newBench(t)
	b.s.Shop.Hooks = []Hook{{Name: "till"}}
	b.s.Shop.Gather, b.s.Shop.Quiet = time.Hour, Quiet{9 * 60, 8 * 60}
	b.do(counter, booking)
	channels := map[Channel]bool{}
	for _, e := range b.store.notices {
		channels[e.Channel.Base()] = true
		if e.Channel != "" {
			require.Equal(t, e.MadeAt, e.NotBefore)
			continue
		}
		require.Equal(t, time.Date(2026, 11, 3, 12, 0, 0, 0, time.UTC), e.NotBefore, "8:00 in Halifax")
	}
	require.Len(t, channels, 2)
}
