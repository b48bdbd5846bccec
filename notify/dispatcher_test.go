package notify_test

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	netmail "net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"benchword/notify"
	"benchword/notify/mail"
	"benchword/notify/notifytest"
	"benchword/notify/smtptest"
	"benchword/workflow"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// plainly composes a mail that says which notice it is and at which version it found the job.
type plainly struct {
	fail func(e *workflow.Entry) error
}

func (p plainly) Compose(_ context.Context, j *workflow.Job, e *workflow.Entry) (*mail.Message, error) {
	if p.fail != nil {
		if err := p.fail(e); err != nil {
			return nil, err
		}
	}
	text := fmt.Sprintf("%s at version %d for %s", e.ID, j.Version, j.Customer.Name)
	return mail.Build(mail.Parts{
		ID: e.ID + "@bench.example", Thread: string(j.Number) + ".job@bench.example", Date: e.MadeAt,
		From: netmail.Address{Name: "Harbour Bench", Address: "desk@bench.example"},
		To:   netmail.Address{Name: j.Customer.Name.Text, Address: j.Customer.Email.Text}, Subject: string(e.Kind), Lang: "en", Text: text, HTML: text,
	})
}

// sent is one mail that reached the transport.
type sent struct {
	at   time.Time
	mail *mail.Message
	// has says that the server kept it, whatever it answered.
	has bool
	err error
}

// weather is a transport that does what a test wants.
type weather struct {
	mu    sync.Mutex
	today func(m *mail.Message) (kept bool, err error)
	log   []sent
	slow  time.Duration
	now   func() time.Time
}

func (w *weather) Send(ctx context.Context, m *mail.Message) (string, error) {
	w.mu.Lock()
	today, slow := w.today, w.slow
	w.mu.Unlock()
	if slow > 0 {
		select {
		case <-time.After(slow):
		case <-ctx.Done():
			return "", &notify.Failure{Fate: notify.Unknown, Words: "cut short", Err: ctx.Err()}
		}
	}
	x := sent{mail: m, err: &notify.Failure{Fate: notify.Unknown}} // what a panic leaves
	defer func() {
		x.at = w.now()
		w.mu.Lock()
		w.log = append(w.log, x)
		w.mu.Unlock()
	}()
	if today == nil {
		x.has, x.err = true, nil
	} else {
		x.has, x.err = today(m)
	}
	return "2.0.0 ok", x.err
}

func (w *weather) set(today func(m *mail.Message) (bool, error)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.today = today
}

func (w *weather) sent() []sent {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.log)
}

// desk is a shop for dispatcher tests, whose emails go out in any weather.
type desk struct {
	*notifytest.Desk
	w *weather
}

func newDesk(t testing.TB, now func() time.Time) *desk {
	return &desk{notifytest.NewDesk(t, now), &weather{now: now}}
}

