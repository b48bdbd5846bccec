package sqlite

import (
	"crypto/rand"
	"log/slog"
	"os"
	"slices"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// erasedMarks is a list of who was erased, kept apart from the store.
type erasedMarks struct{ marks []string }

func (l *erasedMarks) All() ([]string, error) { return slices.Clone(l.marks), nil }

func (l *erasedMarks) Add(marks ...string) error {
	for _, m := range marks {
		if !slices.Contains(l.marks, m) {
			l.marks = append(l.marks, m)
		}
	}
	return nil
}

// forgetting is a shop in a folder that can be put back as it was.
type forgetting struct {
	t     *testing.T
	dir   string
	links *link.Maker
	list  *erasedMarks
	now   time.Time
	svc   *workflow.Service
	store *Store
}

func newForgetting(t *testing.T) *forgetting {
	key, err := link.NewKey(rand.Reader, 1)
	require.NoError(t, err)
	links, err := link.NewMaker(key)
	require.NoError(t, err)
	f := &forgetting{t: t, dir: t.TempDir(), links: links, list: &erasedMarks{}, now: time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC)}
	f.open()
	t.Cleanup(func() { require.NoError(t, f.store.Close()) })
	return f
}

func (f *forgetting) open() {
	cal, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{"mon": {"09:00-17:00"}}})
	require.NoError(f.t, err)
	f.store, err = Open(f.t.Context(), f.dir)
	require.NoError(f.t, err)
	s := workflow.Service{
		Shop:  &workflow.Shop{ID: "harbour", Name: "Harbour Bench", Calendar: cal, Currency: "CAD", Languages: []string{"en"}, LinkFor: 24 * time.Hour},
		Links: f.links, Now: func() time.Time { return f.now }, Random: rand.Reader, Log: slog.New(slog.DiscardHandler), Forgotten: f.list,
	}
	f.svc = s.On(f.store)
}

// again closes the shop, does something to its folder, and opens it.
func (f *forgetting) again(meanwhile func()) {
	require.NoError(f.t, f.store.Close())
	meanwhile()
	f.open()
}

func (f *forgetting) do(n workflow.JobNumber, commands ...workflow.Command) workflow.JobNumber {
	f.t.Helper()
	j, err := f.svc.Do(f.t.Context(), workflow.Order{Job: n, By: workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}, Commands: commands})
	require.NoError(f.t, err)
	return j.Number
}

func (f *forgetting) cancelled(name string) workflow.JobNumber {
	return f.do(f.do("", workflow.Book{Person: workflow.Person{Name: name, Email: name + "@post.example"}, Kind: "scanner", Fault: "It hums."}),
		workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled})
}

func (f *forgetting) job(n workflow.JobNumber) *workflow.Job {
	f.t.Helper()
	j, err := f.svc.Job(f.t.Context(), n)
	require.NoError(f.t, err)
	return j
}

// A backup of yesterday holds whom was erased today: put back, it forgets them again before it serves anybody, and
// nobody else. The list also comes out of the database, with which it moves.
func TestARestoredBackupForgetsAgain(t *testing.T) {
	f := newForgetting(t)
	mira, tom := f.cancelled("mira"), f.cancelled("tom")
	backup := t.TempDir()
	f.again(func() { require.NoError(t, os.CopyFS(backup+"/b", os.DirFS(f.dir))) })
	f.do(mira, workflow.ErasePerson{})
	require.NoError(t, f.svc.TakeEffect(t.Context(), mira, workflow.EffectForget))
	require.NotEmpty(t, f.list.marks)
	f.again(func() {
		require.NoError(t, os.RemoveAll(f.dir))
		require.NoError(t, os.CopyFS(f.dir, os.DirFS(backup+"/b")))
	})
	require.Equal(t, "mira", f.job(mira).Customer.Name.Text, "it was put back")

	require.NoError(t, f.svc.ForgetAgain(t.Context()))
	require.NotZero(t, f.job(mira).Erased)
	require.Empty(t, f.job(mira).Customer.Name.Text)
	require.Equal(t, "tom", f.job(tom).Customer.Name.Text)
	version := f.job(mira).Version
	require.NoError(t, f.svc.ForgetAgain(t.Context()))
	require.Equal(t, version, f.job(mira).Version, "once is enough")

	here := f.list.marks
	f.list = &erasedMarks{}
	f.again(func() {}) // on another machine, without the file
	require.NoError(t, f.svc.ForgetAgain(t.Context()))
	require.ElementsMatch(t, here, f.list.marks)
}

// Whoever sets, or shortens, the time for keeping finds those who are over it erased after the next start.
func TestAShorterTimeForKeeping(t *testing.T) {
	f := newForgetting(t)
	old := f.cancelled("mira")
	f.now = f.now.AddDate(0, 5, 0)
	young := f.cancelled("tom")
	next, err := f.svc.NextWake(t.Context())
	require.NoError(t, err)
	require.Zero(t, next, "nothing wakes a job that ended before there was a time")
	f.svc.Shop.EraseMonths = 4
	require.NoError(t, f.svc.Upkeep(t.Context()))
	_, err = f.svc.WakeDue(t.Context())
	require.NoError(t, err)
	require.NotZero(t, f.job(old).Erased)
	require.Zero(t, f.job(young).Erased)
	f.now = f.now.AddDate(0, 4, 0)
	_, err = f.svc.WakeDue(t.Context())
	require.NoError(t, err)
	require.NotZero(t, f.job(young).Erased)
}
