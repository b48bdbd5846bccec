package workflow

import (
	"slices"
	"strings"
)

// Device is what the job is about.
type Device struct {
	// Kind is the plain word: "film scanner", "stage piano".
	Kind string `json:"kind"`
	// Maker and Model outlast the person, unless they hold a word of the customer's name.
	Maker Words `json:"maker,omitzero"`
	Model Words `json:"model,omitzero"`
	// Serial is read off the device at intake and compared at dispatch.
	Serial Words `json:"serial,omitzero"`
	// Class is read off the device at intake, "" if nobody could say.
	Class ProtectionClass `json:"class,omitempty"`
}

// Name returns maker, model and kind in one line, as one would say it: "Halden F2 film scanner".
func (d Device) Name() string {
	out := ""
	for _, s := range []string{d.Maker.Text, d.Model.Text, d.Kind} {
		if s != "" {
			if out != "" {
				out += " "
			}
			out += s
		}
	}
	return out
}

// ofDevice checks what was typed about the device, and seals it if it holds a word of the customer's name.
func (t *turn) ofDevice(field, what, s, name string) (Words, error) {
	s, err := line(field, what, s, false)
	if holdsName(s, name) {
		return t.words(s, err)
	}
	return Plain(s), err
}

func holdsName(s, name string) bool {
	return slices.ContainsFunc(strings.Fields(strings.ToLower(name)), func(word string) bool {
		return len(word) > 2 && strings.Contains(strings.ToLower(s), word)
	})
}

// Decisions:
//
//   - 2026-11-30: every check, finding and photo from the bench counts as one inside until somebody says that the
//     device stayed shut; what comes later counts again. Rejected: a mark on each check, which would be
//     forgotten on the unsafe side.

// Opened reports whether the device was open here: a check, photo, finding or work inside says so, unless
// somebody said afterwards that it stayed shut.
func (j *Job) Opened() bool {
	return j.last(j.inside) > j.last(func(m Moment) bool { return m.Kind == KindDeviceShut })
}

// inside reports whether a moment speaks of the inside, as far as anybody can tell from the record.
func (j *Job) inside(m Moment) bool {
	switch m.Kind {
	case KindCheckDone, KindWorkDone:
		return true
	case KindFindingNoted:
		f := j.Finding(m.Ref)
		return f != nil && f.Origin != OriginArrival
	case KindPhotoAdded:
		for _, p := range j.Photos {
			if p.ID == m.Ref {
				return m.By != RoleCustomer && slices.Contains([]PhotoKind{PhotoEvidence, PhotoBefore, PhotoAfter, PhotoFound, PhotoLeft}, p.Kind)
			}
		}
	}
	return false
}

// last returns the sequence number of the latest moment that is like this, 0 if none is.
func (j *Job) last(is func(Moment) bool) int64 {
	for i := len(j.Story) - 1; i >= 0; i-- {
		if is(j.Story[i]) {
			return j.Story[i].Seq
		}
	}
	return 0
}

// closedSince returns the sequence number after which the device has been closed: what was proved before it is
// proved no more. That is when the job came to testing, or the latest work or check after it.
func (j *Job) closedSince() int64 {
	shut := j.last(func(m Moment) bool { return m.Kind == KindDeviceShut })
	open := j.last(func(m Moment) bool { return m.Kind == KindWorkDone || m.Kind == KindCheckDone && m.Seq > shut })
	return max(open, j.last(func(m Moment) bool { return m.To == StageTesting }))
}

// NoteShut says that the device stayed shut so far: what was checked and seen was outside.
type NoteShut struct{}

func (c NoteShut) decide(t *turn) error {
	if err := t.needStage("Saying that it stayed shut", StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting); err != nil {
		return err
	}
	if len(t.j.Work) > 0 {
		return refused("Work was done on the device, so it counts as opened.")
	}
	for _, s := range t.j.Suspects {
		for _, k := range s.Checks {
			if p := t.j.plan(k.Plan); p != nil && len(p.Behind) > 0 {
				return refused("The check “%s” had the case off, so the device was open.", k.Text)
			}
		}
	}
	return t.record(&DeviceStayedShut{})
}

// DeviceStayedShut says that nobody had opened the device.
type DeviceStayedShut struct{}

func (p *DeviceStayedShut) fold(j *Job, e *Event) { j.addMoment(e, 0) }