// settled holds every entry to its end: sent in order, or buried with a reason. Once it is written down that it
// may have arrived, a repeat is the same bytes.
func (d *desk) settled(jobs ...workflow.JobNumber) {
	face := map[string]string{}
	unsure := map[string]int{}
	order := map[workflow.JobNumber][]string{}
	for _, s := range d.w.sent() {
		id, _, _ := strings.Cut(s.mail.ID, "@")
		n := workflow.JobNumber(id[:strings.Index(id, "-")])
		written := 0
		for _, e := range d.Entries(n) {
			if e.ID == id {
				written = notify.Tries(&workflow.Entry{Attempts: e.Attempts}, notify.Unknown)
			}
		}
		if was, ok := face[id]; ok && unsure[id] > 0 && written >= d.unanswered(id) {
			require.Equal(d.T, was, string(s.mail.Data), "a repeat is the same bytes")
		}
		face[id] = string(s.mail.Data)
		if s.err != nil {
			if notify.FailureOf(s.err).Fate == notify.Unknown {
				unsure[id]++
			}
		}
		if s.has && !slices.Contains(order[n], id) {
			order[n] = append(order[n], id)
		}
	}
	for _, n := range jobs {
		j := d.Job(n)
		var arrived []string
		for _, e := range d.Entries(n) {
			require.NotEqual(d.T, workflow.EntryQueued, e.State, "%s is still queued: %v", e.ID, e.Attempts)
			require.NotEmpty(d.T, e.Attempts)
			var rec *workflow.Notice
			for i := range j.Notices {
				if j.Notices[i].ID == e.ID {
					rec = &j.Notices[i]
				}
			}
			require.NotNil(d.T, rec)
			if e.State == workflow.EntrySent {
				require.False(d.T, rec.DeliveredAt.IsZero(), "event and settlement are one commit")
				require.Equal(d.T, string(notify.Accepted), e.Attempts[len(e.Attempts)-1].Result)
			} else {
				require.False(d.T, rec.BuriedAt.IsZero())
				require.Contains(d.T, rec.Reason, "elephone the customer")
			}
			if slices.Contains(order[n], e.ID) {
				arrived = append(arrived, e.ID)
			}
		}
		require.Equal(d.T, arrived, order[n], "the mails of %s arrive in order", n)
	}
}

// unanswered counts the tries of a mail that got no answer.
func (d *desk) unanswered(id string) (n int) {
	for _, s := range d.w.sent() {
		if strings.HasPrefix(s.mail.ID, id+"@") && s.err != nil && notify.FailureOf(s.err).Fate == notify.Unknown {
			n++
		}
	}
	return n
}

// setting is how a dispatcher of emails is made.
type setting struct {
	notify.Config
	mail.Channel
}

func (d *desk) dispatcher(change func(*setting)) *notify.Dispatcher {
	x := setting{Config: notify.Config{Service: d.Svc, Random: notifytest.NewDice(3)}, Channel: mail.Channel{Transport: d.w, Composer: plainly{}}}
	if change != nil {
		change(&x)
	}
	x.Config.Channel = &x.Channel
	return notify.New(x.Config)
}

// run lets a dispatcher run in a bubble until the returned function is called.
func run(d *notify.Dispatcher) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); d.Run(ctx) }()
	return func() { cancel(); <-done }
}

func later(*mail.Message) (bool, error) {
	return false, &notify.Failure{Fate: notify.PutOff, Step: "rcpt", Code: 450, Words: "4.2.0 later"}
}

func away(*mail.Message) (bool, error) {
	return false, &notify.Failure{Fate: notify.Unreached, Step: "connect", Words: "The mail server can't be reached."}
}

func unanswered(*mail.Message) (bool, error) {
	return true, &notify.Failure{Fate: notify.Unknown, Step: "end", Words: "No answer came."}
}

func TestDispatcherDelivers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		disp := d.dispatcher(nil)
		d.Svc.Committed = func(_ *workflow.Job, notices int) {
			if notices > 0 {
				disp.Wake()
			}
		}
		stop := run(disp)
		synctest.Wait()
		n := d.Book()
		synctest.Wait()
		require.Len(t, d.w.sent(), 1, "a commit wakes it at once")
		d.Write(n)
		d.Write(n)
		synctest.Wait()
		require.Len(t, d.w.sent(), 3)
		stop()
		d.settled(n)
	})
}

func TestDispatcherFindsWhatOthersWrote(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		stop := run(d.dispatcher(nil))
		synctest.Wait()
		n := d.Book() // nobody wakes it
		time.Sleep(31 * time.Second)
		synctest.Wait()
		require.Len(t, d.w.sent(), 1)
		stop()
		d.settled(n)
	})
}

