package storetest

import (
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	mrand "math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"
	"benchword/workflow/money"

	"github.com/anishathalye/porcupine"
	"github.com/stretchr/testify/require"
)

// What people do to one quote at the same time.
const (
	doApprove  = "approve"  // the customer, or somebody else with the link
	doDecline  = "decline"  // the same
	doUndo     = "undo"     // take the answer back
	doWithdraw = "withdraw" // the counter
	doReissue  = "reissue"  // the counter: a new revision in its place
	doBegin    = "begin"    // the bench
	doWake     = "wake"     // the clock
)

// act is one try of somebody, with what they had read before, at the time on the clock of their server:
// clocks differ, as those of several servers do.
type act struct {
	What     string
	Revision int
	Option   string
	Round    int
	At       int64 // ms
}

// What came of an act.
const (
	cameDone     = "done"     // by this act
	cameAgain    = "again"    // done before, counted once
	cameConflict = "conflict" // replaced, taken back, or answered otherwise
	cameGone     = "gone"     // withdrawn or run out
	cameRefused  = "refused"
)

// quoteModel is what a quote may do, written down apart from the domain: one value, one step at a time.
type quoteModel struct {
	Revision int
	State    string // open, approve A, approve B, decline, withdrawn, expired
	Round    int
	Expires  int64
	Changed  int64
	Begun    bool
}

const (
	modelStands = 2 * 24 * int64(time.Hour/time.Millisecond)
)

func (s quoteModel) decided() bool {
	return s.State == "approve A" || s.State == "approve B" || s.State == "decline "
}

// step returns what comes of an act, and the state after it.
func (s quoteModel) step(a act) (string, quoteModel) {
	now := max(a.At, s.Changed)
	is := s
	is.Changed = now
	switch a.What {
	case doApprove, doDecline:
		answer := a.What + " " + a.Option
		switch {
		case a.Revision != s.Revision, a.Round != s.Round:
			return cameConflict, s
		case s.decided() && s.State == answer:
			return cameAgain, s
		case s.decided():
			return cameConflict, s
		case s.State != "open", now >= s.Expires:
			return cameGone, s
		}
		is.State, is.Begun = answer, false
		return cameDone, is
	case doUndo:
		switch {
		case a.Revision != s.Revision:
			return cameConflict, s
		case a.Round < s.Round:
			return cameDone, s // taken back before; whoever asks again is told the same
		case !s.decided(), a.Round > s.Round, s.Begun, now >= s.Expires:
			return cameRefused, s
		}
		is.State, is.Round = "open", s.Round+1
		return cameDone, is
	case doWithdraw, doReissue:
		if s.State != "open" {
			return cameRefused, s
		}
		is.State = "withdrawn"
		if a.What == doReissue {
			is = quoteModel{Revision: s.Revision + 1, State: "open", Expires: (now + modelStands) / 1000 * 1000, Changed: now}
		}
		return cameDone, is
	case doBegin:
		// Work can be written down while diagnosing too, which is where a withdrawal leads.
		if s.State != "approve A" && s.State != "decline " && s.State != "approve B" && s.State != "withdrawn" {
			return cameRefused, s
		}
		is.Begun = true
		return cameDone, is
	case doWake:
		if s.State == "open" && now >= s.Expires {
			is.State = "expired"
			return cameDone, is
		}
		return cameDone, s
	}
	panic(a.What)
}

var decidingModel = porcupine.Model{
	Step: func(state, input, output any) (bool, any) {
		came, next := state.(quoteModel).step(input.(act))
		return came == output.(string), next
	},
	DescribeOperation: func(input, output any) string { return fmt.Sprintf("%+v -> %v", input, output) },
}

