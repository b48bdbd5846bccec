package shopyears

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchword/notify"
	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/longtest"
	"benchword/workflow/store/memory"
	"benchword/workflow/store/redis/redistest"

	"github.com/stretchr/testify/require"
)

var (
	seedFlag = flag.Uint64("seed", 0, "play this one shop only")
	daysFlag = flag.Int("days", 0, "how many days each shop is played; 0 means the usual")
	shrink   = flag.Duration("shrink", 20*time.Second, "how long the shortest history is looked for")
	forFlag  = flag.Duration("for", 0, "play shops for so long")
	fromFlag = flag.Uint64("from", 0, "with -for: play the seeds from this one on; 0 draws them")
)

func init() {
	portal.HashMemory = 8
	debug.SetGCPercent(400) // a play makes much and keeps little
}

// step is one thing that happens in a play. A history of them can be played again, with some left out.
type step struct {
	gap    time.Duration
	habit  string
	book   int
	chance uint64
	rough  bool // what the mail server does meanwhile is drawn from the chance
}

// play is a shop being played.
type play struct {
	*shop
	books    []*book
	byNumber map[string]*book
	history  []step
	happened map[string]int
	commands int
	booked   int
	newID    int
	read     int // emails
	faults   bool
}

func newPlay(t testing.TB, seed uint64, open func() workflow.Store, faults bool) *play {
	p := &play{shop: newShop(t, seed, open), byNumber: map[string]*book{}, happened: map[string]int{}}
	p.faults = faults || rand.New(rand.NewPCG(seed, 3)).IntN(2) == 0
	return p
}

func (p *play) once(what string) { p.happened[what]++ }

func (p *play) add(b *book) {
	p.books, p.byNumber[b.number] = append(p.books, b), b
}

// running counts the jobs that have not ended.
func (p *play) running() int {
	n := 0
	for _, b := range p.books {
		if !b.ended {
			n++
		}
	}
	return n
}

func (p *play) book(id int) *book {
	for _, b := range p.books {
		if b.id == id {
			return b
		}
	}
	return nil
}

// settles lets what is due happen, and reads the emails that came of it.
func (p *play) settles() {
	p.settle()
	for p.read < len(p.post.letters) {
		l := p.post.letters[p.read]
		p.read++
		m := numberIn.FindStringSubmatch(l.text)
		if m == nil {
			panic(&broken{truth: "every email answers", says: "an email without a job number: " + l.subject})
		}
		if b := p.byNumber[strings.ReplaceAll(m[1], "-", "")]; b != nil {
			p.learns(b)
			p.reads(b, l)
		}
	}
	for _, x := range p.phones.told {
		p.hears(x)
	}
	p.phones.told = nil
}

// until moves the clock on, and stops where something is due.
func (p *play) until(at time.Time) {
	for range 10000 {
		next := p.next()
		if next.IsZero() || next.After(at) {
			break
		}
		p.happens()
		if next.After(p.clock.Now()) {
			p.clock.Set(next)
		} else {
			p.clock.Move(time.Second)
		}
		p.settles()
	}
	if at.After(p.clock.Now()) {
		p.happens()
		p.clock.Set(at)
	}
}

// waits reports whether an email about a job has not left.
func (p *play) waits(b *book) bool {
	list, err := p.svc.Entries(context.Background(), workflow.JobNumber(b.number))
	must(err)
	return slices.ContainsFunc(list, func(e workflow.Entry) bool { return e.State == workflow.EntryQueued && e.Channel == workflow.Email })
}

