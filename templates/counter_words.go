package templates

import (
	"benchword/workflow"
	"benchword/workflow/money"
)

// The counter's own words for what the domain names. They are for staff and stay English; a test sees to
// it that every name has one.

var stageWords = map[workflow.Stage]string{
	workflow.StageBooked:           "Booked",
	workflow.StageReceived:         "Received",
	workflow.StageDiagnosing:       "Diagnosing",
	workflow.StageAwaitingApproval: "Awaiting approval",
	workflow.StageRepairing:        "Repairing",
	workflow.StageTesting:          "Testing",
	workflow.StageShipped:          "Shipped",
	workflow.StageWithdrawn:        "Withdrawn",
}

// StageWords names a stage for staff.
func StageWords(s workflow.Stage) string { return stageWords[s] }

var outcomeWords = map[workflow.Outcome]string{
	workflow.OutcomeRepaired:   "repaired",
	workflow.OutcomeNoFault:    "no fault found",
	workflow.OutcomeUnrepaired: "returned unrepaired",
	workflow.OutcomeRecycled:   "recycled",
	workflow.OutcomeCancelled:  "cancelled",
}

// moveWords are the counter's buttons, by the row of the transition table.
var moveWords = map[[2]workflow.Stage]string{
	{workflow.StageBooked, workflow.StageReceived}:             "Parcel received",
	{workflow.StageReceived, workflow.StageDiagnosing}:         "Start diagnosing",
	{workflow.StageReceived, workflow.StageTesting}:            "Close up unrepaired",
	{workflow.StageDiagnosing, workflow.StageAwaitingApproval}: "Wait for the customer’s answer",
	{workflow.StageDiagnosing, workflow.StageRepairing}:        "Start the repair",
	{workflow.StageDiagnosing, workflow.StageTesting}:          "Nothing to repair: go to testing",
	{workflow.StageAwaitingApproval, workflow.StageRepairing}:  "Start the repair",
	{workflow.StageAwaitingApproval, workflow.StageDiagnosing}: "Back to the bench",
	{workflow.StageAwaitingApproval, workflow.StageTesting}:    "Close up unrepaired",
	{workflow.StageRepairing, workflow.StageAwaitingApproval}:  "Wait for the customer’s answer",
	{workflow.StageRepairing, workflow.StageDiagnosing}:        "Not cured: back to diagnosing",
	{workflow.StageRepairing, workflow.StageTesting}:           "Go to testing",
	{workflow.StageTesting, workflow.StageRepairing}:           "Back to repairing",
	{workflow.StageTesting, workflow.StageDiagnosing}:          "Back to diagnosing",
	{workflow.StageTesting, workflow.StageAwaitingApproval}:    "The answer was taken back",
	{workflow.StageTesting, workflow.StageShipped}:             "It has left the shop",
	{workflow.StageBooked, workflow.StageWithdrawn}:            "Cancel the job",
	{workflow.StageAwaitingApproval, workflow.StageWithdrawn}:  "Recycle it",
}

// MoveWords gives the words on the button for a row of the transition table.
func MoveWords(from, to workflow.Stage) string { return moveWords[[2]workflow.Stage{from, to}] }

var originWords = map[workflow.Origin]string{
	workflow.OriginArrival:     "as it arrived",
	workflow.OriginWear:        "age and use",
	workflow.OriginAccident:    "a fall or knock",
	workflow.OriginLiquid:      "liquid",
	workflow.OriginManufacture: "made that way",
	workflow.OriginEarlierWork: "earlier work",
	workflow.OriginUnknown:     "can’t say",
}

var weightWords = map[workflow.Weight]string{
	workflow.WeightCosmetic: "looks only",
	workflow.WeightPutRight: "put right while open",
	workflow.WeightFault:    "part of the fault",
	workflow.WeightDanger:   "can hurt or damage",
}

var certaintyWords = map[workflow.Certainty]string{
	workflow.CertaintyMeasured: "measured",
	workflow.CertaintySeen:     "seen",
	workflow.CertaintyInferred: "inferred",
}