// deciding lets two people with the link, the counter, the bench and the clock act on one quote at the same
// time, in random ways and with old pages in hand, and asks a linearizability checker (porcupine) whether
// what each of them was told fits one order of events. Then it compares with the history that was kept.
func deciding(t *test) {
	for seed := range uint64(12) {
		random := mrand.New(mrand.NewPCG(seed, 5))
		d := newDecided(t, workflow.ShopID(fmt.Sprintf("deciding-%d", seed)))
		begin := d.model()
		var tick atomic.Int64
		var mu sync.Mutex
		var history []porcupine.Operation
		var wg sync.WaitGroup
		done := 0
		for client, can := range [][]string{
			{doApprove, doApprove, doDecline, doUndo}, {doApprove, doDecline, doUndo, doUndo}, // two people, two tabs
			{doWithdraw, doReissue, doReissue, doApprove}, {doBegin, doWake, doWake},
		} {
			var acts []act
			for range 5 {
				a := act{What: can[random.IntN(len(can))], Revision: 1 + random.IntN(2), Round: random.IntN(2), At: begin.Changed + int64(random.IntN(20))*60_000}
				if random.IntN(8) == 0 {
					a.At = begin.Expires - 1000 + int64(random.IntN(3))*1000
				}
				if a.What == doApprove {
					a.Option = string(rune('A' + random.IntN(2)))
				}
				acts = append(acts, a, a) // a double click, a replayed form
			}
			wg.Go(func() {
				for i, a := range acts {
					name := fmt.Sprintf("person %d.%d", client, i)
					op := porcupine.Operation{ClientId: client, Input: a, Call: tick.Add(1)}
					came := d.act(a, name)
					op.Output, op.Return = came, tick.Add(1)
					mu.Lock()
					history = append(history, op)
					if came == cameDone && (a.What == doApprove || a.What == doDecline) {
						done++
					}
					mu.Unlock()
				}
			})
		}
		wg.Wait()
		model := decidingModel
		model.Init = func() any { return begin }
		if got := porcupine.CheckOperationsTimeout(model, history, 20*time.Second); got != porcupine.Ok {
			for _, op := range history {
				t.Logf("%d-%d client %d: %+v -> %v", op.Call, op.Return, op.ClientId, op.Input, op.Output)
			}
			require.Equal(t, porcupine.Ok, got, "seed %d: no single order explains what people were told", seed)
		}
		d.kept(done)
	}
}

// decided is a job with a quote that waits for an answer.
type decided struct {
	t       *test
	shop    *workflow.Shop
	number  workflow.JobNumber
	links   *link.Maker
	digests sync.Map // revision -> digest
}

func newDecided(t *test, shop workflow.ShopID) *decided {
	open := []string{"00:00-24:00"}
	cal, err := calendar.New(calendar.Spec{TimeZone: "Europe/Lisbon", Hours: map[string][]string{"mon": open, "tue": open, "wed": open, "thu": open, "fri": open, "sat": open, "sun": open}})
	require.NoError(t, err)
	key, err := link.NewKey(rand.Reader, 1)
	require.NoError(t, err)
	maker, err := link.NewMaker(key)
	require.NoError(t, err)
	d := &decided{t: t, links: maker, shop: &workflow.Shop{
		ID: shop, Name: "Harbour Bench", BaseURL: "http://localhost", Calendar: cal, Currency: "EUR", Prices: money.BeforeTax, Languages: []string{"en"},
		QuoteDays: 2, LinkFor: time.Hour * 24 * 365, UndoFor: 30 * time.Minute,
	}}
	counter, bench := workflow.Actor{Role: workflow.RoleCounter, ID: "ada"}, workflow.Actor{Role: workflow.RoleBench, ID: "tom"}
	j, err := d.service(Begin).Do(t.ctx, workflow.Order{By: counter, Commands: []workflow.Command{workflow.Book{
		Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example"}, Kind: "film scanner", Fault: "Hums.",
	}}})
	require.NoError(t, err)
	d.number = j.Number
	photo := workflow.Photo{Original: "aa", Copies: workflow.Copies{Large: workflow.Copy{Digest: "bb", Width: 16, Height: 12}, Small: workflow.Copy{Digest: "cc", Width: 4, Height: 3}}, Kind: workflow.PhotoArrival}
	d.must(bench, workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}}},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}},
		workflow.AddPhoto{Photo: photo}, workflow.Go{To: workflow.StageReceived}, workflow.NoteCondition{Text: "Good"}, workflow.TryFault{Result: workflow.FaultReproduced},
		workflow.Go{To: workflow.StageDiagnosing}, workflow.NameSuspect{Text: "Lamp"}, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Looked", Outcome: workflow.CheckConfirmed}})
	d.must(counter, workflow.SendReport{Text: workflow.ReportText{Short: "The lamp."}}, quoteOf(""), workflow.Go{To: workflow.StageAwaitingApproval})
	next, err := d.service(Begin).NextWake(t.ctx)
	require.NoError(t, err)
	require.Equal(t, d.job().WakeAt(d.shop), next, "the service knows when to wake")
	return d
}

func quoteOf(reason string) workflow.IssueQuote {
	line := func(price string) money.Request {
		return money.Request{Lines: []money.Line{{Kind: money.Labour, Text: "Bench time", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price)}}}
	}
	return workflow.IssueQuote{Reason: reason, Options: []workflow.Option{
		{Kind: workflow.OptionRepair, Title: "Repair", Price: line("80.00")}, {Kind: workflow.OptionReplace, Title: "Another one", Price: line("12.00")},
	}}
}

// service is a server of its own, with a clock of its own.
func (d *decided) service(at time.Time) *workflow.Service {
	return workflow.Service{Shop: d.shop, Links: d.links, Now: func() time.Time { return at }, Random: rand.Reader, Log: slog.New(slog.DiscardHandler)}.On(d.t.store)
}