// learns takes into the book what time has brought about, as the record has it.
func (p *play) learns(b *book) {
	now := p.clock.Now()
	if b.ended && b.gone.IsZero() {
		b.gone = now
	}
	d := p.doc(b)
	if b.q != nil && b.q.state == "open" && !now.Before(b.q.expires) {
		b.q.state, b.wonders = "expired", false
	}
	if b.where() == "recycling" && d.Stage == "withdrawn" {
		b.stage, b.ended, b.outcome = "withdrawn", true, "recycled"
	}
	for _, n := range d.Notices {
		b.lost = b.lost || !n.BuriedAt.IsZero() || !n.BouncedAt.IsZero()
	}
	b.late = false
	n := len(d.Delays)
	if b.stage == "testing" || b.ended { // nothing is left to choose
		b.late0 = n
	}
	if n > 0 {
		x := d.Delays[n-1]
		if b.chose = x.Choice; b.chose == "" && n > b.late0 && now.Before(x.AnswerBy) && slices.Contains([]string{"received", "diagnosing", "awaiting_approval", "repairing"}, b.stage) {
			b.late = true
		}
		if x.Choice == "return" && slices.Contains([]string{"received", "diagnosing", "awaiting_approval", "repairing"}, b.stage) {
			b.stage, b.outcome, b.queued, b.yes, b.hold = "testing", "returned_unrepaired", true, nil, ""
			if b.q != nil && b.q.state == "open" || b.q != nil && b.q.state == "approved" {
				b.q.state = "declined"
			}
		}
		if x.Unanswered {
			p.once("silence means " + x.Choice)
		}
	}
}

// do plays one step: the habit where it makes sense, and a look at the job.
func (p *play) do(x step) {
	p.until(p.clock.Now().Add(x.gap))
	r := rand.New(rand.NewPCG(x.chance, 7))
	p.post.weather = nil
	p.post.slow = nil
	if weather := pick(r, notify.PutOff, notify.Unknown, notify.Unreached, notify.Refused, ""); x.rough && weather == "" {
		p.runsSlow()
	} else if x.rough {
		left := 1 + r.IntN(3)
		p.post.weather = func() notify.Fate {
			if left--; left >= 0 {
				p.once("mail server: " + string(weather))
				return weather
			}
			return notify.Accepted
		}
	}
	i := slices.IndexFunc(habits, func(h habit) bool { return h.name == x.habit })
	b := p.book(x.book)
	h := habits[i]
	if h.name == "books" {
		b = nil
		p.newID = x.book
	}
	if h.name != "books" && b == nil || b != nil && h.name != "books" && p.stale(b) || !h.when(p, b) {
		return
	}
	before := p.commands
	do := func() { h.do(p, b, r) }
	if p.faults && rand.New(rand.NewPCG(x.chance, 9)).IntN(50) == 0 && h.name != "the power fails" {
		p.fillsUp(do)
	} else {
		do()
	}
	p.settles()
	if p.commands == before && h.name != "the power fails" {
		p.commands++
	}
	p.once(h.name)
	if b == nil {
		b = p.book(x.book)
	}
	if b != nil { // a booking may have been refused
		p.check(b)
	}
}

// stale lets people know what time has done before they act.
func (p *play) stale(b *book) bool {
	p.learns(b)
	return false
}

var habits = slices.Concat(people, staff)

// draws chooses the next step.
func (p *play) draws(r *rand.Rand) step {
	x := step{chance: r.Uint64(), rough: p.faults && r.IntN(12) == 0}
	hour := p.clock.Now().In(p.zone()).Hour()
	switch {
	case hour >= 18 || hour < 8:
		x.gap = time.Duration(60+r.IntN(300)) * time.Minute
	case r.IntN(4) == 0:
		x.gap = time.Duration(r.IntN(50)) * time.Second
	default:
		x.gap = time.Duration(1+r.IntN(150)) * time.Minute
	}
	night := hour >= 19 || hour < 7
	for {
		list := people
		if !night || r.IntN(10) == 0 {
			list = habits
		}
		var b *book
		if n := len(p.books); n > 0 && r.IntN(7) > 0 {
			b = p.books[max(0, n-1-r.IntN(min(n, 14)))]
		}
		weights, sum := make([]int, len(list)), 0
		for i, h := range list {
			if (b == nil) == (h.name == "books") && h.when(p, b) {
				weights[i] = h.often
				sum += h.often
			}
		}
		if sum == 0 {
			if b == nil && len(p.books) == 0 {
				x.habit = "books"
				return x
			}
			if r.IntN(30) == 0 {
				x.habit, x.book = "asks for the link", 0
				return x
			}
			continue
		}
		n := r.IntN(sum)
		for i, w := range weights {
			if n -= w; n < 0 {
				if x.habit = list[i].name; b == nil {
					x.book = len(p.books)
				} else {
					x.book = b.id
				}
				return x
			}
		}
	}
}