var checkWords = map[workflow.CheckOutcome]string{
	workflow.CheckConfirmed: "confirmed",
	workflow.CheckRuledOut:  "ruled out",
	workflow.CheckUnclear:   "unclear",
}

var photoKindWords = map[workflow.PhotoKind]string{
	workflow.PhotoArrival:  "arrival",
	workflow.PhotoEvidence: "evidence",
	workflow.PhotoBefore:   "before",
	workflow.PhotoAfter:    "after",
	workflow.PhotoTest:     "test",
	workflow.PhotoPacking:  "packing",
}

var answerWords = map[workflow.Answer]string{
	workflow.Yes:     "yes",
	workflow.No:      "no",
	workflow.Unknown: "can’t tell",
}

var reproducedWords = map[workflow.Reproduced]string{
	workflow.FaultReproduced:    "yes, it shows",
	workflow.FaultNotReproduced: "no, not seen",
	workflow.FaultIntermittent:  "now and then",
}

var holdWords = map[workflow.HoldReason]string{
	workflow.HoldParts:    "parts",
	workflow.HoldCustomer: "the customer",
	workflow.HoldCarrier:  "the carrier",
	workflow.HoldPayment:  "payment",
}

var fateWords = map[workflow.Fate]string{
	workflow.FateReturned: "goes back",
	workflow.FateReplaced: "a new one goes back",
	workflow.FateRecycled: "recycled, agreed",
	workflow.FateKept:     "stays here, agreed",
}

var optionWords = map[workflow.OptionKind]string{
	workflow.OptionRepair:  "repair",
	workflow.OptionRenew:   "repair, and renew what is worn",
	workflow.OptionReturn:  "return unrepaired",
	workflow.OptionRecycle: "recycle",
	workflow.OptionReplace: "replace, by agreement",
}

var lineWords = map[money.LineKind]string{
	money.Labour:   "labour",
	money.Part:     "part",
	money.Fee:      "fee",
	money.Carriage: "carriage",
	money.Credit:   "credit",
}

var quoteStateWords = map[workflow.QuoteState]string{
	workflow.QuoteOpen:       "open",
	workflow.QuoteApproved:   "approved",
	workflow.QuoteDeclined:   "declined",
	workflow.QuoteWithdrawn:  "taken back",
	workflow.QuoteSuperseded: "replaced",
	workflow.QuoteExpired:    "run out",
}

var verdictWords = map[workflow.Verdict]string{
	workflow.VerdictApprove: "yes",
	workflow.VerdictDecline: "no",
	workflow.VerdictAsk:     "a question",
}

var noticeWords = map[workflow.NoticeKind]string{
	workflow.NoticeBooked:         "Booked",
	workflow.NoticeReceived:       "Parcel received",
	workflow.NoticeFindings:       "Findings report",
	workflow.NoticeQuote:          "Quote",
	workflow.NoticeFurtherQuote:   "Further quote",
	workflow.NoticeQuoteWithdrawn: "Quote taken back",
	workflow.NoticeDecision:       "Decision received",
	workflow.NoticeReady:          "Done and tested",
	workflow.NoticeShipped:        "On its way",
	workflow.NoticeWithdrawn:      "Job closed",
	workflow.NoticePromiseMoved:   "New date",
	workflow.NoticeBreach:         "Promised date passed",
	workflow.NoticeReminder:       "Quote reminder",
	workflow.NoticeLastNotice:     "Last notice about the quote",
	workflow.NoticeUndone:         "Answer taken back",
	workflow.NoticeUncollected:    "Waits to be collected",
	workflow.NoticeExpired:        "Quote ran out",
	workflow.NoticeDelayAnswered:  "Choice after a missed date",
	workflow.NoticeMessage:        "Letter",
	workflow.NoticeLink:           "Link",
}

var gradeWords = map[money.Grade]string{
	money.GradeOriginal:    "new, original",
	money.GradeCompatible:  "new, compatible",
	money.GradeTested:      "used, tested",
	money.GradeRefurbished: "refurbished",
}