func (d *decided) must(by workflow.Actor, commands ...workflow.Command) {
	d.t.Helper()
	_, err := d.service(Begin).Do(d.t.ctx, workflow.Order{Job: d.number, By: by, Commands: commands})
	require.NoError(d.t, err)
}

func (d *decided) job() *workflow.Job {
	j, err := d.t.store.Job(d.t.ctx, d.shop.ID, d.number)
	require.NoError(d.t, err)
	return j
}

func (d *decided) model() quoteModel {
	j := d.job()
	q := j.Quote()
	d.digests.Store(1, q.Digest)
	return quoteModel{Revision: 1, State: "open", Expires: q.ExpiresAt.UnixMilli(), Changed: j.ChangedAt.UnixMilli()}
}

// digest is what a page showed of a revision. Of one that is not out yet nobody can know it; one that is
// out may be known before whoever issued it has heard that it is.
func (d *decided) digest(revision int) string {
	if s, ok := d.digests.Load(revision); ok {
		return s.(string)
	}
	if j, err := d.t.store.Job(d.t.ctx, d.shop.ID, d.number); err == nil && revision <= len(j.Quotes) {
		return j.Quotes[revision-1].Digest
	}
	return "not known"
}

func (d *decided) act(a act, name string) string {
	o := workflow.Order{Job: d.number, By: workflow.Actor{Role: workflow.RoleCustomer, ID: name}}
	switch a.What {
	case doApprove, doDecline:
		o.Commands = []workflow.Command{workflow.Decide{Verdict: workflow.Verdict(a.What), Digest: d.digest(a.Revision), Option: a.Option, Name: name, Round: a.Round}}
	case doUndo:
		o.Commands = []workflow.Command{workflow.UndoDecision{Digest: d.digest(a.Revision), Round: a.Round, Agent: name}}
	case doWithdraw:
		o.By.Role, o.Commands = workflow.RoleCounter, []workflow.Command{workflow.WithdrawQuote{Reason: "Wrong"}}
	case doReissue:
		o.By.Role, o.Commands = workflow.RoleCounter, []workflow.Command{workflow.WithdrawQuote{Reason: "Wrong"}, quoteOf("It changed."), workflow.Go{To: workflow.StageAwaitingApproval}}
	case doBegin:
		o.By.Role, o.Commands = workflow.RoleBench, []workflow.Command{workflow.NameSuspect{Text: name}}
		o.Commands = []workflow.Command{workflow.DoWork{Text: name}}
	case doWake:
		o.By.Role, o.Commands = workflow.RoleSystem, []workflow.Command{workflow.Wake{}}
	}
	j, err := d.service(time.UnixMilli(a.At).UTC()).Do(d.t.ctx, o)
	switch code := workflow.CodeOf(err); {
	case err == nil:
	case code == workflow.CodeConflict:
		return cameConflict
	case code == workflow.CodeGone:
		return cameGone
	case code == workflow.CodeRefused:
		return cameRefused
	default:
		return "failed: " + errors.Unwrap(err).Error()
	}
	switch a.What {
	case doApprove, doDecline:
		if s := j.AnswerTo(a.Revision); s == nil || s.By.ID != name {
			return cameAgain
		}
	case doReissue:
		d.digests.Store(j.Quote().Revision, j.Quote().Digest)
	}
	return cameDone
}

// kept compares what people were told with the history: no decision was lost, none is there twice, and each
// has its mail in the outbox.
func (d *decided) kept(done int) {
	events, err := d.t.store.Events(d.t.ctx, d.shop.ID, d.number, 0)
	require.NoError(d.t, err)
	_, err = workflow.VerifyChain(events)
	require.NoError(d.t, err)
	made, standing := 0, map[int]int{}
	for _, e := range events {
		require.NoError(d.t, e.Decode())
		switch p := e.Payload.(type) {
		case *workflow.DecisionMade:
			made++
			standing[p.Decision.Revision]++
			require.Equal(d.t, 1, standing[p.Decision.Revision], "two answers stand on one revision")
		case *workflow.DecisionUndone:
			standing[p.Revision]--
		}
	}
	require.Equal(d.t, done, made, "as many decisions as were confirmed")
	entries, err := d.t.store.Entries(d.t.ctx, d.shop.ID, d.number)
	require.NoError(d.t, err)
	mails := 0
	for _, e := range entries {
		if e.Kind == workflow.NoticeDecision {
			mails++
		}
	}
	require.Equal(d.t, made, mails, "every decision is confirmed by email")
	require.Len(d.t, d.job().Decisions, made)
}