// caught runs what may find a contradiction, and returns it.
func caught(do func()) (b *broken) {
	defer func() {
		if x := recover(); x != nil {
			var ok bool
			if b, ok = x.(*broken); !ok {
				panic(x)
			}
		}
	}()
	do()
	return nil
}

// plays plays a shop for some days, then heals it. It returns the first contradiction.
func plays(t testing.TB, seed uint64, days int, open func() workflow.Store, faults bool) (*play, *broken) {
	var p *play
	r := rand.New(rand.NewPCG(seed, 2))
	b := caught(func() {
		p = newPlay(t, seed, open, faults)
		end := p.clock.Now().AddDate(0, 0, days)
		for p.clock.Now().Before(end) {
			x := p.draws(r)
			p.history = append(p.history, x)
			p.do(x)
		}
		p.heals()
	})
	return p, b
}

// heals ends all faults: within an hour of the shop's clock nothing waits to be sent any more, but for what is kept
// for the morning.
func (p *play) heals() {
	p.post.weather, p.post.slow = nil, nil
	hour := p.clock.Now().Add(time.Hour)
	if q := p.cfg.Quiet; q.From != q.To {
		hour = hour.Add(12 * time.Hour)
	}
	p.until(hour)
	p.settles()
	left, err := p.svc.EntriesIn(context.Background(), workflow.EntryQueued, 100)
	must(err)
	left = slices.DeleteFunc(left, func(e workflow.Entry) bool { // just come up, and gathered; or it is night
		failed := slices.ContainsFunc(e.Attempts, func(a workflow.Attempt) bool {
			return !slices.Contains([]notify.Fate{notify.Held, notify.Paced}, notify.Fate(a.Result))
		})
		return !failed && e.NotBefore.After(p.clock.Now())
	})
	if len(left) > 0 {
		panic(&broken{truth: "it heals", says: fmt.Sprintf("%d entries wait an hour after all was well, the first %s of %s: %v", len(left), left[0].Kind, left[0].Job, left[0].Attempts)})
	}
	for _, b := range p.books {
		p.check(b)
		events, err := p.svc.Events(context.Background(), workflow.JobNumber(b.number), 0)
		must(err)
		for _, e := range events {
			p.once("event " + string(e.Kind()))
		}
	}
}

// again plays a history again, and returns the contradiction in it.
func again(t testing.TB, seed uint64, history []step, open func() workflow.Store, faults bool) *broken {
	return caught(func() {
		p := newPlay(t, seed, open, faults)
		for _, x := range history {
			p.do(x)
		}
		p.heals()
	})
}

// shortest leaves out of a history what the contradiction does not need, within a time.
func shortest(t testing.TB, seed uint64, history []step, truth string, job int, open func() func() workflow.Store, faults bool) []step {
	end := time.Now().Add(*shrink)
	without := func(drop func(i int, x step) bool) (less []step, ok bool) {
		var gap time.Duration // what is left out takes its time all the same
		for i, x := range history {
			if gap += x.gap; !drop(i, x) {
				x.gap, gap = gap, 0
				less = append(less, x)
			}
		}
		b := again(t, seed, less, open(), faults)
		return less, b != nil && b.kind() == truth
	}
	if less, ok := without(func(_ int, x step) bool { return x.book != job }); ok {
		history = less
	}
	for size := len(history) / 2; size > 0; {
		shorter := false
		for i := 0; i+size <= len(history) && time.Now().Before(end); {
			if less, ok := without(func(n int, _ step) bool { return n >= i && n < i+size }); ok {
				history, shorter = less, true
			} else {
				i += size
			}
		}
		if !shorter || size > len(history) {
			size /= 2
		}
	}
	return history
}