var paymentWords = map[workflow.PaymentKind]string{
	workflow.PaymentPart:    "payment",
	workflow.PaymentDeposit: "deposit",
	workflow.PaymentRefund:  "refund",
}

var accountWords = map[workflow.Account]string{
	workflow.AccountBench:    "bench",
	workflow.AccountCustomer: "customer",
	workflow.AccountParts:    "parts",
	workflow.AccountCarrier:  "carrier",
}

var targetWords = map[workflow.TargetKind]string{
	workflow.TargetLook:   "first look",
	workflow.TargetAnswer: "answer to the customer",
}

var delayWords = map[workflow.DelayChoice]string{
	workflow.DelayAgree:  "wait for it",
	workflow.DelayReturn: "have it back unrepaired",
}

var roleWords = map[workflow.Role]string{
	workflow.RoleBench:    "bench",
	workflow.RoleCounter:  "counter",
	workflow.RoleOwner:    "owner",
	workflow.RoleCustomer: "the customer",
	workflow.RoleSystem:   "benchword",
}

func choices[T ~string](of []T, words map[T]string) []Choice {
	var out []Choice
	for _, v := range of {
		out = append(out, Choice{string(v), words[v]})
	}
	return out
}

// withGrades offers a part in each of its grades as a choice of its own.
func withGrades(lines []Choice) []Choice {
	var out []Choice
	for _, c := range lines {
		out = append(out, c)
		if c.Value == string(money.Part) {
			for _, g := range choices(money.Grades, gradeWords) {
				out = append(out, Choice{c.Value + ":" + g.Value, c.Words + ", " + g.Words})
			}
		}
	}
	return out
}

// The choices that the counter's forms offer, in the order of the domain.
var (
	OriginChoices    = choices(workflow.Origins, originWords)
	WeightChoices    = choices(workflow.Weights, weightWords)
	CertaintyChoices = choices([]workflow.Certainty{workflow.CertaintySeen, workflow.CertaintyMeasured, workflow.CertaintyInferred}, certaintyWords)
	CheckChoices     = choices([]workflow.CheckOutcome{workflow.CheckRuledOut, workflow.CheckConfirmed, workflow.CheckUnclear}, checkWords)
	PhotoChoices     = choices(workflow.PhotoKinds(), photoKindWords)
	AnswerChoices    = choices([]workflow.Answer{workflow.No, workflow.Yes, workflow.Unknown}, answerWords)
	TriedChoices     = choices([]workflow.Reproduced{workflow.FaultReproduced, workflow.FaultNotReproduced, workflow.FaultIntermittent}, reproducedWords)
	HoldChoices      = choices(workflow.HoldReasons, holdWords)
	FateChoices      = choices([]workflow.Fate{workflow.FateReturned, workflow.FateReplaced, workflow.FateRecycled, workflow.FateKept}, fateWords)
	OptionChoices    = choices(workflow.OptionKinds, optionWords)
	LineChoices      = withGrades(choices(money.LineKinds, lineWords))
	PaymentChoices   = choices(workflow.PaymentKinds, paymentWords)
	VerdictChoices   = choices([]workflow.Verdict{workflow.VerdictApprove, workflow.VerdictDecline, workflow.VerdictAsk}, verdictWords)
	DutyChoices      = []Choice{{string(workflow.StageTesting), "before testing"}, {string(workflow.StageShipped), "before it leaves"}}
)

var mailStateWords = map[workflow.EntryState]string{
	workflow.EntryQueued: "Waiting",
	workflow.EntryBuried: "Given up: telephone",
	workflow.EntrySent:   "Accepted",
}

var choiceWords = map[workflow.NoticeChoice]string{
	workflow.TellEveryStep:   "A mail at every step",
	workflow.TellWhatNeedsMe: "Only what needs the customer, and shipping",
}

var toldWords = map[workflow.NoticeChoice]string{
	workflow.TellEveryStep:   "The customer gets a mail at every step.",
	workflow.TellWhatNeedsMe: "The customer chose to get only what needs them, and shipping.",
}
