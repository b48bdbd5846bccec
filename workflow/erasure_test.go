package workflow

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// album notes what is done to the photos; drafts keeps what is being written.
type album struct {
	cleared, discarded []string
	mended             []int
	// while is done as copies are being discarded.
	while func()
}

func (a *album) Clear(_ context.Context, _ ShopID, n JobNumber) error {
	a.cleared = append(a.cleared, string(n))
	return nil
}

func (a *album) Discard(_ context.Context, _ ShopID, _ JobNumber, digests ...string) error {
	a.discarded = append(a.discarded, digests...)
	if a.while != nil {
		a.while()
	}
	return nil
}

func (a *album) Mend(_ context.Context, _ ShopID, _ JobNumber, p *Photo) error {
	for _, c := range p.Copies.All() {
		if slices.Contains(a.discarded, c.Digest) {
			a.mended = append(a.mended, p.ID)
			break
		}
	}
	return nil
}

type drafts struct {
	*oneJob
	keys map[string]bool
}

func (d *drafts) ListKeys(_ context.Context, _ ShopID, _ string, _ time.Time) (out []KeyValue, _ error) {
	for k := range d.keys {
		out = append(out, KeyValue{Key: k})
	}
	return out, nil
}

func (d *drafts) DeleteKey(_ context.Context, _ ShopID, _, key string) error {
	delete(d.keys, key)
	return nil
}

func (d *drafts) PutKey(_ context.Context, _ ShopID, bucket, key string, _ []byte, _ time.Time) error {
	d.keys[bucket+" "+key] = true
	return nil
}

// effects are the kinds of the effects that were committed, in order.
func (b *bench) effects() (out []NoticeKind) {
	for _, e := range b.store.notices {
		if e.Channel == Effects {
			out = append(out, e.Kind)
		}
	}
	return out
}

// Photos and drafts are gone after erasing, by an effect that is committed with it.
func TestErasingIsAnEffect(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Mira Osei"})
	b.do(counter, pass(SafetyTest), packAll, PrepareShipment{InPerson: true}, Go{To: StageShipped})
	require.Empty(t, b.effects())
	b.do(owner, ErasePerson{})
	require.Equal(t, []NoticeKind{EffectForget}, b.effects())

	photos, store := &album{}, &drafts{b.store, map[string]bool{string(b.n) + "/report": true, "K7M2QX8/report": true}}
	b.s.Pictures, b.s.store = photos, store
	pages := 0
	b.s.Kept = []Kept{{"pages", func(context.Context, JobNumber) error { pages++; return nil }}}
	require.NoError(t, b.s.TakeEffect(t.Context(), b.n, EffectForget))
	require.Equal(t, []string{string(b.n)}, photos.cleared)
	require.Equal(t, 1, pages, "every place in the list is asked to let go")
	mark := b.s.marks(b.n, j.BookedAt)
	require.Equal(t, map[string]bool{"K7M2QX8/report": true, bucketForgotten + " " + mark[0]: true}, store.keys, "another job's draft stays")
	require.Error(t, b.s.TakeEffect(t.Context(), b.n, "another"))
}

func (d *drafts) Events(_ context.Context, _ ShopID, n JobNumber, after int64) ([]*Event, error) {
	return d.events[n][after:], nil
}

// Copies that show what was blurred since are discarded, and no others.
func TestBlurringIsAnEffect(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	b.do(technician, DescribePhoto{ID: 1, Kind: PhotoArrival, Alt: "A parcel"})
	require.Empty(t, b.effects(), "the copies are the same")
	b.do(technician, DescribePhoto{ID: 1, Kind: PhotoArrival, Marks: []Mark{{Kind: MarkBlur, X2: 100, Y2: 100}}, Copies: Copies{Large: Copy{"dd", 1600, 1200}, Small: Copy{"ee", 480, 360}}})
	require.Equal(t, []NoticeKind{EffectDiscard}, b.effects())
	photos := &album{}
	b.s.Pictures, b.s.store = photos, &drafts{oneJob: b.store}
	require.NoError(t, b.s.TakeEffect(t.Context(), b.n, EffectDiscard))
	require.ElementsMatch(t, []string{"bb", "cc"}, photos.discarded)
	require.Empty(t, photos.mended)
}