func inMemory() func() workflow.Store {
	s := memory.New()
	return func() workflow.Store { return s }
}

// tell writes down a contradiction: the seed, and the shortest history.
func tell(t testing.TB, seed uint64, p *play, b *broken, fresh func() func() workflow.Store) {
	t.Helper()
	if p == nil {
		t.Errorf("seed %d: %v", seed, b)
		return
	}
	// The truth may show only in the end.
	history := shortest(t, seed, p.history, b.kind(), b.job, fresh, p.faults)
	var out strings.Builder
	for _, x := range history {
		fmt.Fprintf(&out, "  +%v job %d %s", x.gap, x.book, x.habit)
		if x.rough {
			out.WriteString(" (the mail server is unwell)")
		}
		out.WriteString("\n")
	}
	if last := again(t, seed, history, fresh(), p.faults); last != nil {
		b = last
	}
	t.Errorf("seed %d: %s\n  %s\nthe shortest history found, of %d steps:\n%s", seed, b.truth, b.says, len(p.history), out.String())
}

// TestShopYears plays shops in memory: those whose seeds are kept, a share of them at a desk, and new ones in a long
// run, where a contradiction that nobody knows of yet stops nobody else's work.
func TestShopYears(t *testing.T) {
	t.Parallel()
	days := 21
	if *daysFlag > 0 {
		days = *daysFlag
	}
	seeds := []uint64{*seedFlag}
	if *seedFlag == 0 {
		seeds = nil
		share := longtest.Share(t, 4)
		for i, x := range kept(t) {
			if share(i) && *forFlag == 0 {
				seeds = append(seeds, x)
			}
		}
		for range longtest.Times(400, 0, 0) {
			seeds = append(seeds, rand.Uint64N(1e9))
		}
	}
	happened, played, commands := map[string]int{}, 0, 0
	begun := time.Now()
	for i := 0; i < len(seeds) || *forFlag > 0 && time.Since(begun) < *forFlag; i++ {
		seed := rand.Uint64N(1e9)
		switch {
		case i < len(seeds):
			seed = seeds[i]
		case *fromFlag > 0:
			seed = *fromFlag + uint64(i-len(seeds))
		}
		p, b := plays(t, seed, days, inMemory(), false)
		if b != nil {
			tell(t, seed, p, b, func() func() workflow.Store { return inMemory() })
		}
		played += days
		commands += p.commands
		for k, n := range p.happened {
			happened[k] += n
		}
	}
	t.Logf("%d shop-days, %d commands, %v", played, commands, time.Since(begun).Round(time.Second))
	if *seedFlag == 0 && *daysFlag == 0 {
		var never []string
		for _, x := range sometimes() {
			if happened[x] == 0 && (longtest.Long() || !slices.Contains(seldom, x)) {
				never = append(never, x)
			}
		}
		if longtest.Whole() {
			require.Empty(t, never, "these plays are too tame: none of this happened in them")
		}
		t.Logf("did not happen: %q", never)
	}
}

// TestShopYearsOnDisk plays on the databases that shops run on: a power failure opens them anew.
func TestShopYearsOnDisk(t *testing.T) {
	t.Parallel()
	inDepth(t, onDisk)
}

// TestShopYearsOnRedis plays on a real server, which a power failure kills.
func TestShopYearsOnRedis(t *testing.T) {
	longtest.Gate(t)
	t.Parallel()
	redistest.Program(t)
	inDepth(t, onRedis)
}

