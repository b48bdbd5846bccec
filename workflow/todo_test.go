package workflow

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// What a stage asks for and what the table refuses for want of are the same, all the way from parcel to post.
func TestTodoAgreesWithTheTable(t *testing.T) {
	b := newBench(t)
	b.do(customer, booking)
	has := func(r Role, k TodoKind) *Todo {
		list := b.job().Todo(b.s.Shop, r)
		if i := slices.IndexFunc(list, func(x Todo) bool { return x.Kind == k }); i >= 0 {
			return &list[i]
		}
		return nil
	}
	require.Equal(t, &Todo{Kind: TodoIntake, State: TodoOpen, Missing: []string{"contents", "photo", "screening"}}, has(RoleBench, TodoIntake))
	e := b.refuses(CodeRefused, technician, Go{To: StageReceived})
	require.Len(t, e.Missing, 3)
	b.do(technician, photo(PhotoArrival))
	require.Equal(t, []string{"contents", "screening"}, has(RoleBench, TodoIntake).Missing)

	b = newBench(t)
	b.toDiagnosing()
	require.NotNil(t, has(RoleBench, TodoReport), "the bench writes it, the counter sends it")
	require.Equal(t, TodoOpen, has(RoleBench, TodoQuote).State)
	require.Nil(t, has(RoleBench, TodoAnswer))

	b = newBench(t)
	b.toAwaiting()
	require.Nil(t, has(RoleBench, TodoAnswer), "an answer by telephone is the counter's to write down")
	require.NotNil(t, has(RoleCounter, TodoAnswer))
	b.approve()
	require.Equal(t, TodoOpen, has(RoleBench, TodoWork).State)
	require.Nil(t, has(RoleBench, TodoQuote))
	b.do(technician, DoWork{Text: "Renewed the capacitor"})
	require.Equal(t, TodoDone, has(RoleBench, TodoWork).State)
	b.do(technician, Go{To: StageTesting})
	require.Equal(t, Todo{Kind: TodoTests, State: TodoOpen, All: 2}, *has(RoleBench, TodoTests))
	require.Equal(t, []string{"items", "parcel"}, has(RoleBench, TodoPacking).Missing)
	require.Nil(t, has(RoleBench, TodoReady))
	b.do(technician, pass("Function"), pass(SafetyTest), packAll, PrepareShipment{InPerson: true, Serial: "h-20417"})
	b.do(counter, DeclareReady{"Works again"})
	for _, x := range b.job().Todo(b.s.Shop, RoleOwner) {
		require.Equal(t, TodoDone, x.State, x.Kind)
	}
	j := b.do(counter, Go{To: StageShipped})
	require.Empty(t, j.Todo(b.s.Shop, RoleOwner))
}

// Every kind has a command, so that a role is never asked for what it may not do.
func TestEveryTodoHasACommand(t *testing.T) {
	require.Len(t, todoGives, 15)
	for k, c := range todoGives {
		require.NotEmpty(t, RolesFor(c), k)
	}
}