func TestPutOffGapsGrow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		d.w.set(later)
		stop := run(d.dispatcher(nil))
		time.Sleep(6 * 24 * time.Hour)
		synctest.Wait()
		stop()
		d.settled(n)
		log := d.w.sent()
		var gaps []time.Duration
		for i := 1; i < len(log); i++ {
			gaps = append(gaps, log[i].at.Sub(log[i-1].at))
		}
		want := time.Minute
		for i, g := range gaps {
			require.InDelta(t, want.Seconds(), g.Seconds(), want.Seconds()/5+1, "gap %d", i)
			want = min(3*want, 6*time.Hour)
		}
		total := log[len(log)-1].at.Sub(log[0].at)
		require.GreaterOrEqual(t, total, 5*24*time.Hour)
		require.Less(t, total, 5*24*time.Hour+8*time.Hour)
		require.NotEqual(t, gaps[0], time.Minute, "the gaps are jittered")
		e := d.Entries(n)[0]
		require.Equal(t, workflow.EntryBuried, e.State)
		require.Contains(t, d.Job(n).Undelivered()[0].Reason, "for days")

		// Put back in the queue it has its full time again, and is built anew.
		d.Do(n, notifytest.Counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Ellery", Email: "maud@other.example"}})
		require.NoError(t, d.Store.Requeue(t.Context(), d.Svc.Shop.ID, e.ID, time.Now()))
		stop = run(d.dispatcher(nil))
		time.Sleep(24 * time.Hour)
		synctest.Wait()
		require.Equal(t, workflow.EntryQueued, d.Entries(n)[0].State)
		d.w.set(nil)
		time.Sleep(8 * time.Hour)
		synctest.Wait()
		stop()
		last := d.w.sent()[len(d.w.sent())-1].mail
		require.Equal(t, "maud@other.example", last.To)
		require.Equal(t, log[0].mail.ID, last.ID)
		require.Empty(t, d.Job(n).Undelivered(), "a delivery clears the task")
	})
}

func TestRefusedIsBuriedAtOnceAndHoldsNothingUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n, other := d.Book(), d.Book()
		d.Write(n)
		first := true
		d.w.set(func(m *mail.Message) (bool, error) {
			if strings.HasPrefix(m.ID, string(n)) && first {
				first = false
				return false, &notify.Failure{Fate: notify.Refused, Step: "rcpt", Code: 550, Words: "5.1.1 no such user"}
			}
			return true, nil
		})
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		d.settled(n, other)
		require.Equal(t, workflow.EntryBuried, d.Entries(n)[0].State)
		require.Equal(t, workflow.EntrySent, d.Entries(n)[1].State)
		require.Contains(t, d.Job(n).Undelivered()[0].Reason, "The address does not exist")
		rows, err := d.Store.Board(t.Context(), d.Svc.Shop.ID, workflow.BoardFilter{Limit: 9})
		require.NoError(t, err)
		for _, r := range rows {
			require.Equal(t, r.Job == n, r.Waiting, "the counter has a task")
		}
	})
}

func TestOneServerAwayIsNoStorm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		var jobs []workflow.JobNumber
		for range 100 {
			jobs = append(jobs, d.Book())
		}
		d.w.set(away)
		disp := d.dispatcher(func(c *setting) { c.Workers = 8 })
		stop := run(disp)
		time.Sleep(12 * time.Hour)
		synctest.Wait()
		// 15 s doubling to 15 min: 12 hours hold about 54 probes, and the first 8 went out together.
		require.LessOrEqual(t, len(d.w.sent()), 8+70)
		require.GreaterOrEqual(t, len(d.w.sent()), 8+40)
		h := disp.Health()
		require.False(t, h.AwaySince.IsZero())
		require.Equal(t, "The mail server can't be reached.", h.Words)
		for _, n := range jobs {
			require.Equal(t, workflow.EntryQueued, d.Entries(n)[0].State, "nothing is buried, however long it lasts")
		}
		d.w.set(nil)
		time.Sleep(20 * time.Minute)
		synctest.Wait()
		require.True(t, disp.Health().AwaySince.IsZero())
		stop()
		d.settled(jobs...)
	})
}

