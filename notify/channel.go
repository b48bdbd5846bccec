package notify

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"benchword/workflow"
)

// Channel carries entries of the outbox to where they go: one carries email, one each hook's messages, one
// pushes, one effects. A dispatcher serves one channel.
type Channel interface {
	// Serves names the entries that it carries.
	Serves() workflow.Channel
	// Attempt carries one entry of a service's shop, about its job as it stands now. An error is a [*Failure],
	// a [*Later], a [*Skip] or [ErrLapsed]; any other counts as [PutOff]. Since a lease can run out or a
	// process die, the same entry may be attempted again after it was carried.
	Attempt(ctx context.Context, s *workflow.Service, j *workflow.Job, e *workflow.Entry) (Done, error)
}

// Done is what an attempt leaves behind, whether it failed or not.
type Done struct {
	// Words are the receiver's words of acceptance.
	Words string
	// Body is kept with the entry for its next attempt; nil leaves what is there.
	Body []byte
	// Command, if set, returns what the job records when the entry has come to its end, nil for nothing: why
	// is nil if it was accepted, else it says why the receiver has ended or the entry is given up.
	Command func(why *Failure) workflow.Command
}

// Later is an entry that is not attempted yet: Fate is [Held] or [Paced].
type Later struct {
	Fate  Fate
	Until time.Time
	Why   string
}

func (e *Later) Error() string { return e.Why }

// Skip is an entry that is never to be attempted. It is settled without a word to the job, unless Record: buried if Fate is
// [Refused], else as if it had been sent, since nobody need see to it.
type Skip struct {
	Fate Fate
	Why  string
	// Record has the job hear of it all the same.
	Record bool
}

func (e *Skip) Error() string { return e.Why }

// ErrLapsed says that the lease on an entry ran out before anything was sent: it is left to the next claim.
var ErrLapsed = errors.New("the lease ran out before the attempt was begun")

// Lapsed reports whether the lease on an entry has run out.
func Lapsed(s *workflow.Service, e *workflow.Entry) bool { return !s.Now().Before(e.LeaseUntil) }

// Write runs what makes a message of an entry. A panic in it, and an error that does not say itself what is to
// become of the entry, is a failure of the fate [Unwritten].
func Write[T any](write func() (T, error)) (m T, err error) {
	defer func() {
		var f *Failure
		var later *Later
		var skip *Skip
		if p := recover(); p != nil {
			err = panicked(p)
		}
		if err != nil && !errors.As(err, &f) && !errors.As(err, &later) && !errors.As(err, &skip) {
			err = &Failure{Fate: Unwritten, Words: "The email could not be written.", Err: err}
		}
	}()
	return write()
}

// panicked makes an error of what a panic left.
func panicked(p any) error { return fmt.Errorf("panic: %v\n%s", p, debug.Stack()) }
