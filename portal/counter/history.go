package counter

import (
	"time"

	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// historyPage lists every event with who caused it.
type historyPage struct {
	jobBase
	Events []eventView
	Head   string
}

func (*historyPage) Template() string { return "history.html" }

// eventView is one event of the history.
type eventView struct {
	Seq           int64
	Machine, When string
	Kind, By      string
	Hash          string
}

// eventViews lists a job's events, newest first.
func eventViews(events []*workflow.Event, shop *workflow.Shop) ([]eventView, error) {
	k := newClock(shop, time.Time{})
	out := make([]eventView, 0, len(events))
	for i := len(events) - 1; i >= 0; i-- {
		e := events[i]
		hash, err := e.Hash()
		if err != nil {
			return nil, err
		}
		by := roleWords[e.By.Role]
		if e.By.ID != "" && e.By.Role != workflow.RoleCustomer && e.By.Role != workflow.RoleSystem {
			by = e.By.ID + " (" + by + ")"
		}
		out = append(out, eventView{
			Seq: e.Seq, Machine: e.At.UTC().Format(time.RFC3339Nano), When: k.w.Day(e.At, k.loc) + " " + k.w.Clock(e.At, k.loc),
			Kind: e.Wire, By: by, Hash: first(hash, 12),
		})
	}
	return out, nil
}

func (x *counter) showHistory(c *fiber.Ctx) error {
	r, err := x.open(c, "")
	if err != nil {
		return err
	}
	events, err := x.s.Service().Events(c.UserContext(), r.job.Number, 0)
	if err != nil {
		return err
	}
	r.base.Title = "History · " + r.base.Card.Number
	v := &historyPage{jobBase: r.base, Head: r.job.Head}
	if v.Events, err = eventViews(events, x.s.Shop()); err != nil {
		return err
	}
	return x.render(c, fiber.StatusOK, v)
}