func TestPoisonedEntriesStopNoNeighbour(t *testing.T) {
	for name, fail := range map[string]func(e *workflow.Entry) error{
		"error": func(*workflow.Entry) error { return errors.New("no such template") },
		"panic": func(*workflow.Entry) error { panic("no such template") },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := newDesk(t, time.Now)
				bad := d.Book()
				good := d.Book()
				d.Write(good)
				disp := d.dispatcher(func(c *setting) {
					c.Composer = plainly{func(e *workflow.Entry) error {
						if e.Job == bad {
							return fail(e)
						}
						return nil
					}}
				})
				stop := run(disp)
				synctest.Wait()
				require.Len(t, d.w.sent(), 2, "the neighbour's mails went out at once")
				time.Sleep(time.Hour)
				synctest.Wait()
				stop()
				d.settled(bad, good)
				require.Len(t, d.Entries(bad)[0].Attempts, 3)
				require.Contains(t, d.Job(bad).Undelivered()[0].Reason, "fault in the program")
				require.NotContains(t, d.Job(bad).Undelivered()[0].Reason, "template", "the cause is for the log")
			})
		})
	}
}

func TestMailThatBreaksTheLineStopsNoNeighbour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		bad := d.Book()
		d.w.set(func(m *mail.Message) (bool, error) {
			if strings.HasPrefix(m.ID, string(bad)) {
				return false, &notify.Failure{Fate: notify.PutOff, Step: "body", Words: "The line was lost."}
			}
			return true, nil
		})
		stop := run(d.dispatcher(nil))
		var good []workflow.JobNumber
		for range 200 {
			good = append(good, d.Book())
			time.Sleep(10 * time.Minute)
		}
		synctest.Wait()
		d.settled(good...)
		require.Equal(t, workflow.EntryQueued, d.Entries(bad)[0].State)
		stop()
	})
}

func TestPanickingTransport(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		d.w.set(func(*mail.Message) (bool, error) { panic("broken") })
		stop := run(d.dispatcher(nil))
		synctest.Wait()
		d.w.set(nil)
		time.Sleep(time.Hour)
		synctest.Wait()
		stop()
		d.settled(n)
	})
}

func TestStopFinishesWhatItBegan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		a, b := d.Book(), d.Book()
		d.w.slow = 5 * time.Second
		stop := run(d.dispatcher(func(c *setting) { c.Workers = 1 }))
		synctest.Wait()
		begin := time.Now()
		stop()
		require.Equal(t, 5*time.Second, time.Since(begin))
		require.Len(t, d.w.sent(), 1)
		states := []workflow.EntryState{d.Entries(a)[0].State, d.Entries(b)[0].State}
		require.ElementsMatch(t, []workflow.EntryState{workflow.EntrySent, workflow.EntryQueued}, states)
		// What was not begun is free for the next start at once: no lease is left on it.
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		d.settled(a, b)
	})
}

func TestStopOutOfGrace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		d.w.slow = time.Hour
		stop := run(d.dispatcher(func(c *setting) { c.Grace = 3 * time.Second }))
		synctest.Wait()
		begin := time.Now()
		stop()
		require.Equal(t, 3*time.Second, time.Since(begin))
		e := d.Entries(n)[0]
		require.Equal(t, workflow.EntryQueued, e.State)
		require.Equal(t, string(notify.Unknown), e.Attempts[0].Result, "what happened is written down")
	})
}

func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		for range 30 {
			d.Book()
		}
		stop := run(d.dispatcher(func(c *setting) { c.PerMinute = 30 }))
		time.Sleep(20 * time.Second)
		synctest.Wait()
		require.InDelta(t, 10, len(d.w.sent()), 1)
		time.Sleep(45 * time.Second)
		synctest.Wait()
		require.Len(t, d.w.sent(), 30)
		stop()
	})
}

