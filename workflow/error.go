package workflow

import (
	"errors"
	"fmt"
)

// Code says what kind of refusal an [Error] is. The edges (pages, API, mail) turn it into their own
// status; nothing in the domain knows about HTTP.
type Code string

const (
	// CodeInvalid is input that can't be accepted as it stands.
	CodeInvalid Code = "invalid"
	// CodeRefused is a move or action that the job's state does not allow now.
	CodeRefused Code = "refused"
	// CodeConflict is a stale version: somebody else changed the job in between.
	CodeConflict Code = "conflict"
	// CodeNotFound is a job, link or photo that is not there (or not for this caller to know about).
	CodeNotFound Code = "not_found"
	// CodeForbidden is an action that this person's role does not include.
	CodeForbidden Code = "forbidden"
	// CodeGone is a link or quote that was there and has ended.
	CodeGone Code = "gone"
	// CodeInternal is a failure of ours; the cause is for the log only.
	CodeInternal Code = "internal"
)

// Error is a refusal or failure with two audiences: Message is one plain sentence for the person
// (what, why, what to do); Err is the cause, for the log only, and never shown.
type Error struct {
	Code    Code
	Message string
	// Reason names the sentence, and Values what stands in its places, for whoever says it in another
	// language: a customer's page does. "" where only staff and programs can meet it.
	Reason string
	Values []any
	// Field names the input that Message is about, where there is one ("customer.email").
	Field string
	// Missing lists, one sentence each, what a refused move still needs.
	Missing []string
	Err     error
	// lost marks a commit that lost against another: the step may be decided again on the new state.
	lost bool
}

func (e *Error) Error() string {
	if e.Err != nil {
		return fmt.Sprintf("%s: %s: %v", e.Code, e.Message, e.Err)
	}
	return fmt.Sprintf("%s: %s", e.Code, e.Message)
}

// Unwrap returns the private cause.
func (e *Error) Unwrap() error { return e.Err }

// Is makes errors.Is(err, ErrConflict) and friends compare by code.
func (e *Error) Is(target error) bool {
	t, ok := target.(*Error)
	return ok && t.Code == e.Code && t.Message == ""
}

// Sentinels to compare with errors.Is; they match every [Error] of their code.
var (
	ErrInvalid   = &Error{Code: CodeInvalid}
	ErrConflict  = &Error{Code: CodeConflict}
	ErrNotFound  = &Error{Code: CodeNotFound}
	ErrForbidden = &Error{Code: CodeForbidden}
	ErrGone      = &Error{Code: CodeGone}
)

// ErrUnavailable is the cause of every error of a store that can't be reached now. It is no [Error]:
// whether a change was made is unknown. Nothing that was acknowledged is lost by it.
var ErrUnavailable = errors.New("the store can't be reached")

// ErrFull and ErrDamaged say more of an [ErrUnavailable]: there is no room left, on a disk or in memory, and the
// change was not made; what was stored can't be read.
var (
	ErrFull    = fmt.Errorf("%w: no room is left", ErrUnavailable)
	ErrDamaged = fmt.Errorf("%w: it is damaged", ErrUnavailable)
)

// CodeOf returns the code of the first [Error] in err's chain, CodeInternal for any other error and
// "" for nil.
func CodeOf(err error) Code {
	if err == nil {
		return ""
	}
	var e *Error
	if errors.As(err, &e) {
		return e.Code
	}
	return CodeInternal
}

// MessageOf returns the sentence that may be shown to a person. Errors that are not an [Error] get a
// general sentence, so that no cause leaks.
func MessageOf(err error) string {
	var e *Error
	if errors.As(err, &e) && e.Message != "" {
		return e.Message
	}
	return "Something went wrong on our side; nothing you entered was acted on. Please try again in a minute."
}

func invalid(field, format string, args ...any) *Error {
	return &Error{Code: CodeInvalid, Field: field, Message: fmt.Sprintf(format, args...)}
}

// because names a refusal that a customer can meet; see [Error.Reason].
func (e *Error) because(reason string, values ...any) *Error {
	e.Reason, e.Values = reason, values
	return e
}

func refused(format string, args ...any) *Error {
	return &Error{Code: CodeRefused, Message: fmt.Sprintf(format, args...)}
}
