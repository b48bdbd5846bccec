package action

import (
	"reflect"
	"slices"
	"testing"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// notHere are the commands that are no action of staff on a job, by name.
var notHere = map[string]string{
	"Book":        "begins a job: POST /api/v1/jobs, and /counter/new",
	"Subscribe":   "is the customer's browser's",
	"Unsubscribe": "is the customer's browser's",
	"Confirm":     "is the customer's, from the address on file",
	"ShareLink":   "is the customer's: the page is theirs to share",
	"ChangeOwn":   "is the customer's, by their link",
	"NoteReturn":  "is an effect of booking the job that follows",
	"Wake":        "is the clock's", "RecordDelivery": "is the dispatcher's", "RecordBounce": "is the mailbox's", "EndSubscription": "is the dispatcher's",
}

// Every command that somebody may give is in the list, with the API's route and the counter's form, or says why not.
func TestListIsWhole(t *testing.T) {
	for _, c := range workflow.Commands() {
		name := reflect.TypeOf(c).Name()
		var rows []Action
		for _, a := range List {
			if reflect.TypeOf(a.Command) == reflect.TypeOf(c) {
				rows = append(rows, a)
			}
		}
		if why, ok := notHere[name]; ok {
			require.NotEmpty(t, why)
			require.Empty(t, rows, name)
			delete(notHere, name)
			continue
		}
		require.NotEmpty(t, rows, "%s is not in the list", name)
		has := func(f func(Action) string) bool {
			return slices.ContainsFunc(rows, func(a Action) bool { return f(a) != "" })
		}
		apart := has(func(a Action) string { return a.Apart })
		require.True(t, apart || has(func(a Action) string { return a.Name }), "%s has no route", name)
		require.True(t, apart || has(func(a Action) string { return a.Form }), "%s has no form", name)
		require.False(t, has(func(a Action) string { return a.Name }) && has(func(a Action) string { return a.Form }) && apart, "%s is at both doors, and needs no reason", name)
	}
	require.Empty(t, notHere, "there is no such command")
}

// A route stands once; those who share a form share its roles, and a form on a page stands after the page.
func TestRowsAgree(t *testing.T) {
	names, forms := map[string]bool{}, map[string]Action{}
	for _, a := range List {
		require.False(t, a.Name != "" && names[a.Name], "%s stands twice", a.Name)
		require.Equal(t, a.Name == "", a.Summary == "", "%s: %s", a.Form, a.Name)
		names[a.Name] = true
		if a.On != "" {
			require.Contains(t, forms, a.On, a.Form)
			require.Empty(t, forms[a.On].On, "%s is no page", a.On)
		}
		first, ok := forms[a.Form]
		if !ok {
			forms[a.Form] = a
			require.Equal(t, a, At(a.Form))
			continue
		}
		require.Equal(t, workflow.RolesFor(first.Command), workflow.RolesFor(a.Command), a.Form)
		require.Equal(t, [3]any{first.On, "", false}, [3]any{a.On, a.Words, a.Draft}, "%s is told of in its first row", a.Form)
	}
}

// The to-do names actions of the list, each with words for its link.
func TestTodoIsOfTheList(t *testing.T) {
	require.NotEmpty(t, workflow.TodoKinds())
	for _, k := range workflow.TodoKinds() {
		at := slices.IndexFunc(List, func(a Action) bool {
			return a.Form == string(k) && reflect.TypeOf(a.Command) == reflect.TypeOf(k.Gives())
		})
		// Duties are raised where they are settled, by the same people.
		settles := k == workflow.TodoDuties && slices.ContainsFunc(List, func(a Action) bool { return a.Page() == string(k) && a.Command == k.Gives() })
		require.True(t, at >= 0 || settles, "%s has no form", k)
		require.NotEmpty(t, At(string(k)).Words, k)
	}
}