func TestNothingForErasedPersons(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		d.w.set(later)
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		d.Do(n, notifytest.Counter, workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled, Reason: "cancelled"})
		d.Do(n, workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}, workflow.ErasePerson{})
		d.w.set(nil)
		time.Sleep(time.Hour)
		before := len(d.w.sent())
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		require.Len(t, d.w.sent(), before, "not a byte")
		for _, e := range d.Entries(n) {
			require.True(t, e.Channel == workflow.Effects || e.State == workflow.EntryBuried)
		}
		require.Empty(t, d.Job(n).Undelivered(), "and nobody is told to telephone")
	})
}

func TestCorrectedAddress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		d.w.set(later)
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		d.Do(n, notifytest.Counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Ellery", Email: "right@example.org"}})
		d.w.set(nil)
		time.Sleep(time.Hour)
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		log := d.w.sent()
		require.Equal(t, []string{"maud@example.org", "right@example.org"}, []string{log[0].mail.To, log[1].mail.To})
		require.Equal(t, log[0].mail.ID, log[1].mail.ID)
		require.Contains(t, string(log[1].mail.Data), "at version 6", "it tells of the job as it is now")

		m := d.Book()
		d.Do(m, notifytest.Counter, workflow.ChangeCustomer{Person: workflow.Person{Name: "Maud Ellery", Phone: "+1 902 555 0177"}})
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		require.Contains(t, d.Job(m).Undelivered()[0].Reason, "no email address any more")
	})
}

func TestAMailTellsTheJobAsItLeaves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		at := d.Job(n).Version
		for range 5 {
			time.Sleep(time.Minute)
			d.Write(n)
		}
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		log := d.w.sent()
		require.Len(t, log, 6)
		for i, s := range log {
			require.Contains(t, string(s.mail.Data), fmt.Sprintf("at version %d for", at+int64(2*5+i)), "five letters, and what was delivered before")
		}
		d.settled(n)
	})
}

// deafStore loses settlements while it is told to.
type deafStore struct {
	*memory.Store
	mu   sync.Mutex
	deaf bool
}

func (s *deafStore) set(deaf bool) { s.mu.Lock(); s.deaf = deaf; s.mu.Unlock() }

func (s *deafStore) failing() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.deaf {
		return errors.New("the disk is gone")
	}
	return nil
}

func (s *deafStore) Commit(ctx context.Context, c *workflow.Commit) error {
	if err := s.failing(); err != nil && c.Settle != nil {
		return err
	}
	return s.Store.Commit(ctx, c)
}

func (s *deafStore) SettleEntry(ctx context.Context, shop workflow.ShopID, x workflow.Settlement) error {
	if err := s.failing(); err != nil {
		return err
	}
	return s.Store.SettleEntry(ctx, shop, x)
}

func TestCrashBetweenSendingAndSettling(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		deaf := &deafStore{Store: d.Store, deaf: true}
		*d.Svc = *d.Svc.On(deaf)
		n := d.Book()
		d.Write(n)
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		require.Len(t, d.w.sent(), 1)
		deaf.set(false)
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		require.Len(t, d.w.sent(), 1, "the lease holds")
		time.Sleep(5 * time.Minute)
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		log := d.w.sent()
		require.Len(t, log, 3)
		require.Equal(t, string(log[0].mail.Data), string(log[1].mail.Data), "sent twice, and the same while the job is")
		d.settled(n)
	})
}

func TestLostLease(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		d.w.slow = 10 * time.Minute // longer than the lease: what must not be, but may come
		one := run(d.dispatcher(func(c *setting) { c.Grace = time.Hour }))
		time.Sleep(5 * time.Minute)
		two := run(d.dispatcher(func(c *setting) { c.Grace = time.Hour; c.Random = notifytest.NewDice(99) }))
		time.Sleep(4 * time.Minute)
		one()
		two()
		d.settled(n)
		require.Len(t, d.Entries(n)[0].Attempts, 1, "only the one that holds the lease settles")
	})
}

// refusing is a store whose jobs take no delivery events.
type refusing struct{ *memory.Store }

func (s refusing) Commit(ctx context.Context, c *workflow.Commit) error {
	if c.Settle != nil {
		return &workflow.Error{Code: workflow.CodeRefused, Message: "No."}
	}
	return s.Store.Commit(ctx, c)
}

