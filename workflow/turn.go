package workflow

import (
	"io"
	"strings"
	"time"

	"benchword/workflow/link"
)

// Command is something that somebody wants done to a job. Its name is an imperative; deciding on it
// either records events or refuses with an [Error]. It reads no clock and draws no randomness of its
// own: both come with the turn.
type Command interface {
	decide(t *turn) error
}

// turn is one step being decided: the job as it becomes, and what has been recorded.
type turn struct {
	j       *Job
	shop    *Shop
	now     time.Time
	by      Actor
	random  io.Reader
	links   *link.Maker
	events  []*Event
	secrets []Secret
	rows    []LinkRow
	forget  bool
	wipe    []string // digests
	// effects are to be done outside the store.
	effects []Entry
	// requeue are given-up notices to be sent again; late one that missed the mail it was to go with.
	requeue []string
	late    *Notice
	// named is the date that was named when a pause ended.
	named time.Time
	// askAgain is when the forecast wants to be asked again.
	askAgain time.Time
}

// record makes an event of a payload and folds it at once, so that what follows sees it.
func (t *turn) record(p Payload) error { return t.recordBy(t.by, p) }

func (t *turn) recordBy(by Actor, p Payload) error {
	if t.j.Queued() && by.Role != RoleCustomer && by.Role != RoleSystem && begins(p) {
		if err := t.recordBy(by, &WorkBegun{}); err != nil {
			return err
		}
	}
	wire, data, err := encodePayload(p)
	if err != nil {
		return err
	}
	e := &Event{Shop: t.shop.ID, Job: t.j.Number, Seq: t.j.Version + 1, At: t.now, By: by, Wire: wire, Data: data, Prev: t.j.Head, Payload: p}
	if err := t.j.apply(e); err != nil {
		return err
	}
	t.events = append(t.events, e)
	return nil
}

func (t *turn) seal(text string) (Sealed, error) {
	s, secret, err := seal(t.random, text)
	if secret != nil {
		t.secrets = append(t.secrets, *secret)
	}
	return s, err
}

// line checks a one-line text and seals it.
func (t *turn) line(field, what, s string, required bool) (Words, error) {
	return t.words(line(field, what, s, required))
}

// text checks a longer text and seals it.
func (t *turn) text(field, what, s string, required bool) (Words, error) {
	return t.words(text(field, what, s, required))
}

func (t *turn) words(s string, err error) (Words, error) {
	if err != nil {
		return Words{}, err
	}
	sealed, err := t.seal(s)
	return Words{sealed}, err
}

// needStage refuses unless the job is in one of the stages.
func (t *turn) needStage(action string, stages ...Stage) error {
	for _, s := range stages {
		if t.j.Stage == s {
			return nil
		}
	}
	words := make([]string, len(stages))
	for i, s := range stages {
		words[i] = strings.ReplaceAll(string(s), "_", " ")
	}
	return refused("%s is possible while a job is %s; this one is %s.", action, strings.Join(words, " or "), strings.ReplaceAll(string(t.j.Stage), "_", " ")).because("stage")
}

// needOpen refuses once the job has ended.
func (t *turn) needOpen(action string) error {
	if t.j.Ended() {
		return refused("%s is not possible any more: the job has ended.", action).because("ended")
	}
	return nil
}
