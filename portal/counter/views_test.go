package counter

import (
	"reflect"
	"testing"

	"benchword/templates"
	"benchword/templates/viewtest"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// views are those of the counter's pages: somebody is signed in, and every form is there.
func views() []templates.View {
	out := []templates.View{
		&accountPage{}, &phonePage{}, &appPage{}, &secondPage{}, &confirmPage{}, &staffPage{}, &welcomePage{}, &answerPage{}, &boardPage{}, &chargePage{}, &checksPage{}, &customerPage{}, &damagePage{}, &dataPage{}, &decisionsPage{}, &delayPage{},
		&dutiesPage{}, &erasePage{}, &figuresPage{}, &logPage{}, &findingPage{}, &historyPage{}, &holdPage{}, &hoursPage{},
		&intakePage{}, &jobPage{}, &lettersPage{}, &levelPage{}, &linkPage{}, &lookPage{}, &mailsPage{}, &movePage{},
		&beginPage{}, &newPage{}, &noticesPage{}, &packingPage{}, &paymentsPage{}, &photoPage{}, &photosPage{}, &previewPage{},
		&promisePage{}, &quotePage{}, &readyPage{}, &reportPage{}, &safePage{}, &sentPage{}, &signInPage{}, &testPage{}, &testsPage{}, &undoPage{},
		&wordsPage{}, &arrivalPage{}, &passcodePage{}, &workPage{},
	}
	for _, v := range out {
		x := reflect.ValueOf(v).Elem()
		x.FieldByName("Staff").Set(reflect.ValueOf(&templates.StaffView{Role: workflow.RoleOwner}))
		for _, f := range reflect.VisibleFields(x.Type()) {
			if f.Type == reflect.TypeFor[*form]() {
				x.FieldByIndex(f.Index).Set(reflect.ValueOf(&form{}))
			}
		}
	}
	return out
}

func TestHostileTextsStayTexts(t *testing.T) {
	s, err := load()
	require.NoError(t, err)
	viewtest.Check(t, s, "", views)
}
