package workflow

import (
	"slices"
	"time"

	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

// Level is a level of service as the shop offers it: what is promised, what it costs, and what the counter
// holds itself to on the way.
type Level struct {
	// Key names it in events, forms and the API: 1 to 32 of a-z, 0-9 and "-". It never changes.
	Key string
	// Name is what people read; Names has it in other languages, Text says more in a sentence.
	Name  string
	Names map[string]string
	Text  string
	// Promise is what is told on arrival. ByDate levels have none: the date is agreed for each job.
	Promise promiseclock.Quota
	ByDate  bool
	// Fee is the line that each repairing option of a quote gets; nil for none.
	Fee *money.Line
	// Look and Answer are how soon after arrival somebody has looked at the device, and the customer has the
	// findings; zero values for none.
	Look, Answer promiseclock.Quota
}

// Named returns the name in a language.
func (l *Level) Named(lang string) string {
	if s := l.Names[lang]; s != "" {
		return s
	}
	return l.Name
}

// UsualDays is the usual turnaround in working days, 0 if the shop names none.
func (s *Shop) UsualDays() int {
	if len(s.Levels) > 0 {
		return s.Levels[0].Promise.WorkingDays
	}
	return s.PromiseDays
}

// Level finds a level by its key, nil if the shop has none such.
func (s *Shop) Level(key string) *Level {
	for i := range s.Levels {
		if s.Levels[i].Key == key {
			return &s.Levels[i]
		}
	}
	return nil
}

// JobLevel is the level of service of one job, as it was when it was chosen: settings that change later do
// not change what was agreed.
type JobLevel struct {
	Key  string `json:"key"`
	Name string `json:"name"`
	// Names has the name in other languages.
	Names map[string]string `json:"names,omitempty"`
	// Promise is what is told on arrival; for an agreed date, that.
	Promise promiseclock.Quota `json:"promise,omitzero"`
	// ByDate marks a level whose date is agreed for each job; Promise is empty until it is.
	ByDate bool               `json:"by_date,omitempty"`
	Fee    *money.Line        `json:"fee,omitempty"`
	Look   promiseclock.Quota `json:"first_look_within,omitzero"`
	Answer promiseclock.Quota `json:"answer_within,omitzero"`
}

// Named returns the name in a language.
func (l *JobLevel) Named(lang string) string {
	return (&Level{Name: l.Name, Names: l.Names}).Named(lang)
}

// LevelChosen sets a job's level of service.
type LevelChosen struct {
	Level JobLevel `json:"level"`
}

func (p *LevelChosen) fold(j *Job, e *Event) {
	l := p.Level
	j.Level = &l
	j.Missed = slices.DeleteFunc(j.Missed, func(m MissedTarget) bool { return j.targetMet(m.Target).IsZero() })
}

// ChooseLevel sets the level of service. Once a date was promised, the level's own promise is told from now
// on, with the reason.
type ChooseLevel struct {
	Level string `json:"level"`
	// By is the agreed date, for a level that has one.
	By time.Time `json:"by,omitzero"`
	// Reason is read by the customer; wanted once a date was promised.
	Reason string `json:"reason,omitempty"`
}

func (c ChooseLevel) decide(t *turn) error {
	if err := t.needOpen("Choosing a level of service"); err != nil {
		return err
	}
	if len(t.shop.Levels) == 0 {
		return refused("The shop has no levels of service; they are set in the settings file.")
	}
	told := len(t.j.Promises) > 0
	reason, err := t.text("reason", "The reason, which the customer will read,", c.Reason, told)
	if err != nil {
		return err
	}
	if err := t.chooseLevel(c.Level, c.By); err != nil {
		return err
	}
	if q := t.j.Level.Promise; told && q != (promiseclock.Quota{}) {
		return t.movePromise(q, reason)
	}
	return nil
}

// chooseLevel records the choice of a level, which may be "" for the shop's first one.
func (t *turn) chooseLevel(key string, by time.Time) error {
	if len(t.shop.Levels) == 0 {
		if key != "" {
			return invalid("level", "The shop has no levels of service to choose from.")
		}
		return nil
	}
	l := &t.shop.Levels[0]
	if key != "" {
		if l = t.shop.Level(key); l == nil {
			return invalid("level", "Choose one of the levels of service that the shop offers.")
		}
	}
	x := JobLevel{Key: l.Key, Name: l.Name, Names: l.Names, Promise: l.Promise, ByDate: l.ByDate, Fee: l.Fee, Look: l.Look, Answer: l.Answer}
	switch {
	case l.ByDate && by.IsZero():
		// Agreed later: the counter tells the date.
	case l.ByDate:
		if err := t.soonEnough("by", by); err != nil {
			return err
		}
		x.Promise = promiseclock.Quota{By: by.UTC().Truncate(time.Second)}
	case !by.IsZero():
		return invalid("by", "This level of service has a length of its own; a date is for a level whose date is agreed.")
	}
	return t.record(&LevelChosen{x})
}

// addFee puts the level's line into an option of a quote, unless one with its words is there.
func (l *JobLevel) addFee(o *Option) {
	if l == nil || l.Fee == nil || !o.repairs() {
		return
	}
	for _, x := range o.Price.Lines {
		if x.Kind == l.Fee.Kind && x.Text == l.Fee.Text {
			return
		}
	}
	o.Price.Lines = append(slices.Clone(o.Price.Lines), *l.Fee)
}

// TargetKind is something that a level of service wants done within a time.
type TargetKind string

const (
	TargetLook   TargetKind = "first_look" // somebody has looked at the device
	TargetAnswer TargetKind = "answer"     // the customer has the findings
)

// Target is a job's target, on the promise clock from the device's arrival on.
type Target struct {
	Kind  TargetKind
	Quota promiseclock.Quota
	// Due is zero while the clock stands still, and before the device has arrived.
	Due time.Time
	// MetAt is zero as long as it is not met.
	MetAt time.Time
}

// Late reports whether the target was missed at an instant, met since or not.
func (x *Target) Late(now time.Time) bool {
	if !x.MetAt.IsZero() {
		now = x.MetAt
	}
	return !x.Due.IsZero() && now.After(x.Due)
}

// MissedTarget is a target that the clock has passed.
type MissedTarget struct {
	Target TargetKind `json:"target"`
	// DueAt is the exact instant that was passed.
	DueAt time.Time `json:"due_at"`
}

// Targets returns the targets of the job's level of service.
func (j *Job) Targets(shop *Shop) []Target {
	if j.Level == nil {
		return nil
	}
	var out []Target
	for _, x := range []Target{{Kind: TargetLook, Quota: j.Level.Look}, {Kind: TargetAnswer, Quota: j.Level.Answer}} {
		if x.Quota == (promiseclock.Quota{}) {
			continue
		}
		x.MetAt = j.targetMet(x.Kind)
		if !j.ReceivedAt.IsZero() {
			t := promiseclock.Turnaround{Calendar: shop.Calendar, Start: j.ReceivedAt, Quota: x.Quota, Pauses: j.Pauses}
			if due, ok := t.Due(); ok {
				x.Due = due
			}
		}
		out = append(out, x)
	}
	return out
}

// targetMet returns when a target was met, zero if it is not.
func (j *Job) targetMet(k TargetKind) time.Time {
	for _, m := range j.Story {
		switch {
		case m.To == StageTesting, m.To == StageShipped, m.To == StageWithdrawn:
			return m.At
		case k == TargetLook && (m.Kind == KindFaultTried || m.To == StageDiagnosing):
			return m.At
		case k == TargetAnswer && m.Kind == KindReportSent:
			return m.At
		}
	}
	return time.Time{}
}

// TargetMissed is the clock passing a target.
type TargetMissed struct {
	MissedTarget
}

func (p *TargetMissed) fold(j *Job, e *Event) { j.Missed = append(j.Missed, p.MissedTarget) }

// missed reports whether the target is on record as missed.
func (j *Job) missed(k TargetKind) bool {
	return slices.ContainsFunc(j.Missed, func(m MissedTarget) bool { return m.Target == k })
}

// LateTargets returns the targets on record as missed that are still to be met.
func (j *Job) LateTargets() []TargetKind {
	var out []TargetKind
	for _, m := range j.Missed {
		if !j.Ended() && j.targetMet(m.Target).IsZero() {
			out = append(out, m.Target)
		}
	}
	return out
}

// targetAt returns when the next target will have been missed, zero if none can be.
func (j *Job) targetAt(shop *Shop) time.Time {
	var first time.Time
	for _, x := range j.Targets(shop) {
		if x.MetAt.IsZero() && !x.Due.IsZero() && !j.missed(x.Kind) && (first.IsZero() || x.Due.Before(first)) {
			first = x.Due
		}
	}
	if first.IsZero() {
		return first
	}
	return first.Add(instant)
}

// noteTargets records the targets that the clock has passed.
func (t *turn) noteTargets() error {
	for _, x := range t.j.Targets(t.shop) {
		if x.MetAt.IsZero() && x.Late(t.now) && !t.j.missed(x.Kind) {
			if err := t.recordBy(clockActor, &TargetMissed{MissedTarget{x.Kind, x.Due}}); err != nil {
				return err
			}
		}
	}
	return nil
}
