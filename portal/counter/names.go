package counter

import (
	"fmt"
	"strings"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/promiseclock"
)

var languageWords = map[string]string{"en": "English", "fr": "French", "de": "German", "es": "Spanish"}

var stageWords = map[workflow.Stage]string{
	workflow.StageUnconfirmed:      "address not confirmed",
	workflow.StageBooked:           "Booked",
	workflow.StageReceived:         "Received",
	workflow.StageDiagnosing:       "Diagnosing",
	workflow.StageAwaitingApproval: "Awaiting approval",
	workflow.StageRepairing:        "Repairing",
	workflow.StageTesting:          "Testing",
	workflow.StageShipped:          "Shipped",
	workflow.StageUnarrived:        "Posted, not said to have arrived",
	workflow.StageWithdrawn:        "Withdrawn",
}

// needWords say what the customer is waited for. What is not here yet, and what a hold names, is said elsewhere.
var needWords = map[workflow.NeedKind]string{
	workflow.NeedDecide:  "the quote",
	workflow.NeedChoose:  "a choice after the missed date",
	workflow.NeedAnswer:  "an answer",
	workflow.NeedPay:     "payment",
	workflow.NeedCollect: "to collect it",
}

var outcomeWords = map[workflow.Outcome]string{
	workflow.OutcomeRepaired:       "repaired",
	workflow.OutcomePartlyRepaired: "repaired in part",
	workflow.OutcomeCuredOutside:   "cured outside the device",
	workflow.OutcomeBeyondRepair:   "beyond repair",
	workflow.OutcomeNoFault:        "no fault found",
	workflow.OutcomeUnrepaired:     "returned unrepaired",
	workflow.OutcomeRecycled:       "recycled",
	workflow.OutcomeCancelled:      "cancelled",
}

var originWords = map[workflow.Origin]string{
	workflow.OriginArrival:     "as it arrived",
	workflow.OriginWear:        "age and use",
	workflow.OriginImpact:      "a fall or knock",
	workflow.OriginElectrical:  "surge, overload, wrong supply",
	workflow.OriginAccident:    "sudden, can’t say which",
	workflow.OriginLiquid:      "liquid",
	workflow.OriginManufacture: "made that way",
	workflow.OriginEarlierWork: "earlier work",
	workflow.OriginUnknown:     "can’t say",
}

var weightWords = map[workflow.Weight]string{
	workflow.WeightCosmetic: "looks only",
	workflow.WeightNoted:    "noted, asks for nothing",
	workflow.WeightOpen:     "not known yet",
	workflow.WeightPutRight: "not the fault, put right",
	workflow.WeightFault:    "part of the fault",
	workflow.WeightDanger:   "can hurt or damage",
}

var certaintyWords = map[workflow.Certainty]string{
	workflow.CertaintyMeasured: "measured",
	workflow.CertaintySeen:     "seen",
	workflow.CertaintyNoticed:  "smelled, heard or felt",
	workflow.CertaintyInferred: "inferred",
}

var checkWords = map[workflow.CheckOutcome]string{
	workflow.CheckConfirmed: "confirmed",
	workflow.CheckRuledOut:  "ruled out",
	workflow.CheckUnclear:   "unclear",
}

var photoKindWords = map[workflow.PhotoKind]string{
	workflow.PhotoArrival:  "arrival",
	workflow.PhotoSerial:   "serial plate",
	workflow.PhotoFound:    "inside, as found",
	workflow.PhotoLeft:     "inside, as left",
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
	workflow.NotTried:           "not tried",
}

var notTriedWords = map[workflow.NotTriedReason]string{
	workflow.NotTriedUnsafe:  "not safe to power as it is",
	workflow.NotTriedMissing: "something that it needs is missing",
	workflow.NotTriedSetup:   "needs the customer’s set-up",
	workflow.NotTriedData:    "could lose data",
}

// dutyWords says before when a duty is due.
var dutyWords = map[workflow.Stage]string{
	workflow.AtOnce:       "at once",
	workflow.StageTesting: "before testing",
	workflow.StageShipped: "before it leaves",
}

