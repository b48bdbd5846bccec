package workflow

import "time"

// Work that the customer decided on waits in the queue until the bench begins: the repair after a yes, closing
// up after a no. Until then nobody says that work began, and the answer can be taken back.
//
// # Decisions
//
//   - 2026-11-30: Approved is not begun. The move that an answer makes is marked as queued, and an event says
//     when the bench began: by its own word, or with the first work, part order, photo, check, test or packing,
//     whichever comes first. A job that was moved before there was a mark counts as begun since then. Rejected:
//     a stage of its own, which every board, figure and old job would have to learn; and working the beginning
//     out of the record each time, which would tell old jobs otherwise than they were told.

// Queued reports whether the bench has not begun yet what was decided.
func (j *Job) Queued() bool { return !j.QueuedAt.IsZero() }

// Begin says that the bench begins what was decided.
type Begin struct{}

func (c Begin) decide(t *turn) error {
	if !t.j.Queued() {
		return refused("Nothing waits for the bench to begin.")
	}
	if open := t.j.DepositOpen(t.shop); open.Minor > 0 && t.j.Hold() != nil && t.j.Hold().Reason == HoldPayment {
		return refused("%s of the deposit has not come in. Record the payment first, or lift the hold to begin without it.", open)
	}
	return t.record(&WorkBegun{})
}

// begins reports whether an event shows the bench at work.
func begins(p Payload) bool {
	switch p := p.(type) {
	case *WorkDone, *PhotoAdded, *CheckDone, *TestBegun, *TestDone, *DeviceMadeSafe, *ContentsPacked, *ShipmentPrepared, *JobReady:
		return true
	case *HoldPlaced:
		return p.Reason == HoldParts
	}
	return false
}

// WorkBegun is the bench beginning what was decided.
type WorkBegun struct{}

func (p *WorkBegun) fold(j *Job, e *Event) {
	j.QueuedAt, j.BegunAt = time.Time{}, e.At
	j.Story = append(j.Story, Moment{Seq: e.Seq, At: e.At, Kind: e.Kind(), By: e.By.Role, From: j.Stage})
}
