package workflow

// ErasePerson removes what identifies the customer, and the photos; figures and chain stay.
type ErasePerson struct{}

func (c ErasePerson) decide(t *turn) error {
	if !t.j.Ended() {
		return refused("A person can be erased once the job has ended: until then the device is still theirs to get back.")
	}
	if !t.j.Erased.IsZero() {
		return nil
	}
	if err := t.endLinks(); err != nil {
		return err
	}
	t.forget = true
	if err := t.record(&PersonErased{}); err != nil {
		return err
	}
	t.effect(EffectForget)
	return nil
}

// PersonErased removes what identifies the person; the figures stay.
type PersonErased struct{}

func (p *PersonErased) fold(j *Job, e *Event) {
	j.Erased = e.At
	for i := range j.Photos {
		j.Photos[i].Removed = true
	}
	for i := range j.Links {
		j.Links[i].Revoked = true
	}
	Vault{}.Unseal(j)
}
