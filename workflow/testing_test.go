package workflow

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"io"
	"log/slog"
	"reflect"
	"sync"
	"testing"
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/link"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// oneJob is the least store that the service can run on: a map of jobs, for tests inside the package
// (the real ones can't be imported here). It re-reads every job through its stored form.
type oneJob struct {
	Store
	mu      sync.Mutex
	jobs    map[JobNumber]*Job
	events  map[JobNumber][]*Event
	secrets map[JobNumber]Vault
	notices []Entry
	wakes   map[JobNumber]time.Time
	links   map[link.Hash]LinkRow
}

func newOneJob() *oneJob {
	return &oneJob{jobs: map[JobNumber]*Job{}, events: map[JobNumber][]*Event{}, secrets: map[JobNumber]Vault{}, wakes: map[JobNumber]time.Time{}, links: map[link.Hash]LinkRow{}}
}

func (s *oneJob) Job(_ context.Context, _ ShopID, n JobNumber) (*Job, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	j, ok := s.jobs[n]
	if !ok {
		return nil, &Error{Code: CodeNotFound, Message: "There is no such job."}
	}
	c := j.clone()
	Vault(s.secrets[n]).Unseal(c)
	return c, nil
}

func (s *oneJob) Commit(_ context.Context, c *Commit) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var have int64
	if j := s.jobs[c.Job]; j != nil {
		have = j.Version
	}
	if have != c.Expect {
		return Conflict(nil)
	}
	if s.secrets[c.Job] == nil || c.Forget {
		s.secrets[c.Job] = Vault{}
	}
	for _, digest := range c.Wipe {
		delete(s.secrets[c.Job], digest)
	}
	for _, x := range c.Secrets {
		s.secrets[c.Job][x.Digest] = x.Text
	}
	s.jobs[c.Job] = c.State.clone()
	s.events[c.Job] = append(s.events[c.Job], c.Events...)
	s.notices = append(s.notices, c.Notices...)
	for _, l := range c.Links {
		s.links[l.Hash] = l
	}
	s.wakes[c.Job] = c.WakeAt
	return nil
}

func (s *oneJob) Due(_ context.Context, _ ShopID, now time.Time, limit int) ([]JobNumber, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []JobNumber
	for n, at := range s.wakes {
		if !at.IsZero() && !at.After(now) && len(out) < limit {
			out = append(out, n)
		}
	}
	return out, nil
}

func (s *oneJob) Link(_ context.Context, _ ShopID, h link.Hash) (LinkRow, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if l, ok := s.links[h]; ok {
		return l, nil
	}
	return LinkRow{}, ErrNotFound
}

// bench is a shop with a service and a clock that only moves when told to.
type bench struct {
	t     testing.TB
	s     *Service
	store *oneJob
	now   time.Time
	n     JobNumber
}

var (
	counter    = Actor{Role: RoleCounter, ID: "ada"}
	technician = Actor{Role: RoleBench, ID: "tom"}
	owner      = Actor{Role: RoleOwner, ID: "olga"}
	customer   = Actor{Role: RoleCustomer, ID: "link"}
)

func testShop(t testing.TB) *Shop {
	c, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{
		"mon": {"09:00-17:00"}, "tue": {"09:00-17:00"}, "wed": {"09:00-17:00"}, "thu": {"09:00-17:00"}, "fri": {"09:00-17:00"},
	}})
	require.NoError(t, err)
	return &Shop{
		ID: "harbour", Name: "Harbour Bench", BaseURL: "http://localhost", Email: "bench@harbour.example",
		Calendar: c, Currency: "CAD", Prices: money.BeforeTax, Taxes: map[string]money.Tax{"hst": {Percent: money.MustDecimal("15")}},
		Languages: []string{"en"}, PromiseDays: 10, QuoteDays: 14, RemindDays: []int{2, 5}, WarrantyDays: 90,
		Tests: []string{"Function", SafetyTest}, LinkFor: 365 * 24 * time.Hour,
	}
}

func newBench(t testing.TB) *bench {
	key, err := link.NewKey(rand.Reader, 1)
	require.NoError(t, err)
	maker, err := link.NewMaker(key)
	require.NoError(t, err)
	b := &bench{t: t, store: newOneJob(), now: time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC)}
	b.s = Service{Shop: testShop(t), Links: maker, Now: func() time.Time { return b.now }, Random: rand.Reader, Log: slog.New(slog.NewTextHandler(io.Discard, nil))}.On(b.store)
	return b
}