func TestSettledEvenIfTheJobWontHaveTheEvent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		*d.Svc = *d.Svc.On(refusing{d.Store})
		require.NoError(t, d.dispatcher(nil).Flush(t.Context()))
		require.Len(t, d.w.sent(), 1)
		require.Equal(t, workflow.EntrySent, d.Entries(n)[0].State, "or it would be sent for ever")
	})
}

// TestDispatcherKeepsItsPromise plays random weather, work, crashes and time against the promises of the
// package comment.
func TestDispatcherKeepsItsPromise(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var failed any
		synctest.Test(t, func(t *testing.T) {
			var stop func()
			defer func() {
				if failed = recover(); failed != nil && stop != nil {
					stop()
				}
			}()
			d := newDesk(t, time.Now)
			d.T = rt
			deaf := &deafStore{Store: d.Store}
			*d.Svc = *d.Svc.On(deaf)
			starts := uint64(0)
			poisoned := map[workflow.JobNumber]bool{}
			var mu sync.Mutex
			start := func() func() {
				starts++
				disp := d.dispatcher(func(c *setting) {
					c.Random, c.Workers, c.Poll = notifytest.NewDice(starts), 3, 10*time.Minute
					c.Composer = plainly{func(e *workflow.Entry) error {
						mu.Lock()
						defer mu.Unlock()
						if poisoned[e.Job] {
							panic("poison")
						}
						return nil
					}}
				})
				d.Svc.Committed = func(*workflow.Job, int) { disp.Wake() }
				return run(disp)
			}
			stop = start()
			var jobs []workflow.JobNumber
			made := map[string]time.Time{}
			note := func() {
				for _, n := range jobs {
					for _, e := range d.Entries(n) {
						if _, ok := made[e.ID]; !ok {
							made[e.ID] = e.MadeAt
						}
					}
				}
			}
			step := func() {
				switch rapid.SampledFrom([]string{"book", "write", "write", "write", "wait", "wait", "weather", "weather", "crash", "poison"}).Draw(rt, "step") {
				case "book":
					if len(jobs) < 4 {
						jobs = append(jobs, d.Book())
					}
				case "write":
					if len(jobs) > 0 {
						d.Write(rapid.SampledFrom(jobs).Draw(rt, "job"))
					}
				case "wait":
					time.Sleep(time.Duration(rapid.SampledFrom([]int{1, 20, 90, 600, 8000}).Draw(rt, "seconds")) * time.Second)
				case "weather":
					kinds := rapid.SliceOfN(rapid.SampledFrom([]string{"fine", "later", "away", "unknown", "unknown kept", "never", "slow", "panic"}), 1, 4).Draw(rt, "weather")
					i := 0
					d.w.set(func(m *mail.Message) (bool, error) {
						mu.Lock()
						k := kinds[i%len(kinds)]
						i++
						mu.Unlock()
						switch k {
						case "later":
							return later(m)
						case "away":
							return away(m)
						case "unknown":
							return false, &notify.Failure{Fate: notify.Unknown, Step: "end", Words: "lost"}
						case "unknown kept":
							return true, &notify.Failure{Fate: notify.Unknown, Step: "end", Words: "lost"}
						case "never":
							return false, &notify.Failure{Fate: notify.Refused, Step: "rcpt", Code: 550, Words: "5.1.1 no"}
						case "slow":
							time.Sleep(50 * time.Second)
						case "panic":
							panic("broken")
						}
						return true, nil
					})
				case "crash":
					deaf.set(true)
					time.Sleep(time.Duration(rapid.IntRange(0, 60).Draw(rt, "seconds before")) * time.Second)
					stop()
					deaf.set(false)
					stop = start()
				case "poison":
					if len(jobs) > 0 {
						mu.Lock()
						poisoned[jobs[0]] = !poisoned[jobs[0]]
						mu.Unlock()
					}
				}
				note()
			}
			for range rapid.IntRange(1, 30).Draw(rt, "steps") {
				step()
			}
			d.w.set(nil)
			mu.Lock()
			clear(poisoned)
			mu.Unlock()
			time.Sleep(9 * 24 * time.Hour)
			synctest.Wait()
			stop()
			d.settled(jobs...)
			for _, s := range d.w.sent() {
				id, _, _ := strings.Cut(s.mail.ID, "@")
				require.False(rt, s.at.Before(made[id]), "never before its time")
			}
			// Nothing is lost: what is not buried has arrived.
			arrived := map[string]bool{}
			for _, s := range d.w.sent() {
				id, _, _ := strings.Cut(s.mail.ID, "@")
				arrived[id] = arrived[id] || s.has
			}
			for _, n := range jobs {
				for _, e := range d.Entries(n) {
					if e.State == workflow.EntrySent {
						require.True(rt, arrived[e.ID], "%s was settled as sent and never arrived", e.ID)
					}
				}
			}
		})
		if failed != nil {
			panic(failed)
		}
	})
}

