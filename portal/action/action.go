// Package action lists what staff can do to a job. The list is where both doors meet: the API's routes and
// document are made from it (portal/api), the counter's forms, who may open them, and the links to them
// (portal/counter). Who may do what is the domain's to say ([workflow.Permits]), and so is what is to be done
// at a stage ([workflow.Job.Todo]), whose kinds are forms of this list.
package action

import (
	"slices"

	"benchword/workflow"
)

// Action is one command, and where it is given.
type Action struct {
	// Command is the command as it is without a word in it.
	Command workflow.Command
	// Name is the last part of the API's address, and Summary what the document says of it.
	Name, Summary string
	// Form is the counter's form, below the job's address, and On the form on whose page it stands, "" for a page
	// of its own. Several actions may share a form, and one may have several, each in a row.
	Form, On string
	// Words stand on a link to the form.
	Words string
	// Draft is a form that only prepares what others send: all staff may write it.
	Draft bool
	// Apart says why the action has no route of the API that is made from this list, or no form.
	Apart string
}

// List is the list. What stands on a page comes after the page.
var List = []Action{
	{Command: workflow.ListContents{}, Name: "contents", Summary: "List what was in the parcel, with the serial number.", Form: "intake", Words: "Open the parcel"},
	{Command: workflow.AnswerScreening{}, Name: "screening", Summary: "Answer the safety screening.", Form: "intake"},
	{Command: workflow.NoteCondition{}, Name: "condition", Summary: "Note the condition on arrival.", Form: "look", Words: "First look"},
	{Command: workflow.TryFault{}, Name: "fault", Summary: "Say whether the customer's fault was reproduced.", Form: "look"},
	{Command: workflow.AddPhoto{}, Form: "photos", Words: "Photos", Apart: "a picture comes as a file, by a route of its own"},
	{Command: workflow.DescribePhoto{}, Name: "photo-description", Summary: "Change a photo's kind, caption, description or marks.", Form: "photo/:id"},
	{Command: workflow.DescribePhoto{}, Form: "photos/words", On: "photos"},
	{Command: workflow.RemovePhoto{}, Name: "photo-removal", Summary: "Take a photo off the pages.", Form: "photo/:id/remove", On: "photo/:id"},
	{Command: workflow.DoCheck{}, Name: "checks", Summary: "Record a check of a suspect.", Form: "checks", Words: "Suspects and checks"},
	{Command: workflow.NameSuspect{}, Name: "suspects", Summary: "Name a candidate cause of the fault.", Form: "checks"},
	{Command: workflow.NoteSymptom{}, Name: "symptom", Summary: "Say what the device does; its usual suspects and their checks come with it.", Form: "symptom", On: "checks"},
	{Command: workflow.PlanCheck{}, Name: "check-plans", Summary: "Plan a check: its minutes, and what it says of suspects.", Form: "check-plan", On: "checks"},
	{Command: workflow.NoteFinding{}, Name: "findings", Summary: "Note a finding, or correct one.", Form: "finding", Words: "Photo + finding"},
	{Command: workflow.NoteFinding{}, Form: "finding/:id"},
	{Command: workflow.WithdrawFinding{}, Name: "finding-withdrawal", Summary: "Take a finding back.", Form: "finding/:id/withdraw", On: "finding/:id"},
	{Command: workflow.RaiseDuty{}, Name: "duties", Summary: "Raise a duty.", Form: "duties", Words: "Duties"},
	{Command: workflow.DoDuty{}, Name: "duty-done", Summary: "Settle a duty.", Form: "duty/done", On: "duties"},
	{Command: workflow.WaiveDuty{}, Name: "duty-waiver", Summary: "Waive a duty, with a reason that the customer will read.", Form: "duty/waive", On: "duties"},
	{Command: workflow.MakeSafe{}, Name: "made-safe", Summary: "Write down how a device that goes back unrepaired was made safe (owner).", Form: "safe", Words: "Made safe to go back"},
	{Command: workflow.SendReport{}, Form: "report", Words: "Findings report", Draft: true},
	{Command: workflow.SendReport{}, Form: "report/preview", Draft: true},
	{Command: workflow.SendReport{}, Name: "report", Summary: "Send a findings report.", Form: "report/send", On: "report/preview"},
	{Command: workflow.IssueQuote{}, Name: "quote", Summary: "Issue the next revision of the quote.", Form: "quote", Words: "Quote", Draft: true},
	{Command: workflow.WithdrawQuote{}, Name: "quote-withdrawal", Summary: "Take the open quote back.", Form: "quote/back", On: "quote"},
	{Command: workflow.Decide{}, Name: "decision", Summary: "Write down a decision that the customer gave by telephone.", Form: "answer", Words: "Write down a telephone answer"},
	{Command: workflow.UndoDecision{}, Name: "decision-undo", Summary: "Take a decision back that the customer takes back in time.", Form: "undo", Words: "Take the answer back"},
	{Command: workflow.SetCharge{}, Name: "charge", Summary: "Charge less than the customer agreed to.", Form: "charge"},
	{Command: workflow.RecordPayment{}, Name: "payments", Summary: "Record money that came in, or went back.", Form: "payment", Words: "Payments"},
	{Command: workflow.PlaceHold{}, Name: "hold", Summary: "Place a hold.", Form: "hold", Words: "Put on hold"},
	{Command: workflow.LiftHold{}, Name: "hold-end", Summary: "Lift the hold.", Form: "hold/lift", On: "hold", Words: "Lift the hold"},
	{Command: workflow.MovePromise{}, Name: "promise", Summary: "Tell the customer a new date, with its reason.", Form: "promise", Words: "Move the promised date"},
	{Command: workflow.ExplainDelay{}, Name: "delay", Summary: "Say why a promise is late, and a new date if there is one; before the breach it is kept for then.", Form: "delay", Words: "Why it is late"},
	{Command: workflow.AnswerDelay{}, Name: "delay-choice", Summary: "Write down what the customer chose after a missed promise.", Form: "delay/choice", On: "delay"},
	{Command: workflow.ChooseLevel{}, Name: "level", Summary: "Choose the level of service.", Form: "level", Words: "Level of service"},
	{Command: workflow.Begin{}, Name: "begin", Summary: "Say that the bench begins what the customer decided; work, a part on order, a photo, a check, a test or packing say it too.", Form: "begin", Words: "Begin"},
	{Command: workflow.DoWork{}, Name: "work", Summary: "Record what was done.", Form: "work", Words: "What was done"},
	{Command: workflow.DoTest{}, Name: "tests", Summary: "Record one run of a test.", Form: "tests", Words: "Tests"},
	{Command: workflow.DoTest{}, Form: "test", Words: "Test step by step"},
	{Command: workflow.BeginTest{}, Name: "test-start", Summary: "Start a test that runs by itself; the run that is recorded next ends it.", Form: "test/begin", On: "tests"},
	{Command: workflow.NoteShut{}, Name: "stayed-shut", Summary: "Say that nobody has opened the device.", Form: "shut", On: "tests"},
	{Command: workflow.DeclareReady{}, Name: "ready", Summary: "Tell the customer that it is done and tested.", Form: "ready", Words: "Tell the customer that it is ready"},
	{Command: workflow.Pack{}, Name: "packing", Summary: "Account for the contents.", Form: "packing", Words: "Pack and post"},
	{Command: workflow.PrepareShipment{}, Name: "shipment", Summary: "Write down the parcel number, or that it is handed over.", Form: "packing"},
	{Command: workflow.TellArrival{}, Name: "arrival", Summary: "Say whether the parcel has arrived.", Form: "arrival", Words: "Has it arrived?"},
	{Command: workflow.NoteDamage{}, Name: "damage", Summary: "Write down damage in transit: carrier, declared value, the day by which they must be told.", Form: "damage", Words: "Damage in transit"},
	{Command: workflow.TellDamage{}, Name: "damage-told", Summary: "Say that carrier or insurer was told of the damage.", Form: "damage/told", On: "damage"},
	{Command: workflow.Go{}, Name: "move", Summary: "Move the job along a row of the table.", Form: "move/:to"},
	{Command: workflow.SendMessage{}, Name: "messages", Summary: "Write to the customer.", Form: "letters", Words: "Messages"},
	{Command: workflow.AskConfirm{}, Name: "message-confirmation", Summary: "Ask at the address on file whether a message is the customer's.", Form: "letters/confirm", On: "letters"},
	{Command: workflow.ChangeCustomer{}, Name: "customer", Summary: "Correct how the customer is reached, and the limit agreed to.", Form: "customer", Words: "Customer"},
	{Command: workflow.ChooseWishes{}, Name: "wishes", Summary: "Say how it goes back, what it is insured for, and what may be done with the data on it.", Form: "customer/wishes", On: "customer"},
	{Command: workflow.SettleChange{}, Name: "customer-change", Summary: "Write down what the customer said on the telephone about a change that they asked for on their page.", Form: "customer/change", On: "customer"},
	{Command: workflow.SeePasscode{}, Form: "passcode", Words: "Passcode", Apart: "a passcode is shown to a person at the bench, and to no program"},
	{Command: workflow.GivePasscode{}, Form: "passcode/give", On: "passcode", Apart: "a passcode goes through no program, which would keep it"},
	{Command: workflow.WipePasscode{}, Name: "passcode-end", Summary: "Delete what unlocks the device.", Form: "passcode/wipe", On: "passcode"},
	{Command: workflow.RevokeLinks{}, Form: "link", Words: "Customer’s link"},
	{Command: workflow.RevokeLinks{}, Name: "link-revocation", Summary: "End every link; the customer gets new ones.", Form: "link/revoke", On: "link"},
	{Command: workflow.AskLink{}, Name: "link", Summary: "Email the customer the link again.", Form: "link/mail", On: "link"},
	{Command: workflow.ChooseNotices{}, Name: "notice-choice", Summary: "Choose which emails the customer gets.", Form: "notices"},
	{Command: workflow.SendAgain{}, Name: "notice-again", Summary: "Send an email again that was given up.", Form: "notices/again", On: "notices"},
	{Command: workflow.NoteTold{}, Name: "notice-told", Summary: "Tick an email off that did not arrive: the customer was told in another way.", Form: "notices/told", On: "notices"},
	{Command: workflow.SendData{}, Name: "data", Summary: "Email the customer a link to all that is kept about them (owner).", Form: "data", Words: "What we keep about them"},
	{Command: workflow.ErasePerson{}, Name: "erasure", Summary: "Erase the person (owner).", Form: "erase", Words: "Erase the person"},
}

// At returns the action that a form is for, the first of several.
func At(form string) Action {
	if i := slices.IndexFunc(List, func(a Action) bool { return a.Form == form }); i >= 0 {
		return List[i]
	}
	panic("action: no form " + form)
}

// May reports whether a role may give the command.
func (a Action) May(r workflow.Role) bool { return workflow.Permits(a.Command, r) }

// Page returns the form on whose page the action's form stands.
func (a Action) Page() string {
	if a.On != "" {
		return a.On
	}
	return a.Form
}
