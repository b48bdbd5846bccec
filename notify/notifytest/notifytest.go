// Package notifytest holds what the tests of notify's packages share: a shop in memory, a clock that moves when
// told to, randomness that comes out the same each time.
package notifytest

import (
	"bytes"
	"context"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
)

// Dice are randomness that comes out the same each time. They are safe for concurrent use.
type Dice struct {
	mu sync.Mutex
	r  *rand.ChaCha8
}

// NewDice returns the dice of a number.
func NewDice(n uint64) *Dice {
	var seed [32]byte
	binary.LittleEndian.PutUint64(seed[:], n)
	return &Dice{r: rand.NewChaCha8(seed)}
}

func (d *Dice) Read(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.r.Read(p)
}

// Clock moves when told to. It is safe for concurrent use.
type Clock struct {
	mu sync.Mutex
	at time.Time
}

// NewClock returns a clock that stands.
func NewClock(at time.Time) *Clock { return &Clock{at: at} }

// Now returns what it shows.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// Set sets it.
func (c *Clock) Set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

// Move moves it on, or back.
func (c *Clock) Move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// Who does the steps of tests.
var (
	Counter  = workflow.Actor{Role: workflow.RoleCounter, ID: "nell"}
	Customer = workflow.Actor{Role: workflow.RoleCustomer, ID: "link"}
	Owner    = workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}
	System   = workflow.Actor{Role: workflow.RoleSystem, ID: "clock"}
)

// Shop returns a shop that repairs by post.
func Shop(t testing.TB) *workflow.Shop {
	open := []string{"09:00-12:30", "13:00-17:00"}
	c, err := calendar.New(calendar.Spec{TimeZone: "America/Halifax", Hours: map[string][]string{"mon": open, "tue": open, "wed": open, "thu": open, "fri": open}})
	require.NoError(t, err)
	return &workflow.Shop{
		ID: "harbour", Name: "Harbour Bench", BaseURL: "https://bench.example", Address: "12 Slip Road\nPort Harrow  B0X 1A0\nCanada",
		Email: "desk@bench.example", Phone: "+1 902 555 0142", About: "Repairs by post",
		Calendar: c, Currency: "CAD", Prices: money.BeforeTax, Taxes: map[string]money.Tax{"hst": {Percent: money.MustDecimal("15")}},
		Languages: []string{"en"}, PromiseDays: 10, QuoteDays: 14, RemindDays: []int{2, 5}, WarrantyDays: 90,
		Tests: []string{"Power-on", "Full scan"}, LinkFor: 365 * 24 * time.Hour,
		UndoFor: 30 * time.Minute, LastNoticeDays: 1, PayURL: "https://pay.example/{job}?amount={amount}&currency={currency}",
		Uncollected: []workflow.UncollectedNotice{{AfterDays: 30, GiveDays: 14, Text: map[string]string{"en": "Please collect your device, or tell us where to send it."}}},
	}
}

// Service returns the service of such a shop over a store.
func Service(t testing.TB, store workflow.Store, now func() time.Time, random *Dice) *workflow.Service {
	key, err := link.NewKey(random, 1)
	require.NoError(t, err)
	links, err := link.NewMaker(key)
	require.NoError(t, err)
	return workflow.Service{Shop: Shop(t), Links: links, Now: now, Random: random, Log: slog.New(slog.DiscardHandler)}.On(store)
}

// Desk is a shop without photos, on any clock.
type Desk struct {
	T     require.TestingT
	Store *memory.Store
	Svc   *workflow.Service
}

// NewDesk returns one on a clock.
func NewDesk(t testing.TB, now func() time.Time) *Desk {
	d := &Desk{T: t, Store: memory.New()}
	d.Svc = Service(t, d.Store, now, NewDice(11))
	return d
}

// Do takes steps of a job.
func (d *Desk) Do(n workflow.JobNumber, by workflow.Actor, commands ...workflow.Command) *workflow.Job {
	j, err := d.Svc.Do(context.Background(), workflow.Order{Job: n, By: by, Commands: commands})
	require.NoError(d.T, err)
	return j
}

// Book books a job of somebody with an email address.
func (d *Desk) Book() workflow.JobNumber {
	return d.Do("", Customer, workflow.Book{Person: workflow.Person{Name: "Maud Ellery", Email: "maud@example.org"}, Kind: "film scanner", Fault: "stops"}).Number
}

// Write sends the customer a message: one more notice.
func (d *Desk) Write(n workflow.JobNumber) {
	d.Do(n, Counter, workflow.SendMessage{Text: "One more line."})
}

// Job returns a job as it stands.
func (d *Desk) Job(n workflow.JobNumber) *workflow.Job {
	j, err := d.Svc.Job(context.Background(), n)
	require.NoError(d.T, err)
	return j
}

// Entries returns what a job has in the outbox.
func (d *Desk) Entries(n workflow.JobNumber) []workflow.Entry {
	out, err := d.Store.Entries(context.Background(), d.Svc.Shop.ID, n)
	require.NoError(d.T, err)
	return out
}

var pictures sync.Map

// Picture returns a JPEG of a given size that looks like something.
func Picture(w, h int, seed uint8) []byte {
	key := [3]int{w, h, int(seed)}
	if made, ok := pictures.Load(key); ok {
		return made.([]byte)
	}
	made := paint(w, h, seed)
	pictures.Store(key, made)
	return made
}

func paint(w, h int, seed uint8) []byte {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{uint8(20 + x*60/w), uint8(70 + y*80/h), uint8(60 + int(seed)*9), 255}
			if (x/97+y/61)%5 == 0 {
				c = color.RGBA{150, 150, 140, 255}
			}
			if dx, dy := x-w/2, y-h/2; dx*dx+dy*dy < w*h/40 {
				c = color.RGBA{200, 170, 60, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: 85}); err != nil {
		panic(err)
	}
	return out.Bytes()
}