// A photo that is drawn as it was before, while the copies from before are being discarded, has them again.
func TestADrawingDuringTheDiscarding(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	before := b.job().Photos[0].Copies
	b.do(technician, DescribePhoto{ID: 1, Kind: PhotoArrival, Marks: []Mark{{Kind: MarkBlur, X2: 100, Y2: 100}}, Copies: Copies{Large: Copy{"dd", 1600, 1200}, Small: Copy{"ee", 480, 360}}})
	store := &drafts{oneJob: b.store}
	photos := &album{while: func() {
		b.s.store = b.store
		b.do(technician, DescribePhoto{ID: 1, Kind: PhotoArrival, Copies: before})
		b.s.store = store
	}}
	b.s.Pictures, b.s.store = photos, store
	require.NoError(t, b.s.TakeEffect(t.Context(), b.n, EffectDiscard))
	require.ElementsMatch(t, []string{"bb", "cc"}, photos.discarded)
	require.Equal(t, []int{1}, photos.mended)
	// The other order: the copies went after they were drawn, and before the job named them. Its own effect sees it.
	photos.mended, photos.while = nil, nil
	require.NoError(t, b.s.TakeEffect(t.Context(), b.n, EffectDiscard))
	require.Equal(t, []int{1}, photos.mended)
}

// typed brings a job to its end with a text of its own in everything that may say something about a person.
func typed(b *bench) {
	book := booking
	book.Inbound, book.Model = "INBOUND-1", "the Mira special"
	b.do(customer, book)
	p := photo(PhotoArrival)
	p.Photo.Caption, p.Photo.Alt = Plain("caption-typed"), Plain("alt-typed")
	p.Photo.Marks = []Mark{{Kind: MarkPoint, Text: Plain("mark-typed")}}
	b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}, {Text: "Film holder"}}, Serial: "serial-typed"},
		AnswerScreening{Screening{Lithium: No, CellDamaged: No, Mains: Yes, Liquid: No, Note: Plain("screening-typed")}}, p, p, Go{To: StageReceived})
	b.do(technician, DescribePhoto{ID: 1, Kind: PhotoArrival, Caption: "described-typed", Alt: "described-alt-typed", Marks: p.Photo.Marks}, RemovePhoto{ID: 2, Reason: "removed-typed"})
	b.do(technician, PlaceHold{Reason: HoldCustomer, Note: "hold-typed"}, LiftHold{}, NoteCondition{"condition-typed"}, TryFault{Result: FaultReproduced, Note: "tried-typed"}, Go{To: StageDiagnosing})
	b.do(counter, ExplainDelay{Reason: "prepared-typed"}, MovePromise{Days: 20, Reason: "moved-typed"})
	b.do(technician, NoteFinding{Finding: Finding{Text: "A crack", Origin: OriginWear, Weight: WeightCosmetic, Certainty: CertaintySeen}}, WithdrawFinding{ID: 1, Reason: "withdrawn-typed"}, RaiseDuty{Duty{Text: "Clean it", Before: StageShipped}})
	b.do(technician, NoteFinding{Finding: Finding{Text: "A dry joint", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintySeen}})
	b.do(counter, WaiveDuty{ID: 1, Reason: "waived-typed"}, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00")}, Note: "quote-note-typed"}, Go{To: StageAwaitingApproval})
	b.do(counter, WithdrawQuote{Reason: "taken-back-typed"})
	b.do(counter, IssueQuote{Options: []Option{repairOption("90.00")}, Reason: "revised-typed"}, Go{To: StageAwaitingApproval})
	b.approve()
	b.do(technician, DoWork{Text: "Cleaned"}, Go{To: StageTesting}, DoTest{Test: Test{Name: "Function", Passed: true, Note: Plain("test-typed")}}, pass(SafetyTest))
	b.do(counter, SetCharge{Amount: "50.00", Reason: "charged-typed"}, DeclareReady{Note: "ready-typed"},
		Pack{[]PackedItem{{Item: 1, Fate: FateReturned, Note: Plain("packed-typed")}, {Item: 2, Fate: FateReturned}}}, PrepareShipment{Carrier: "Post", Parcel: "OUTBOUND-1", Serial: "serial-typed"},
		Go{To: StageShipped, Reason: "ended-typed"})
}

// allTyped are those texts, with what is the person's own.
var allTyped = []string{
	"Mira", "mira@post.example", "Quay Row", "in the middle of a frame", "INBOUND-1", "the Mira special", "caption-typed", "alt-typed", "mark-typed", "serial-typed", "screening-typed",
	"described-typed", "described-alt-typed", "removed-typed", "hold-typed", "condition-typed", "tried-typed", "prepared-typed", "moved-typed", "withdrawn-typed", "waived-typed", "quote-note-typed",
	"taken-back-typed", "revised-typed", "test-typed", "charged-typed", "ready-typed", "packed-typed", "OUTBOUND-1", "ended-typed",
}

