package workflow

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

var (
	benchUp   = []Role{RoleBench, RoleCounter, RoleOwner}
	counterUp = []Role{RoleCounter, RoleOwner}
	ownerOnly = []Role{RoleOwner}
	systemDo  = []Role{RoleSystem}
)

func permits(c Command, r Role) bool {
	for _, a := range c.allowed() {
		if a == r {
			return true
		}
	}
	return false
}
