package workflow

import (
	"context"
	"errors"
	"sync/atomic"
	"time"
)

// Trouble is why changes can't be kept at the moment.
type Trouble struct {
	Since time.Time
	Cause error // for the log only
}

// Words returns the sentence for whoever keeps the server.
func (t *Trouble) Words() string { return StoreWords(t.Cause) }

// StoreWords returns what staff and the owner are told of a store that did not do its work.
func StoreWords(err error) string {
	switch {
	case errors.Is(err, ErrFull):
		return "The disk or memory of the records is full, so nothing can be kept; what is there is safe. Make room on the server, then send it again."
	case errors.Is(err, ErrDamaged):
		return "The records are damaged: some of what is stored can't be read. Stop the server, keep a copy of its data folder, and restore the last good backup."
	}
	return "Our records do not answer at this moment; nothing is lost. Please try again in a minute, and look first whether what you sent has arrived."
}

// trouble remembers how the last change went.
type trouble struct{ at atomic.Pointer[Trouble] }

// note takes down what came of a change, or that what was asked for is damaged; damage stays until the server is
// started again. A refusal is no trouble, nor is somebody who would not wait.
func (t *trouble) note(ctx context.Context, now time.Time, err error) {
	var refusal *Error
	var done *AlreadyDone
	was := t.at.Load()
	switch {
	case was != nil && errors.Is(was.Cause, ErrDamaged):
	case err == nil:
		t.at.Store(nil)
	case ctx.Err() != nil, errors.As(err, &refusal), errors.As(err, &done):
	case was == nil || errors.Is(err, ErrDamaged):
		t.at.Store(&Trouble{Since: now, Cause: err})
	}
}

// Trouble returns why the last change could not be kept, nil where it could. Where it could not, a change that
// means nothing is tried, so that the trouble ends when its cause does and not with the next visitor.
func (s *Service) Trouble(ctx context.Context) *Trouble {
	if s.trouble.at.Load() != nil {
		s.trouble.note(ctx, s.Now(), s.Bucket("trial").Put(ctx, "write", []byte{1}, time.Time{}))
	}
	return s.trouble.at.Load()
}
