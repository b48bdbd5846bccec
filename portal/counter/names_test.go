package counter

import (
	"testing"

	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"

	"github.com/stretchr/testify/require"
)

// TestCounterHasWordsForEverything holds the counter's words to the domain: no value may show as nothing.
func TestCounterHasWordsForEverything(t *testing.T) {
	for _, x := range workflow.Stages {
		require.NotEmpty(t, stageWords[x], x)
	}
	for _, x := range workflow.Transitions {
		if x.From != "" {
			require.NotEmpty(t, moveName(x.From, x.To), "%s to %s", x.From, x.To)
		}
	}
	require.Len(t, moveWords, len(workflow.Transitions)-2, "no words for a move that the table does not have")
	for _, x := range workflow.Outcomes {
		require.NotEmpty(t, outcomeWords[x], x)
	}
	for _, x := range workflow.NoticeTable() {
		require.NotEmpty(t, noticeWords[x.Notice], x.Notice)
	}
	for _, list := range [][]choice{originChoices, weightChoices, certaintyChoices, checkChoices, photoChoices, answerChoices, triedChoices, holdChoices, fateChoices, optionChoices, lineChoices, paymentChoices, verdictChoices, dutyChoices, markChoices} {
		require.NotEmpty(t, list)
		seen := map[string]bool{}
		for _, c := range list {
			require.NotEmpty(t, c.Words, c.Value)
			require.False(t, seen[c.Words], "two choices read “%s”", c.Words)
			seen[c.Words] = true
		}
	}
	require.Len(t, originChoices, len(workflow.Origins))
	require.Len(t, certaintyChoices, len(workflow.Certainties))
	require.Len(t, lineChoices, len(money.LineKinds)+len(money.Grades))
	for _, s := range []workflow.QuoteState{workflow.RevisionOpen, workflow.RevisionApproved, workflow.RevisionDeclined, workflow.RevisionWithdrawn, workflow.RevisionSuperseded, workflow.RevisionExpired} {
		require.NotEmpty(t, quoteStateWords[s], s)
	}
	for _, r := range []workflow.Role{workflow.RoleBench, workflow.RoleCounter, workflow.RoleOwner, workflow.RoleCustomer, workflow.RoleSystem} {
		require.NotEmpty(t, roleWords[r], r)
	}
	for _, a := range []promiseclock.Account{promiseclock.AccountBench, promiseclock.AccountCustomer, promiseclock.AccountParts, promiseclock.AccountCarrier} {
		require.NotEmpty(t, accountWords[a], a)
	}
}
