package storetest

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/promiseclock"

	"github.com/gowebpki/jcs"
)

// Begin is the instant at which every [History] begins: a Monday morning.
var Begin = time.Date(2026, 11, 2, 14, 15, 0, 0, time.UTC)

// History makes one job's commits as the service would: events of real kinds, chained, personal data
// sealed, a notice with its event. It is for one goroutine.
type History struct {
	Shop   workflow.ShopID
	Job    workflow.JobNumber
	Events []*workflow.Event // those that were accepted
	Texts  workflow.Vault    // the value behind every digest that was accepted and not forgotten
	Now    time.Time         // the instant of the next event
	random *rand.ChaCha8
}

// NewHistory begins a job that has no events yet. The same number draws the same salts.
func NewHistory(shop workflow.ShopID, n workflow.JobNumber) *History {
	return &History{Shop: shop, Job: n, Texts: workflow.Vault{}, Now: Begin, random: rand.NewChaCha8(sha256.Sum256([]byte(n)))}
}

// Number returns the n-th job number of a fixed row of them.
func Number(n int) workflow.JobNumber {
	number, err := workflow.NewJobNumber(rand.NewChaCha8(sha256.Sum256(fmt.Appendf(nil, "job %d", n))))
	if err != nil {
		panic(err)
	}
	return number
}

// Version is that of the last accepted event.
func (h *History) Version() int64 { return int64(len(h.Events)) }

// step is a commit in the making.
type step struct {
	h *History
	c *workflow.Commit
}

// seal makes a sealed value and adds its vault row.
func (s *step) seal(text string) workflow.Sealed {
	var salt [16]byte
	_, _ = s.h.random.Read(salt[:])
	x := workflow.Secret{Salt: hex.EncodeToString(salt[:]), Text: text}
	sum := sha256.Sum256([]byte(x.Salt + "\x00" + text))
	x.Digest = hex.EncodeToString(sum[:])
	s.c.Secrets = append(s.c.Secrets, x)
	return workflow.Sealed{Digest: x.Digest, Text: text}
}

func (s *step) add(role workflow.Role, p workflow.Payload) *workflow.Event {
	raw, err := json.Marshal(p)
	if err != nil {
		panic(err)
	}
	data, err := jcs.Transform(raw)
	if err != nil {
		panic(err)
	}
	e := &workflow.Event{
		Shop: s.h.Shop, Job: s.h.Job, Seq: s.c.Expect + int64(len(s.c.Events)) + 1, At: s.h.Now,
		By: workflow.Actor{Role: role, ID: "ada"}, Wire: string(workflow.KindOf(p)) + "/1", Data: data,
	}
	last := s.h.Events
	if len(s.c.Events) > 0 {
		last = s.c.Events
	}
	if len(last) > 0 {
		if e.Prev, err = last[len(last)-1].Hash(); err != nil {
			panic(err)
		}
	}
	s.c.Events = append(s.c.Events, e)
	return e
}

func (h *History) step() *step {
	return &step{h, &workflow.Commit{Shop: h.Shop, Job: h.Job, Expect: h.Version()}}
}

// Tell adds a notice of a kind to a commit, about its first event.
func Tell(c *workflow.Commit, kind workflow.NoticeKind) *workflow.Entry {
	e := c.Events[0]
	c.Notices = append(c.Notices, workflow.Entry{
		Shop: c.Shop, Job: c.Job, ID: fmt.Sprintf("%s-%d-%s", c.Job, e.Seq, kind), Seq: e.Seq, Kind: kind,
		MadeAt: e.At, NotBefore: e.At, State: workflow.EntryQueued,
	})
	return &c.Notices[len(c.Notices)-1]
}

// TellBy is Tell for an entry that goes another way.
func TellBy(c *workflow.Commit, kind workflow.NoticeKind, channel workflow.Channel) *workflow.Entry {
	e := Tell(c, kind)
	e.Channel, e.ID = channel, e.ID+"-"+string(channel)
	return e
}