// TestWholeWireFailures runs the dispatcher over real sockets against a server that fails at each step,
// and looks at what arrives.
func TestWholeWireFailures(t *testing.T) {
	const times = 2
	for _, c := range []struct {
		name   string
		fault  smtptest.Fault
		buried int
		twice  bool
	}{
		{"fine", smtptest.Fault{}, 0, false},
		{"greeting later", smtptest.Fault{At: smtptest.AtConnect, Reply: "421 4.3.2 not now", Drop: true}, 0, false},
		{"greeting never", smtptest.Fault{At: smtptest.AtConnect, Reply: "554 5.3.2 no service", Drop: true}, 0, false},
		{"greeting dropped", smtptest.Fault{At: smtptest.AtConnect, Drop: true}, 0, false},
		{"hello later", smtptest.Fault{At: smtptest.AtHello, Reply: "451 4.3.0 later", Drop: true}, 0, false},
		{"encryption later", smtptest.Fault{At: smtptest.AtStartTLS, Reply: "454 4.7.0 not now"}, 0, false},
		{"encryption broken", smtptest.Fault{At: smtptest.AtStartTLS, Reply: "220 go ahead", Drop: true}, 0, false},
		{"mail later", smtptest.Fault{At: smtptest.AtMail, Reply: "451 4.3.0 later"}, 0, false},
		{"mail never", smtptest.Fault{At: smtptest.AtMail, Reply: "550 5.7.1 no"}, times, false},
		{"mail dropped", smtptest.Fault{At: smtptest.AtMail, Drop: true}, 0, false},
		{"rcpt greylisted", smtptest.Fault{At: smtptest.AtRcpt, Reply: "450 4.2.0 greylisted"}, 0, false},
		{"rcpt never", smtptest.Fault{At: smtptest.AtRcpt, Reply: "550 5.1.1 no such user"}, times, false},
		{"data later", smtptest.Fault{At: smtptest.AtData, Reply: "451 4.3.0 later"}, 0, false},
		{"data never", smtptest.Fault{At: smtptest.AtData, Reply: "554 5.6.0 no"}, times, false},
		{"data dropped", smtptest.Fault{At: smtptest.AtData, Drop: true}, 0, false},
		{"body dropped", smtptest.Fault{At: smtptest.AtBody, Drop: true}, 0, false},
		{"end later", smtptest.Fault{At: smtptest.AtEnd, Reply: "452 4.3.1 disk full"}, 0, false},
		{"end never", smtptest.Fault{At: smtptest.AtEnd, Reply: "554 5.7.1 looks like spam"}, times, false},
		{"end dropped", smtptest.Fault{At: smtptest.AtEnd, Drop: true}, 0, false},
		{"end dropped but kept", smtptest.Fault{At: smtptest.AtEnd, Drop: true, Keep: true}, 0, true},
		{"end slow but kept", smtptest.Fault{At: smtptest.AtEnd, Delay: 400 * time.Millisecond, Keep: true}, 0, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			offers := smtptest.Config{}
			cert, pool, err := smtptest.Certificate("127.0.0.1")
			require.NoError(t, err)
			secure := c.fault.At == smtptest.AtStartTLS
			if secure {
				offers.TLS = &tls.Config{Certificates: []tls.Certificate{cert}}
			}
			server, err := smtptest.Start(offers)
			require.NoError(t, err)
			defer func() { require.NoError(t, server.Close()) }()
			if c.fault.At != "" {
				c.fault.Times = times
				server.Fail(c.fault)
			}
			clock := notifytest.NewClock(time.Date(2026, 11, 2, 14, 0, 0, 0, time.UTC))
			d := newDesk(t, clock.Now)
			var jobs []workflow.JobNumber
			for range 3 {
				n := d.Book()
				d.Write(n)
				d.Write(n)
				jobs = append(jobs, n)
			}
			tr := &mail.SMTP{Host: "127.0.0.1", Port: server.Port(), Encryption: mail.Plain, Name: "bench.example"}
			defer func() { require.NoError(t, tr.Close()) }()
			if secure {
				tr.Encryption, tr.TLS = mail.StartTLS, &tls.Config{RootCAs: pool}
			}
			tr.Timeouts.End = 200 * time.Millisecond
			disp := notify.New(notify.Config{Service: d.Svc, Channel: &mail.Channel{Transport: tr, Composer: plainly{}}, Random: notifytest.NewDice(5), Workers: 3})
			queued := func() int {
				out, err := d.Store.EntriesIn(t.Context(), d.Svc.Shop.ID, workflow.EntryQueued, 99)
				require.NoError(t, err)
				return len(out)
			}
			for range 40 {
				require.NoError(t, disp.Flush(t.Context()))
				if queued() == 0 {
					break
				}
				clock.Move(10 * time.Minute)
			}
			require.Zero(t, queued())
			buried, copies, order := 0, map[string][]string{}, map[string][]string{}
			for _, m := range server.Mails() {
				msg, err := netmail.ReadMessage(strings.NewReader(string(m.Data)))
				require.NoError(t, err)
				id := msg.Header.Get("Message-ID")
				thread := msg.Header.Get("References")
				if len(copies[id]) == 0 {
					order[thread] = append(order[thread], id)
				}
				copies[id] = append(copies[id], string(m.Data))
			}
			repeats := 0
			for id, same := range copies {
				repeats += len(same) - 1
				for _, s := range same {
					require.Equal(t, same[0], s, "%s differs from its repeat", id)
				}
			}
			for _, n := range jobs {
				var want []string
				for _, e := range d.Entries(n) {
					id := "<" + e.ID + "@bench.example>"
					if e.State == workflow.EntryBuried {
						buried++
						require.Empty(t, copies[id])
						continue
					}
					require.NotEmpty(t, copies[id], "nothing is lost")
					want = append(want, id)
				}
				require.Equal(t, want, order["<"+string(n)+".job@bench.example>"], "in order per job")
			}
			require.Equal(t, c.buried, buried)
			if c.twice {
				require.Equal(t, times, repeats)
			} else {
				require.Zero(t, repeats)
			}
		})
	}
}

func TestAMailThatMayHaveArrivedIsNotWrittenAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t, time.Now)
		n := d.Book()
		d.w.set(unanswered)
		written := 0
		count := func(c *setting) {
			c.Composer = plainly{func(*workflow.Entry) error { written++; return nil }}
		}
		for range 5 {
			require.NoError(t, d.dispatcher(count).Flush(t.Context()))
			time.Sleep(8 * time.Hour)
		}
		d.w.set(nil)
		require.NoError(t, d.dispatcher(count).Flush(t.Context()))
		require.Equal(t, 1, written, "built once, and kept over restarts")
		d.settled(n)
	})
}
