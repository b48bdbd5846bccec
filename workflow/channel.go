package workflow

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Channel is what carries an entry, and after a slash to which of several receivers: "hook:till", "push/3". It
// is of small letters, digits and "-", "_", ":", "/".
type Channel string

// Email is the channel of emails.
const Email Channel = ""

// Base returns the part before the slash: what one dispatcher serves, and a [Claim] asks for.
func (c Channel) Base() Channel {
	base, _, _ := strings.Cut(string(c), "/")
	return Channel(base)
}

// Check reports a channel that no store keeps.
func (c Channel) Check() error {
	for _, r := range c {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && !strings.ContainsRune("-_:/", r) {
			return fmt.Errorf("there is no channel %q", string(c))
		}
	}
	return nil
}

// by makes an entry of another channel.
func (e Entry) by(c Channel) Entry {
	e.Channel, e.ID = c, e.ID+"-"+string(c)
	return e
}

// EntryState is where an outbox entry stands.
type EntryState string

const (
	EntryQueued EntryState = "queued"
	EntrySent   EntryState = "sent"
	EntryBuried EntryState = "buried"
)

// Entry is a notice's row in the outbox.
type Entry struct {
	Shop ShopID    `json:"shop"`
	Job  JobNumber `json:"job"`
	// ID is stable and unique within the shop: "<job>-<seq>-<kind>", with "-<channel>" after it if the entry
	// is no email. The Message-ID is made of it.
	ID      string     `json:"id"`
	Channel Channel    `json:"via,omitempty"`
	Seq     int64      `json:"seq"`
	Kind    NoticeKind `json:"kind"`
	// Ref is the number of what the notice is about: report, quote revision, promise, message.
	Ref int `json:"ref,omitempty"`
	// Quote is the revision whose options the mail shows, 0 for none.
	Quote  int       `json:"quote,omitempty"`
	MadeAt time.Time `json:"made_at"`
	// NotBefore is the earliest instant to send it.
	NotBefore time.Time  `json:"not_before"`
	State     EntryState `json:"state"`
	// Attempts are the tries so far, oldest first.
	Attempts []Attempt `json:"attempts,omitempty"`
	// Body is a built message that may have arrived, kept so that a retry sends the same bytes; emptied once
	// settled.
	Body []byte `json:"-"`
	// Lease is the fencing token of the claim in force; Settle must name it.
	Lease      string    `json:"-"`
	LeaseUntil time.Time `json:"-"`
}

// Attempt is one try at delivering an entry.
type Attempt struct {
	At     time.Time `json:"at"`
	Result string    `json:"result"` // a fate, as package notify names them: "accepted", "put off", "refused" …
	// Words are the server's words, or ours where no server answered.
	Words string `json:"words,omitempty"`
}

// Settlement is the end of one claim.
type Settlement struct {
	Entry string
	Lease string
	State EntryState
	// RetryAt is when to try again, for State EntryQueued.
	RetryAt time.Time
	Attempt Attempt
	// Body is kept with the entry for the next try; nil leaves what is there.
	Body []byte
}

// Claim says what a dispatcher wants.
type Claim struct {
	Channel Channel // that it serves
	Now     time.Time
	Until   time.Time // when the lease runs out
	Limit   int
	// Lease is the token that the claimed entries carry, unique to this claim.
	Lease string
}

// SendOtherAgain puts an entry that went by another channel than email, and was given up, back in its queue. Error:
// ErrNotFound. (An email is put back by [SendAgain], which the job's history tells.)
func (s *Service) SendOtherAgain(ctx context.Context, n JobNumber, id string) error {
	entries, err := s.Entries(ctx, n)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(entries, func(e Entry) bool { return e.ID == id && e.Channel != Email }) {
		return &Error{Code: CodeNotFound, Message: "There is no such message on this job."}
	}
	return s.store.Requeue(ctx, s.Shop.ID, id, s.Now().UTC())
}