// inDepth plays shops of eight days, each with all that fails.
func inDepth(t *testing.T, on func(testing.TB) func() workflow.Store) {
	days := longtest.Times(8, 8, 4)
	if *daysFlag > 0 {
		days = *daysFlag
	}
	happened := map[string]int{}
	for i := range longtest.Times(40, 6, 1) {
		seed, fresh := uint64(i), func() func() workflow.Store { return on(t) }
		if *seedFlag > 0 {
			seed = *seedFlag
		}
		p, b := plays(t, seed, days, fresh(), true)
		if b != nil {
			tell(t, seed, p, b, fresh)
		}
		for k, n := range p.happened {
			happened[k] += n
		}
	}
	if longtest.Whole() {
		for _, x := range []string{"killed", "disk full", "the clock is set back", "mail server: slow"} {
			require.NotZero(t, happened[x], x)
		}
	}
}

// TestTheBookAsksNobody holds what is true to the people's own knowledge: no file of this package may ask the domain
// for what it says stands, is to be done, is due or is to be told. What the interface answers is a surface like others.
func TestTheBookAsksNobody(t *testing.T) {
	files, err := filepath.Glob("*_test.go")
	require.NoError(t, err)
	for _, name := range files {
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.SelectorExpr:
				if pkg, ok := n.X.(*ast.Ident); ok && pkg.Name == "workflow" {
					require.NotRegexp(t, `^(Standing|Where|Need|Why|Date|Todo|Notice)`, n.Sel.Name, name)
				}
			case *ast.CallExpr:
				if x, ok := n.Fun.(*ast.SelectorExpr); ok {
					require.NotContains(t, []string{"StatusOf", "Todo", "WakeAt", "Due", "DueOf", "LastTold", "Tellings", "Charge", "Balance", "DepositOpen", "ToChoose", "Decidable", "OpenQuestion"}, x.Sel.Name, name)
				}
			}
			return true
		})
	}
}

// kept are the seeds that are played each time.
func kept(t testing.TB) []uint64 {
	b, err := os.ReadFile(filepath.Join("testdata", "seeds.txt"))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	require.NoError(t, err)
	var out []uint64
	for l := range strings.Lines(string(b)) {
		if f := strings.Fields(l); len(f) > 0 && !strings.HasPrefix(l, "#") {
			n, err := strconv.ParseUint(f[0], 10, 64)
			require.NoError(t, err)
			out = append(out, n)
		}
	}
	return out
}

// seldom is what the seeds of the gate do not reach; a long run must.
var seldom = []string{
	"answer after expiry", "within the limit", "refund", "unpacks what was handed in", "goes back to the bench", "did not cure it", "pays money back", "charges less",
	"event duty.dropped", "event duty.waived", "event charge.set",
	"need collect_pay on a page", "need collect_pay in an email", "when none on a page", "when paused on a page", "when ready on a page",
}

// elsewhere are events that no play brings about: they need forms, devices or settings that it has not.
var elsewhere = []workflow.EventKind{
	workflow.KindSymptomNoted, workflow.KindCheckPlanned, workflow.KindPhotoDescribed, workflow.KindDeviceShut, workflow.KindDeviceMadeSafe,
	workflow.KindConfirmAsked, workflow.KindConfirmAnswered, workflow.KindPromiseAtRisk, workflow.KindTargetMissed,
}

// sometimes lists what must have happened in the gate's run, or its plays are too tame to say anything.
func sometimes() []string {
	out := []string{"answer approve", "answer decline", "answer after expiry", "answer taken back", "further quote", "within the limit", "telephone approve", "bounce then new address", "two staff on one job", "erased", "chose agree", "chose return", "the same email twice", "killed", "refund"}
	for _, h := range habits {
		out = append(out, h.name)
	}
	for _, k := range workflow.EventKinds() {
		if !slices.Contains(elsewhere, k) && (*forFlag > 0 || longtest.Long()) { // two dozen plays are too few for some
			out = append(out, "event "+string(k))
		}
	}
	for _, n := range needs {
		out = append(out, "need "+n+" on a page", "need "+n+" in an email")
	}
	for _, w := range whens {
		out = append(out, "when "+w+" on a page")
	}
	return out
}
