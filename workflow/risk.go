package workflow

import "time"

// PromiseWarned is the clock passing a share of a promise's quota.
type PromiseWarned struct {
	Number int `json:"number"`
	// Percent is the share that the shop wants to be warned at.
	Percent int `json:"percent"`
	// At is the exact instant at which that much was used.
	At time.Time `json:"at"`
}

func (p *PromiseWarned) fold(j *Job, e *Event) {
	if p.Number >= 1 && p.Number <= len(j.Promises) {
		j.Promises[p.Number-1].Warned = p.Percent
	}
}

// PromiseAtRisk is the forecast saying that a promise will probably be missed.
type PromiseAtRisk struct {
	Number int `json:"number"`
	// Percent is how probable that is.
	Percent int `json:"percent"`
}

func (p *PromiseAtRisk) fold(j *Job, e *Event) {
	if p.Number >= 1 && p.Number <= len(j.Promises) {
		j.Promises[p.Number-1].Risk = p.Percent
	}
}

// Risk is what the forecast says about the promise in force.
type Risk struct {
	// Percent is how probable it is that the promise will be missed, 0 to 100.
	Percent int
	// AskAgain is when to ask again if nothing happens to the job until then; zero for not at all.
	AskAgain time.Time
}

// RiskOf is the seam between the promise and whatever estimates the rest of a job's way: it is asked about
// a running job with every step and at every wake-up, as long as its promise is neither missed nor flagged.
// due is the promise's instant (for a clock that stands still, as if it went on now). ok is false where
// there is nothing to go by. It must be quick, and safe for concurrent use.
type RiskOf func(j *Job, due, now time.Time) (r Risk, ok bool)

// nextWarning returns the share that comes after those that were warned at, 0 for none.
func (s *Shop) nextWarning(warned int) int {
	for _, p := range s.WarnAt {
		if p > warned {
			return p
		}
	}
	return 0
}

// warnAt returns when the next warning about the promise in force is due, zero for none.
func (j *Job) warnAt(shop *Shop) time.Time {
	p := j.Promise()
	if p == nil || !p.BreachedAt.IsZero() {
		return time.Time{}
	}
	percent := shop.nextWarning(p.Warned)
	if percent == 0 {
		return time.Time{}
	}
	at, _ := j.Turnaround(shop, p).Reached(percent)
	return at
}

// noteWarnings records that shares of the quota were passed: the largest one, if several were.
func (t *turn) noteWarnings() error {
	p := t.j.Promise()
	run := t.j.Turnaround(t.shop, p)
	var last *PromiseWarned
	for _, percent := range t.shop.WarnAt {
		if at, ok := run.Reached(percent); ok && percent > p.Warned && !t.now.Before(at) {
			last = &PromiseWarned{Number: p.Number, Percent: percent, At: at}
		}
	}
	return t.recordBy(clockActor, last)
}

// noteRisk asks about the promise in force, and raises its flag where the shop wants that.
func (t *turn) noteRisk(ask RiskOf) error {
	j := t.j
	p := j.Promise()
	if ask == nil || p == nil || j.Ended() || !p.BreachedAt.IsZero() || p.Risk > 0 || t.shop.RiskAt == 0 {
		return nil
	}
	due, ok := j.Turnaround(t.shop, p).DueAt(t.now)
	if !ok {
		return nil
	}
	r, ok := ask(j, due, t.now)
	if !ok {
		return nil
	}
	if r.Percent >= t.shop.RiskAt {
		return t.recordBy(Actor{Role: RoleSystem, ID: "forecast"}, &PromiseAtRisk{Number: p.Number, Percent: min(r.Percent, 100)})
	}
	if r.AskAgain.After(t.now) {
		t.askAgain = r.AskAgain
	}
	return nil
}

// pressing reports whether the promise wants somebody's eye: a warning, a target missed, a delay that
// nobody has explained yet.
func (j *Job) pressing() bool {
	if j.Ended() {
		return false
	}
	p := j.Promise()
	return len(j.LateTargets()) > 0 || p != nil && p.BreachedAt.IsZero() && (p.Warned > 0 || p.Risk > 0) || j.Unexplained()
}