// What staff type about a person is in the vault only: no event and no stored job holds it at any time, and after
// erasing nothing that is left says it.
func TestWordsAreSealed(t *testing.T) {
	b := newBench(t)
	typed(b)
	said := func(events []*Event) string {
		var out strings.Builder
		for _, e := range events {
			line, err := e.Canonical()
			require.NoError(t, err)
			out.Write(line)
		}
		state, err := json.Marshal(b.store.jobs[b.n])
		require.NoError(t, err)
		return out.String() + string(state)
	}
	vault := fmt.Sprint(b.store.secrets[b.n])
	events := b.store.events[b.n]
	for _, x := range allTyped {
		require.NotContains(t, said(events), x)
		require.Contains(t, vault, x, "a text that nobody typed proves nothing")
	}
	require.Zero(t, Unsealed(events))
	_, err := VerifyChain(events)
	require.NoError(t, err)
	j := b.do(owner, ErasePerson{})
	index := fmt.Sprint(j.index(b.s.Shop))
	for _, x := range allTyped {
		require.NotContains(t, index, x)
	}
	require.Contains(t, index, "Halden film scanner", "the rest of the device's name stays")
	for _, q := range j.Quotes {
		digest, err := q.QuoteTerms.Digest()
		require.NoError(t, err)
		require.Equal(t, q.Digest, digest, "what was agreed to can still be checked")
	}
}

// What an earlier version wrote in clear reads as it was typed, is lost to the job when its person is erased, and is
// counted, since its events can't change. A stored job that an earlier version erased gives nothing of it either.
func TestWordsInClear(t *testing.T) {
	old := func(seq int64, prev, wire, data string) *Event {
		return &Event{Shop: "harbour", Job: "K7M2QX8", Seq: seq, At: time.Date(2026, 11, 2, 9, 0, int(seq), 0, time.UTC), By: counter, Wire: wire, Data: json.RawMessage(data), Prev: prev}
	}
	book := old(1, "", "job.booked/1", `{"customer":{"address":"","email":"","language":"en","name":"","phone":""},"device":{"kind":"radio","maker":"Halden","model":"F2"},"fault":"","inbound":"IN-1"}`)
	head, err := book.Hash()
	require.NoError(t, err)
	moved := old(2, head, "stage.moved/1", `{"from":"booked","outcome":"cancelled","reason":"Zephyrine never sent it","to":"withdrawn"}`)
	head, err = moved.Hash()
	require.NoError(t, err)
	j, err := Replay([]*Event{book, moved})
	require.NoError(t, err)
	require.Equal(t, "Zephyrine never sent it", j.EndReason.Text)
	before, err := json.Marshal(j)
	require.NoError(t, err)
	require.Contains(t, string(before), `"end_reason":"Zephyrine never sent it"`, "the stored form is what it was")
	events := []*Event{book, moved, old(3, head, "person.erased/1", `{}`)}
	require.Equal(t, 2, Unsealed(events[:2]))
	j, err = Replay(events)
	require.NoError(t, err)
	require.True(t, j.EndReason.Erased() && j.Inbound.Erased())
	after, err := json.Marshal(j)
	require.NoError(t, err)
	require.NotContains(t, string(after), "Zephyrine")
	require.Equal(t, "Halden F2 radio", j.Device.Name())

	left := &Job{}
	require.NoError(t, json.Unmarshal([]byte(`{"end_reason":"Zephyrine never sent it","erased":"2026-11-02T09:00:03Z"}`), left))
	Vault{}.Unseal(left)
	require.Empty(t, left.EndReason.Text)
}

// A shop that keeps people for some months after the end erases them by itself then, and not before.
func TestRetention(t *testing.T) {
	b := newBench(t)
	b.s.Shop.EraseMonths = 6
	b.do(customer, booking)
	j := b.do(counter, Go{To: StageWithdrawn, Outcome: OutcomeCancelled})
	due := j.EndedAt.AddDate(0, 6, 0)
	require.Equal(t, due, b.store.wakes[b.n])
	j = b.passes(due.Add(-time.Millisecond).Sub(b.now))
	require.Zero(t, j.Erased)
	j = b.passes(time.Millisecond)
	require.Equal(t, due, j.Erased)
	require.Equal(t, []NoticeKind{EffectForget}, b.effects())
	require.Zero(t, b.store.wakes[b.n])

	b = newBench(t)
	b.do(customer, booking)
	b.do(counter, Go{To: StageWithdrawn, Outcome: OutcomeCancelled})
	require.Zero(t, b.store.wakes[b.n], "a shop that says nothing keeps them")
}