// finish folds the events into the state, derives the index and moves the clock on.
func (s *step) finish() *workflow.Commit {
	h, c := s.h, s.c
	var all []*workflow.Event
	for _, e := range append(h.Events[:len(h.Events):len(h.Events)], c.Events...) {
		again := *e
		again.Payload = nil
		all = append(all, &again)
	}
	j, err := workflow.Replay(all)
	if err != nil {
		panic(err)
	}
	vault := workflow.Vault{}
	for d, t := range h.Texts {
		vault[d] = t
	}
	for _, x := range c.Secrets {
		vault[x.Digest] = x.Text
	}
	vault.Unseal(j)
	c.State = j
	c.Index = workflow.Index{
		Stage: j.Stage, Ended: j.Ended(), Title: j.Device.Name(), Person: j.Customer.Name.Text, ChangedAt: j.ChangedAt,
		Text: strings.Join([]string{string(j.Number), j.Device.Name(), j.Customer.Name.Text, j.Customer.Email.Text, j.Device.Serial.Text, j.Fault.Text}, "\n"),
	}
	if len(c.Events) > 0 {
		course := j.Course()
		c.Course = &course
	}
	h.Now = h.Now.Add(time.Minute)
	return c
}

// Book is the first commit: the device announced, with a notice and a look link.
func (h *History) Book(person, device, fault string) *workflow.Commit {
	s := h.step()
	id := fmt.Sprintf("1.%x", sha256.Sum256([]byte(h.Shop)))[:20] + string(h.Job)
	s.add(workflow.RoleCustomer, &workflow.JobBooked{
		Customer: workflow.Customer{Name: s.seal(person), Email: s.seal("post@" + strings.ReplaceAll(strings.ToLower(person), " ", "-") + ".example"), Language: "en"},
		Device:   workflow.Device{Kind: device, Maker: workflow.Plain("Halden"), Model: workflow.Plain("F2")}, Fault: s.seal(fault),
	})
	expires := h.Now.AddDate(1, 0, 0)
	s.add(workflow.RoleSystem, &workflow.LinkIssued{ID: id, Purpose: link.Look, ExpiresAt: expires})
	s.c.Links = append(s.c.Links, workflow.LinkRow{Hash: sha256.Sum256([]byte(id)), Job: h.Job, ID: id, Purpose: link.Look, ExpiresAt: expires})
	n := Tell(s.c, workflow.NoticeBooked)
	s.add(workflow.RoleSystem, &workflow.NoticeMade{ID: n.ID, Notice: n.Kind})
	return s.finish()
}

// Write is a letter to the customer, with its notice.
func (h *History) Write(text string) *workflow.Commit {
	s := h.step()
	s.add(workflow.RoleCounter, &workflow.MessageSent{ID: int(h.Version()), Text: s.seal(text)})
	n := Tell(s.c, workflow.NoticeMessage)
	s.add(workflow.RoleSystem, &workflow.NoticeMade{ID: n.ID, Notice: n.Kind})
	return s.finish()
}

// Note is a step that tells nobody.
func (h *History) Note(text string) *workflow.Commit {
	s := h.step()
	s.add(workflow.RoleBench, &workflow.ConditionNoted{Text: workflow.Plain(text)})
	return s.finish()
}

// Try is a try at the fault, told in the story.
func (h *History) Try(note string) *workflow.Commit {
	s := h.step()
	s.add(workflow.RoleBench, &workflow.FaultTried{Result: workflow.FaultReproduced, Note: workflow.Plain(note)})
	return s.finish()
}

// Move is a change of stage.
func (h *History) Move(to workflow.Stage) *workflow.Commit {
	s := h.step()
	s.add(workflow.RoleCounter, &workflow.StageMoved{To: to})
	return s.finish()
}

// Promise tells a date that many working days off, and lets the clock stand still at once.
func (h *History) Promise(days int) *workflow.Commit {
	s := h.step()
	s.add(workflow.RoleCounter, &workflow.PromiseMade{Promise: workflow.Promise{Number: 1, Starts: h.Now, Quota: promiseclock.Quota{WorkingDays: days}, Reason: workflow.Plain("for the customer")}})
	s.add(workflow.RoleCounter, &workflow.ClockPaused{For: promiseclock.AccountParts, Why: "hold"})
	return s.finish()
}

// Erase forgets the person.
func (h *History) Erase() *workflow.Commit {
	s := h.step()
	s.c.Forget = true
	s.add(workflow.RoleOwner, &workflow.PersonErased{})
	texts := h.Texts
	h.Texts = workflow.Vault{}
	c := s.finish()
	h.Texts = texts
	return c
}

// Still is a commit without an event, as one that only moves the wake-up instant.
func (h *History) Still() *workflow.Commit { return h.step().finish() }

// Accept notes that a commit was written.
func (h *History) Accept(c *workflow.Commit) {
	h.Events = append(h.Events, c.Events...)
	if c.Forget {
		h.Texts = workflow.Vault{}
	}
	for _, digest := range c.Wipe {
		delete(h.Texts, digest)
	}
	for _, x := range c.Secrets {
		h.Texts[x.Digest] = x.Text
	}
}