var holdWords = map[workflow.HoldReason]string{
	workflow.HoldParts:     "parts",
	workflow.HoldCustomer:  "the customer",
	workflow.HoldCarrier:   "the carrier",
	workflow.HoldPayment:   "payment",
	workflow.HoldInsurer:   "insurer or assessor",
	workflow.HoldDocuments: "documents, an authorisation",
	workflow.HoldOutside:   "work outside (our time)",
	workflow.HoldWatching:  "watching it run (our time)",
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
	workflow.RevisionOpen:       "open",
	workflow.RevisionApproved:   "approved",
	workflow.RevisionDeclined:   "declined",
	workflow.RevisionWithdrawn:  "taken back",
	workflow.RevisionSuperseded: "replaced",
	workflow.RevisionExpired:    "run out",
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
	workflow.NoticeMessage:        "Message",
	workflow.NoticeLink:           "Link",
	workflow.NoticeConfirm:        "Is it yours?",
	workflow.NoticeData:           "What we keep",
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

var accountWords = map[promiseclock.Account]string{
	promiseclock.AccountBench:    "bench",
	promiseclock.AccountCustomer: "customer",
	promiseclock.AccountParts:    "parts",
	promiseclock.AccountCarrier:  "carrier",
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

var mailStateWords = map[workflow.EntryState]string{
	workflow.EntryQueued: "Waiting",
	workflow.EntryBuried: "Given up: telephone",
	workflow.EntrySent:   "Accepted",
}

var choiceWords = map[workflow.NoticeChoice]string{
	workflow.TellEveryStep:   "An email at every step",
	workflow.TellWhatNeedsMe: "Only what needs the customer, and shipping",
}

var toldWords = map[workflow.NoticeChoice]string{
	workflow.TellEveryStep:   "The customer gets an email at every step.",
	workflow.TellWhatNeedsMe: "The customer chose to get only what needs them, and shipping.",
}

// withGrades offers a part in each of its grades as a choice of its own.
func withGrades(lines []choice) []choice {
	var out []choice
	for _, c := range lines {
		out = append(out, c)
		if c.Value == string(money.Part) {
			for _, g := range choices(money.Grades, gradeWords) {
				out = append(out, choice{c.Value + ":" + g.Value, c.Words + ", " + g.Words})
			}
		}
	}
	return out
}

// delayChoices are the two ways after a missed promise.
var delayChoices = choices(workflow.DelayChoices, delayWords)

// markChoices are the kinds of marks.
var markChoices = []choice{
	{string(workflow.MarkRing), "ring"}, {string(workflow.MarkArrow), "arrow"},
	{string(workflow.MarkPoint), "numbered point"}, {string(workflow.MarkBlur), "make unreadable"},
}

// The choices that the counter's forms offer, in the order of the domain.
var (
	originChoices    = choices(workflow.Origins, originWords)
	weightChoices    = choices(workflow.Weights, weightWords)
	certaintyChoices = choices([]workflow.Certainty{workflow.CertaintySeen, workflow.CertaintyMeasured, workflow.CertaintyNoticed, workflow.CertaintyInferred}, certaintyWords)
	checkChoices     = choices([]workflow.CheckOutcome{workflow.CheckRuledOut, workflow.CheckConfirmed, workflow.CheckUnclear}, checkWords)
	photoChoices     = choices(workflow.PhotoKinds(), photoKindWords)
	answerChoices    = choices([]workflow.Answer{workflow.No, workflow.Yes, workflow.Unknown}, answerWords)
	triedChoices     = choices(workflow.Reproductions, reproducedWords)
	notTriedChoices  = choices(workflow.NotTriedReasons, notTriedWords)
	holdChoices      = choices(workflow.HoldReasons, holdWords)
	fateChoices      = choices([]workflow.Fate{workflow.FateReturned, workflow.FateReplaced, workflow.FateRecycled, workflow.FateKept}, fateWords)
	optionChoices    = choices(workflow.OptionKinds, optionWords)
	lineChoices      = withGrades(choices(money.LineKinds, lineWords))
	paymentChoices   = choices(workflow.PaymentKinds, paymentWords)
	verdictChoices   = choices([]workflow.Verdict{workflow.VerdictApprove, workflow.VerdictDecline, workflow.VerdictAsk}, verdictWords)
	dutyChoices      = choices([]workflow.Stage{workflow.AtOnce, workflow.StageTesting, workflow.StageShipped}, dutyWords)
)

// languageChoices are the languages that a shop answers in.
func languageChoices(shop *workflow.Shop) []choice {
	var out []choice
	for _, l := range shop.Languages {
		words := languageWords[l]
		if words == "" {
			words = l
		}
		out = append(out, choice{l, words})
	}
	return out
}

// noticeChoices are what a customer can want to be told by mail.
func noticeChoices() []choice {
	var out []choice
	for _, c := range workflow.NoticeChoices {
		out = append(out, choice{Value: string(c), Words: choiceWords[c]})
	}
	return out
}

// noticeName names a kind of mail, as staff do.
func noticeName(k workflow.NoticeKind) string { return locale.Capital(noticeWords[k]) }

// Tries are the ways in which the first try at the fault can end.
func (jobBase) Tries() []choice { return triedChoices }

// NotTried are the reasons for not trying the fault.
func (jobBase) NotTried() []choice { return notTriedChoices }

// Weights are the weights of a finding.
func (jobBase) Weights() []choice { return weightChoices }

// Origins are the origins of a finding.
func (jobBase) Origins() []choice { return originChoices }

// Certainties are the ways in which something is known.
func (jobBase) Certainties() []choice { return certaintyChoices }

// Results are what can come of a check.
func (jobBase) Results() []choice { return checkChoices }

// Befores are the stages before which a duty can be due.
func (jobBase) Befores() []choice { return dutyChoices }

// PhotoKinds are what a photo can be for.
func (jobBase) PhotoKinds() []choice { return photoChoices }

// Fates are where an item of the contents can go.
func (jobBase) Fates() []choice { return fateChoices }

// Holding are who a job can wait for.
func (jobBase) Holding() []choice { return holdChoices }

// Ways are how a device can leave.
func (jobBase) Ways() []choice { return []choice{{"post", "by post"}, {"person", "handed over here"}} }

// InOut are the ways that money can go.
func (jobBase) InOut() []choice {
	return []choice{{"in", "payment"}, {"deposit", "deposit"}, {"out", "refund"}}
}

var stepWords = map[workflow.StepKey]string{
	workflow.StepLook: "Visual inspection", workflow.StepEarth: "Protective conductor", workflow.StepInsulation: "Insulation", workflow.StepTouch: "Leakage or touch current",
	workflow.StepPolarity: "Polarity", workflow.StepHeat: "No undue heat", workflow.StepCharging: "Charging watched", workflow.StepFunction: "Function",
}

var classWords = map[workflow.ProtectionClass]string{
	workflow.ClassI: "I, earthed", workflow.ClassII: "II, double insulated", workflow.ClassIII: "III, battery or adaptor",
}

// Grades are the kinds of part that can be fitted.
func (jobBase) Grades() []choice {
	return []choice{{"original", "maker’s own"}, {"equal", "equal value"}, {"used", "used"}, {"refurbished", "refurbished"}}
}

// OldParts are what becomes of a part that was taken out.
func (jobBase) OldParts() []choice {
	return []choice{{"returned", "goes back"}, {"recycled", "recycled"}, {"kept", "stays here"}}
}

// Classes are the protection classes that a plate can show.
func (jobBase) Classes() []choice { return choices(workflow.ProtectionClasses, classWords) }

// StepResults are what can come of a step.
func (jobBase) StepResults() []choice {
	return []choice{{"passed", "passed"}, {"failed", "failed"}, {"skipped", "left out"}}
}

// TestResults are what can come of a test.
func (jobBase) TestResults() []choice { return []choice{{"passed", "passed"}, {"failed", "failed"}} }

func plural(n int, one, more string) string {
	if n == 1 {
		return one
	}
	return fmt.Sprintf(more, n)
}

// lower returns a sentence with a small letter at its beginning.
func lower(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// first returns at most the first n bytes of a digest.
func first(s string, n int) string { return s[:min(n, len(s))] }

// cameWords say how a customer's message came.
var cameWords = map[workflow.Came]string{
	workflow.CameLink: "by the customer’s own link", workflow.CameShared: "by a link that could be passed on",
	workflow.CameEmail: "by email, sender not checked", workflow.CameProven: "by email, sender proven", workflow.CameUnproven: "by email, sender not proven",
	workflow.CamePhone: "by telephone",
}

// redirectWords stand at a message that seems to change where the parcel goes or who is asked.
const redirectWords = "This may change where the parcel goes, or who is asked. Confirm it with the address on file before you act on it."

// doubtWords say how a message stands that may redirect the parcel.
func (k clockOf) doubtWords(m *workflow.Message) string {
	switch {
	case m.Confirmed == workflow.ConfirmedNo:
		return "The address on file says, on " + k.at(m.ConfirmedAt) + ", that the customer didn’t write this. Don’t act on it; telephone the customer."
	case m.Confirmed == workflow.ConfirmedYes, !m.Redirects():
		return ""
	case !m.ConfirmAskedAt.IsZero():
		return redirectWords + " It was asked on " + k.at(m.ConfirmAskedAt) + " and hasn’t answered yet."
	}
	return redirectWords
}

// cameOf says how a customer's message came, and whether the address on file has confirmed it.
func (k clockOf) cameOf(j *workflow.Job, m *workflow.Message) string {
	came := cameWords[j.Came(m)]
	if m.Confirmed == workflow.ConfirmedYes {
		came += ", confirmed by the address on file on " + k.at(m.ConfirmedAt)
	}
	return strings.TrimPrefix(came, ", ")
}
