package workflow

import "time"

// Passcode is what unlocks the device. It is a secret: locked with the link keys before it is sealed, so that neither
// the store nor a copy of it holds it in clear; shown to the bench on a tap that is written down, and nowhere else;
// and its row of the vault goes when the device does.
type Passcode struct {
	// Locked is the passcode under the link keys; it says nothing to whoever has no key.
	Locked Sealed    `json:"locked"`
	At     time.Time `json:"at,omitzero"`
	// SeenAt is when the bench looked at it.
	SeenAt []time.Time `json:"seen_at,omitempty"`
}

// GivePasscode gives what unlocks the device; another one takes its place.
type GivePasscode struct {
	Passcode string `json:"passcode"`
}

func (c GivePasscode) decide(t *turn) error {
	if err := t.needOpen("Giving a passcode"); err != nil {
		return err
	}
	s, err := line("passcode", "The passcode", c.Passcode, true)
	if err != nil {
		return err
	}
	locked, err := t.links.Lock(t.random, string(t.shop.ID), string(t.j.Number), s)
	if err != nil {
		return err
	}
	t.dropPasscode()
	sealed, err := t.seal(locked)
	if err != nil {
		return err
	}
	return t.record(&PasscodeGiven{sealed})
}

// PasscodeGiven is what unlocks the device, locked.
type PasscodeGiven struct {
	Locked Sealed `json:"locked"`
}

func (p *PasscodeGiven) fold(j *Job, e *Event) { j.Passcode = &Passcode{Locked: p.Locked, At: e.At} }

// SeePasscode writes down that somebody at the bench looks at the passcode; [Service.Passcode] then shows it.
type SeePasscode struct{}

func (c SeePasscode) decide(t *turn) error {
	if t.j.Passcode == nil || t.j.Passcode.Locked.Text == "" {
		return refused("There is no passcode on this job.")
	}
	return t.record(&PasscodeSeen{})
}

// PasscodeSeen says that somebody at the bench looked at the passcode.
type PasscodeSeen struct{}

func (p *PasscodeSeen) fold(j *Job, e *Event) {
	if j.Passcode != nil {
		j.Passcode.SeenAt = append(j.Passcode.SeenAt, e.At)
	}
}

// WipePasscode removes the passcode.
type WipePasscode struct{}

func (c WipePasscode) decide(t *turn) error { return t.wipePasscode() }

// wipePasscode removes the passcode, if there is one: when asked to, and when the device leaves.
func (t *turn) wipePasscode() error {
	if t.j.Passcode == nil {
		return nil
	}
	t.dropPasscode()
	return t.record(&PasscodeWiped{})
}

// dropPasscode has the row of the vault removed that the passcode is in.
func (t *turn) dropPasscode() {
	if p := t.j.Passcode; p != nil && p.Locked.Digest != "" {
		t.wipe = append(t.wipe, p.Locked.Digest)
	}
}

// PasscodeWiped says that the passcode is gone.
type PasscodeWiped struct{}

func (p *PasscodeWiped) fold(j *Job, e *Event) { j.Passcode = nil }

// Passcode returns what unlocks the device in clear: only after [SeePasscode], to whoever gave that.
func (s *Service) Passcode(j *Job) (string, error) {
	if j.Passcode == nil || j.Passcode.Locked.Text == "" {
		return "", refused("There is no passcode on this job.")
	}
	return s.Links.Unlock(string(j.Shop), string(j.Number), j.Passcode.Locked.Text)
}
