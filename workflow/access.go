package workflow

import (
	"cmp"
	"reflect"
	"slices"
)

// Role is what somebody may do.
type Role string

const (
	RoleBench    Role = "bench"    // technician: intake, photos, findings, checks, work, tests
	RoleCounter  Role = "counter"  // counter staff: all of bench, and everything that reaches the customer
	RoleOwner    Role = "owner"    // all of counter, and staff, tokens, erasure
	RoleCustomer Role = "customer" // by link
	RoleSystem   Role = "system"   // the clock and the dispatcher
)

// Actor is who caused an event. For staff ID is their sign-in name; for a customer it is the id of
// the link they used; for the system it is the part that acted ("clock", "dispatcher").
type Actor struct {
	Role Role   `json:"role"`
	ID   string `json:"id,omitempty"`
}

// clockActor is who records what time alone brings about.
var clockActor = Actor{Role: RoleSystem, ID: "clock"}

// access is the table that says which roles may give which command: the service asks it, and so do the
// counter, the API and the to-do list.
var access = func() map[reflect.Type][]Role {
	const bench, counter, owner, customer, system = RoleBench, RoleCounter, RoleOwner, RoleCustomer, RoleSystem
	by := map[reflect.Type][]Role{}
	may := func(commands []Command, roles ...Role) {
		for _, c := range commands {
			by[reflect.TypeOf(c)] = roles
		}
	}
	may([]Command{
		ListContents{}, AnswerScreening{}, NoteCondition{}, TryFault{}, NoteShut{}, SeePasscode{}, DescribePhoto{}, RemovePhoto{},
		NoteSymptom{}, NameSuspect{}, PlanCheck{}, DoCheck{}, NoteFinding{}, WithdrawFinding{}, RaiseDuty{}, DoDuty{},
		PlaceHold{}, LiftHold{}, Begin{}, DoWork{}, BeginTest{}, DoTest{}, Pack{}, PrepareShipment{}, NoteDamage{}, Go{},
	}, bench, counter, owner)
	may([]Command{
		ChangeCustomer{}, SettleChange{}, ChooseLevel{}, WaiveDuty{}, SendReport{}, IssueQuote{}, WithdrawQuote{}, RecordPayment{}, SetCharge{},
		MovePromise{}, ExplainDelay{}, DeclareReady{}, RevokeLinks{}, AskConfirm{}, SendAgain{}, NoteTold{}, TellDamage{},
	}, counter, owner)
	may([]Command{MakeSafe{}, SendData{}}, owner)
	may([]Command{ErasePerson{}}, owner, system)
	may([]Command{Book{}, Decide{}, UndoDecision{}, AnswerDelay{}, SendMessage{}, AskLink{}, ChooseNotices{}, TellArrival{}, ChooseWishes{}, GivePasscode{}, WipePasscode{}}, customer, counter, owner)
	// A customer's photos come with a reply by email; no page of theirs takes photos in.
	may([]Command{AddPhoto{}}, bench, counter, owner, customer)
	may([]Command{Subscribe{}, Unsubscribe{}, ShareLink{}, Confirm{}, ChangeOwn{}}, customer)
	may([]Command{Wake{}, RecordDelivery{}, RecordBounce{}, EndSubscription{}, NoteReturn{}}, system)
	return by
}()

// RolesFor returns the roles that may give a command.
func RolesFor(c Command) []Role { return slices.Clone(access[reflect.TypeOf(c)]) }

// Commands returns every command as it is without a word in it, by name.
func Commands() []Command {
	var out []Command
	for t := range access {
		out = append(out, reflect.Zero(t).Interface().(Command))
	}
	slices.SortFunc(out, func(a, b Command) int { return cmp.Compare(reflect.TypeOf(a).Name(), reflect.TypeOf(b).Name()) })
	return out
}

// Permits reports whether a role may give a command.
func Permits(c Command, r Role) bool { return forbid(c, r) == nil }

// forbid returns the refusal that a role meets with a command, nil if it may give it.
func forbid(c Command, r Role) error {
	// A command that was read from JSON comes as a pointer.
	v := reflect.Indirect(reflect.ValueOf(c))
	if !slices.Contains(access[v.Type()], r) {
		return &Error{Code: CodeForbidden, Reason: "role", Message: "Your role does not include this action; ask somebody at the counter."}
	}
	if g, ok := v.Interface().(Go); ok && r == RoleBench && (g.To == StageShipped || g.To == StageWithdrawn || g.To == StageAwaitingApproval) {
		return &Error{Code: CodeForbidden, Message: "This step reaches the customer, so it is the counter's to make."}
	}
	return nil
}
