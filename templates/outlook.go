package templates

import (
	"benchword/workflow"
	"benchword/workflow/history"
)

// outlook puts a forecast into words: the range, and what it rests on.
func (m *statusMaker) outlook(o *history.Outlook) (says, of string) {
	w := m.w
	says = w.T("outlook.range", m.day(o.From), m.day(o.To))
	if sameDay(o.From, o.To, m.loc) {
		says = w.T("outlook.day", m.day(o.To))
	}
	key := "outlook.of"
	if o.Kind != "" {
		key = "outlook.kind"
	}
	of = w.T(key, o.Jobs)
	if m.j.Stage == workflow.StageAwaitingApproval && m.j.OpenQuestion() == nil {
		of += " " + w.T("outlook.waits")
	}
	return says, of
}
