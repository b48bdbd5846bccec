package counter

import (
	"benchword/templates"
	"benchword/workflow"
)

// passcodePage shows what unlocks the device, once somebody asked for it.
type passcodePage struct {
	jobBase
	// Since says since when there is one, "" for none; Seen when the bench looked at it.
	Since string
	Seen  []string
	// Passcode is shown right after the tap that is written down, "" otherwise.
	Passcode   string
	Give, Wipe *form
}

func (*passcodePage) Template() string { return "passcode.html" }

var passcodeTask = &task{
	view: func(r *request) (templates.View, error) {
		v := &passcodePage{jobBase: r.title("Passcode"), Passcode: r.passcode, Give: r.formTo("passcode/give"), Wipe: r.formTo("passcode/wipe")}
		if p := r.job.Passcode; p != nil {
			k := newClock(r.shop(), r.now())
			v.Since = k.at(p.At)
			for _, at := range p.SeenAt {
				v.Seen = append(v.Seen, k.at(at))
			}
		}
		v.Give.Values.Del("passcode")
		return v, nil
	},
	// The tap is written down first; what it shows is on this one page and is not kept.
	read: func(r *request) ([]workflow.Command, error) {
		j, err := r.x.s.Service().Do(r.c.UserContext(), workflow.Order{Job: r.job.Number, By: r.x.s.Actor(r.c), Commands: []workflow.Command{workflow.SeePasscode{}}})
		if err != nil {
			return nil, err
		}
		if r.passcode, err = r.x.s.Service().Passcode(j); err != nil {
			return nil, err
		}
		r.renew(j)
		return nil, errShowAgain
	},
}

var passcodeGiveTask = &task{
	then: "passcode",
	read: func(r *request) ([]workflow.Command, error) {
		return []workflow.Command{workflow.GivePasscode{Passcode: r.value("passcode")}}, nil
	},
	said: "The passcode is kept, locked.",
}

var passcodeWipeTask = &task{
	then: "passcode",
	read: func(r *request) ([]workflow.Command, error) { return []workflow.Command{workflow.WipePasscode{}}, nil },
	said: "The passcode is gone.",
}
