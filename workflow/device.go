package workflow

// Device is what the job is about.
type Device struct {
	// Kind is the plain word: "film scanner", "stage piano".
	Kind  string `json:"kind"`
	Maker string `json:"maker,omitempty"`
	Model string `json:"model,omitempty"`
	// Serial is read off the device at intake and compared at dispatch.
	Serial string `json:"serial,omitempty"`
}

// Name returns maker, model and kind in one line, as one would say it: "Halden F2 film scanner".
func (d Device) Name() string {
	out := ""
	for _, s := range []string{d.Maker, d.Model, d.Kind} {
		if s != "" {
			if out != "" {
				out += " "
			}
			out += s
		}
	}
	return out
}