func (b *bench) try(by Actor, commands ...Command) (*Job, error) {
	b.now = b.now.Add(time.Minute)
	j, err := b.s.Do(context.Background(), Order{Job: b.n, By: by, Commands: commands})
	if err == nil {
		b.n = j.Number
	}
	return j, err
}

func (b *bench) do(by Actor, commands ...Command) *Job {
	b.t.Helper()
	j, err := b.try(by, commands...)
	require.NoError(b.t, err)
	return j
}

func (b *bench) refuses(code Code, by Actor, commands ...Command) *Error {
	b.t.Helper()
	_, err := b.try(by, commands...)
	var e *Error
	require.ErrorAs(b.t, err, &e)
	require.Equal(b.t, code, e.Code, e.Message)
	require.NotEmpty(b.t, e.Message)
	return e
}

func (b *bench) passes(d time.Duration) *Job {
	b.t.Helper()
	b.now = b.now.Add(d)
	_, err := b.s.WakeDue(context.Background())
	require.NoError(b.t, err)
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(b.t, err)
	return j
}

var booking = Book{
	Person: Person{Name: "Mira Osei", Email: "mira@post.example", Address: "4 Quay Row\nLunenburg"},
	Kind:   "film scanner", Maker: "Halden", Model: "F2", Fault: "Hums, then stops in the middle of a frame.",
}

func photo(k PhotoKind) AddPhoto {
	return AddPhoto{Photo{Original: "aa", Copies: Copies{Large: Copy{"bb", 1600, 1200}, Small: Copy{"cc", 480, 360}}, Kind: k, Caption: Plain("The board"), Alt: Plain("A green board")}}
}

func repairOption(price string) Option {
	return Option{Kind: OptionRepair, Title: "Repair", Price: money.Request{Lines: []money.Line{{Kind: money.Labour, Text: "Bench time", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}}}}
}

func replaceOption() Option {
	return Option{Kind: OptionReplace, Title: "Replace it", Price: money.Request{Lines: []money.Line{{Kind: money.Carriage, Text: "Parcel", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal("12.00")}}}}
}

// toDiagnosing books a device and brings it onto the bench.
func (b *bench) toDiagnosing() *Job {
	b.t.Helper()
	b.do(customer, booking)
	b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}, {Text: "Film holder"}}, Serial: "H-20417"},
		AnswerScreening{Screening{Lithium: No, CellDamaged: No, Mains: Yes, Liquid: No}}, photo(PhotoArrival), Go{To: StageReceived})
	return b.do(technician, NoteCondition{"Scratched lid"}, TryFault{Result: FaultReproduced, Note: "Stops at the third frame"}, Go{To: StageDiagnosing})
}

// toAwaiting goes on to a quote that waits for the customer.
func (b *bench) toAwaiting() *Job {
	b.t.Helper()
	b.toDiagnosing()
	b.do(technician, NameSuspect{Text: "Lamp supply"}, DoCheck{Suspect: 1, Check: Check{Text: "Measured under load", Outcome: CheckConfirmed, Reading: "9.1 V"}},
		NoteFinding{Finding: Finding{Text: "A capacitor has dried out", Origin: OriginWear, Weight: WeightFault, Certainty: CertaintyMeasured, Reading: "ESR 9 ohm"}})
	return b.do(counter, SendReport{ReportText{Short: "It can be repaired."}}, IssueQuote{Options: []Option{repairOption("100.00"), replaceOption()}}, Go{To: StageAwaitingApproval})
}

func (b *bench) approve() *Job {
	b.t.Helper()
	j, err := b.s.Job(context.Background(), b.n)
	require.NoError(b.t, err)
	return b.do(customer, Decide{Verdict: VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei", Address: "192.0.2.7", Agent: "a browser"})
}

func pass(name string) DoTest { return DoTest{Test: Test{Name: name, Passed: true}} }

var packAll = Pack{[]PackedItem{{Item: 1, Fate: FateReturned}, {Item: 2, Fate: FateReturned}}}

// clone copies the job deeply, so that a command can be tried without touching the original.
func (j *Job) clone() *Job {
	vault := Vault{}
	eachSealed(reflect.ValueOf(j), func(s *Sealed) { vault[s.Digest] = s.Text })
	raw, err := json.Marshal(j)
	if err != nil {
		panic("workflow: a job that can't be encoded: " + err.Error())
	}
	c := &Job{}
	if err := json.Unmarshal(raw, c); err != nil {
		panic("workflow: a job that can't be decoded: " + err.Error())
	}
	vault.Unseal(c)
	return c
}
