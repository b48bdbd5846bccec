package templates

import (
	"testing"

	"benchword/workflow"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// TestCounterHasWordsForEverything holds the counter's words to the domain: no value may show as nothing.
func TestCounterHasWordsForEverything(t *testing.T) {
	for _, x := range workflow.Stages {
		require.NotEmpty(t, StageWords(x), x)
	}
	for _, x := range workflow.Transitions {
		if x.From != "" {
			require.NotEmpty(t, MoveWords(x.From, x.To), "%s to %s", x.From, x.To)
		}
	}
	require.Len(t, moveWords, len(workflow.Transitions)-2, "no words for a move that the table does not have")
	for _, x := range workflow.Outcomes {
		require.NotEmpty(t, outcomeWords[x], x)
	}
	for _, x := range workflow.NoticeTable() {
		require.NotEmpty(t, noticeWords[x.Notice], x.Notice)
	}
	for _, list := range [][]Choice{OriginChoices, WeightChoices, CertaintyChoices, CheckChoices, PhotoChoices, AnswerChoices, TriedChoices, HoldChoices, FateChoices, OptionChoices, LineChoices, PaymentChoices, VerdictChoices, DutyChoices, MarkChoices} {
		require.NotEmpty(t, list)
		seen := map[string]bool{}
		for _, c := range list {
			require.NotEmpty(t, c.Words, c.Value)
			require.False(t, seen[c.Words], "two choices read “%s”", c.Words)
			seen[c.Words] = true
		}
	}
	require.Len(t, OriginChoices, len(workflow.Origins))
	require.Len(t, CertaintyChoices, len(workflow.Certainties))
	require.Len(t, LineChoices, len(money.LineKinds)+len(money.Grades))
	for _, s := range []workflow.QuoteState{workflow.QuoteOpen, workflow.QuoteApproved, workflow.QuoteDeclined, workflow.QuoteWithdrawn, workflow.QuoteSuperseded, workflow.QuoteExpired} {
		require.NotEmpty(t, quoteStateWords[s], s)
	}
	for _, r := range []workflow.Role{workflow.RoleBench, workflow.RoleCounter, workflow.RoleOwner, workflow.RoleCustomer, workflow.RoleSystem} {
		require.NotEmpty(t, roleWords[r], r)
	}
	for _, a := range []workflow.Account{workflow.AccountBench, workflow.AccountCustomer, workflow.AccountParts, workflow.AccountCarrier} {
		require.NotEmpty(t, accountWords[a], a)
	}
}

func TestFormKeepsItsPromises(t *testing.T) {
	f := &Form{Values: map[string][]string{"a": {"1"}, "b": {"x", "y"}}}
	f.Add("a", "Too small.")
	x := f.Line("a", "A", "hint: Small", "required", "class: short")
	require.Equal(t, "a-error a-hint", x.Described())
	require.True(t, x.Required)
	require.Equal(t, "Too small.", x.Error)
	require.Equal(t, "y", f.Nth("b", 1))
	require.Empty(t, f.Nth("b", 2))
	p := f.Pick("b", "B", []Choice{{"x", "ex"}, {"z", "zed"}})
	require.Equal(t, "b", p.Choices[0].ID, "a link to the field leads to its first choice")
	require.True(t, p.Choices[0].Chosen)
	require.False(t, p.Choices[1].Chosen)
	require.Panics(t, func() { f.Line("a", "A", "colour: red") })
}
