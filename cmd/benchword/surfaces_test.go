package main

import (
	"encoding/json"
	"html"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/money"

	"github.com/stretchr/testify/require"
)

// surfaces is one job as its customer and the shop see it at one moment.
type surfaces struct {
	page, mail, counter string
	standing            workflow.Standing
}

// told drives one job and reads it everywhere.
type told struct {
	*stage
	number workflow.JobNumber
}

func newTold(t *testing.T, lang string, set func(*workflow.Shop)) *told {
	s := newStageAsking(t, 0, func(s *stage) {
		s.before = func(srv *server) {
			srv.service.Shop.Languages = []string{"en", "fr", "de", "es"}
			if set != nil {
				set(srv.service.Shop)
			}
		}
	})
	x := &told{stage: s}
	j, err := s.srv.service.Do(t.Context(), workflow.Order{By: counterRosa, Commands: []workflow.Command{workflow.Book{
		Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example", Address: "4 Quay Row", Language: lang}, Kind: "film scanner", Fault: "Hums.",
	}}})
	require.NoError(t, err)
	x.number = j.Number
	return x
}

func (x *told) bench(c ...workflow.Command)   { x.t.Helper(); x.do(technicianNils, x.number, c...) }
func (x *told) counter(c ...workflow.Command) { x.t.Helper(); x.do(counterRosa, x.number, c...) }

func (x *told) customer(c ...workflow.Command) {
	x.t.Helper()
	x.do(workflow.Actor{Role: workflow.RoleCustomer, ID: "link"}, x.number, c...)
}

func (x *told) arrived() *told {
	copies := workflow.Photo{Original: strings.Repeat("a", 64), Copies: workflow.Copies{Large: workflow.Copy{Digest: strings.Repeat("b", 64), Width: 16, Height: 12}, Small: workflow.Copy{Digest: strings.Repeat("c", 64), Width: 4, Height: 3}}, Kind: workflow.PhotoArrival}
	x.bench(workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}}},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}},
		workflow.AddPhoto{Photo: copies}, workflow.Go{To: workflow.StageReceived}, workflow.RemovePhoto{ID: 1, Reason: "Blurred"}, workflow.NoteCondition{Text: "Good"}, workflow.TryFault{Result: workflow.FaultReproduced},
		workflow.Go{To: workflow.StageDiagnosing}, workflow.NameSuspect{Text: "Lamp"}, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Looked", Outcome: workflow.CheckConfirmed}})
	return x
}

func optionOf(kind workflow.OptionKind, title, price string) workflow.Option {
	return workflow.Option{Kind: kind, Title: title, Price: money.Request{Lines: []money.Line{{Kind: money.Labour, Text: "Bench time", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}}}}
}

func (x *told) quoted(options ...workflow.Option) *told {
	if options == nil {
		options = []workflow.Option{optionOf(workflow.OptionRepair, "Repair the lamp", "100.00")}
	}
	x.counter(workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired."}}, workflow.IssueQuote{Options: options}, workflow.Go{To: workflow.StageAwaitingApproval})
	return x
}

func (x *told) answers(v workflow.Verdict) *told {
	d := workflow.Decide{Verdict: v, Digest: x.job(x.number).Quote().Digest, Name: "Mira Osei"}
	if v == workflow.VerdictApprove {
		d.Option = "A"
	}
	x.customer(d)
	return x
}

func (x *told) later(d time.Duration) *told {
	x.clock.set(x.clock.now().Add(d))
	x.settle()
	return x
}

var tagOrSpace = regexp.MustCompile(`(?s)<(script|style).*?</(script|style)>|<[^>]*>|\s+`)

func plainText(page string) string {
	return strings.Join(strings.Fields(html.UnescapeString(tagOrSpace.ReplaceAllString(page, " "))), " ")
}

// look reads the job on its page, in an email that is asked for now, through the API, and at the counter.
func (x *told) look() surfaces {
	x.t.Helper()
	x.later(time.Minute)
	x.counter(workflow.AskLink{})
	x.settle()
	m := x.newestMail("mira@post.example")
	var s surfaces
	s.mail = strings.Join(strings.Fields(m.Subject+" "+m.Text), " ")
	link := ""
	for _, l := range linkIn.FindAllStringSubmatch(m.Text, -1) {
		if l[1] == "j" {
			link = strings.TrimPrefix(l[0], x.base)
		}
	}
	status, page := x.fetch(link, nil)
	require.Equal(x.t, http.StatusOK, status)
	s.page = plainText(string(page))
	status, page = x.fetch("/counter/job/"+string(x.number), x.signIn())
	require.Equal(x.t, http.StatusOK, status)
	s.counter = plainText(string(page))
	req, err := http.NewRequest(http.MethodGet, x.base+"/api/v1/jobs/"+string(x.number), nil)
	require.NoError(x.t, err)
	req.Header.Set("Authorization", "Bearer "+x.tokens["counter"])
	resp, err := http.DefaultClient.Do(req)
	require.NoError(x.t, err)
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	require.NoError(x.t, err)
	var job struct{ Standing workflow.Standing }
	require.NoError(x.t, json.Unmarshal(b, &job), string(b))
	s.standing = job.Standing
	return s
}

// state is a row of the table: how a job comes to it, and what it is then called on each surface.
type state struct {
	name  string
	set   func(*workflow.Shop)
	drive func(x *told)
	where workflow.Where
	need  workflow.NeedKind
	// says stands on page and email both; counter at the counter; never on none of the three.
	says    []string
	counter string
	never   string
}

const begun = `(?i)\bbegan\b|being repaired|have been putting|work is done|we begin`

var states = []state{
	{name: "approved, not begun", drive: func(x *told) { x.arrived().quoted().answers(workflow.VerdictApprove) },
		where: workflow.WhereQueued, need: workflow.NeedNone, says: []string{"In the queue for the bench", "You said yes on"}, counter: "In the queue", never: begun},
	{name: "begun", drive: func(x *told) {
		x.arrived().quoted().answers(workflow.VerdictApprove).later(24 * time.Hour)
		x.bench(workflow.Begin{})
	}, where: workflow.WhereRepairing, need: workflow.NeedNone, says: []string{"On the bench, being repaired", "We began the repair on Tuesday 3 November"}, counter: "Repairing", never: "In the queue|in the queue"},
	{name: "within the limit, not begun", drive: func(x *told) {
		x.counter(workflow.ChangeCustomer{Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example", Language: "en"}, Limit: "200.00"})
		x.arrived()
		x.counter(workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired."}}, workflow.IssueQuote{Options: []workflow.Option{optionOf(workflow.OptionRepair, "Repair the lamp", "100.00")}}, workflow.Go{To: workflow.StageRepairing})
	}, where: workflow.WhereWithin, need: workflow.NeedNone, says: []string{"The price is within the limit you set, so we’re going ahead without asking"}, counter: "In the queue", never: begun + "|You said yes"},
	{name: "declined, not begun", drive: func(x *told) { x.arrived().quoted().answers(workflow.VerdictDecline) },
		where: workflow.WhereReturning, need: workflow.NeedNone, says: []string{"Waiting to be closed up", "It comes back to you unrepaired"}, counter: "In the queue", never: begun},
	{name: "declined, begun", drive: func(x *told) {
		x.arrived().quoted().answers(workflow.VerdictDecline).later(24 * time.Hour)
		x.bench(workflow.Begin{})
	}, where: workflow.WhereClosing, need: workflow.NeedNone, says: []string{"Being closed up to go back", "Since Tuesday 3 November"}, counter: "Testing", never: "(?i)in the queue|work is done"},
	{name: "a quote waits", drive: func(x *told) { x.arrived().quoted() },
		where: workflow.WhereAwaiting, need: workflow.NeedDecide, says: []string{"We won’t do or charge anything until you answer"}, counter: "Awaiting approval"},
	{name: "a quote waits, with a fee", set: fee, drive: func(x *told) { x.arrived().quoted() },
		where: workflow.WhereAwaiting, need: workflow.NeedDecide, says: []string{"Apart from the diagnostic fee of CA$35.00, we won’t do or charge anything until you answer"}, never: "Approved|nothing is charged"},
	{name: "declined, with a fee", set: fee, drive: func(x *told) { x.arrived().quoted().answers(workflow.VerdictDecline) },
		where: workflow.WhereReturning, counter: "Diagnostic fee", never: "Approved CA"},
	{name: "a further quote waits", drive: func(x *told) { x.further() },
		where: workflow.WhereAwaiting, need: workflow.NeedDecide, says: []string{"What you approved still stands. We won’t go beyond it until you answer"}, never: "we do not repair it|charge anything until"},
	{name: "only what was approved", drive: func(x *told) { x.further().answers(workflow.VerdictDecline) },
		where: workflow.WhereQueued, need: workflow.NeedNone, says: []string{"you chose only what you had approved"}, counter: "Only what was approved", never: "unrepaired"},
	{name: "ready, and to be paid", set: payWords, drive: func(x *told) { x.tested() },
		where: workflow.WhereReady, need: workflow.NeedPay, says: []string{"CA$115.00 is still to be paid", "By transfer, or at the counter."}, never: "No, nothing"},
	{name: "shipped, unpaid", drive: func(x *told) {
		x.tested()
		x.bench(workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}}}, workflow.PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA"})
		x.counter(workflow.Go{To: workflow.StageShipped})
	}, where: workflow.WhereShipped, need: workflow.NeedPay, says: []string{"CA$115.00 is still to be paid", "Ask us how to pay"}, never: "No, nothing"},
	{name: "posted, with usual days", set: carriers, drive: func(x *told) { x.posted() },
		where: workflow.WhereShipped, says: []string{"It should reach you by Sunday 8 November", "We posted it on Tuesday 3 November"}, never: "has arrived|should have"},
	{name: "should have arrived", set: carriers, drive: func(x *told) { x.posted().later(6 * 24 * time.Hour) },
		where: workflow.WhereOverdue, need: workflow.NeedTell, says: []string{"It should have reached you by Sunday 8 November", "Only to tell us if it hasn’t arrived"},
		counter: "The parcel should have been there by .*nobody has said that it is", never: "We heard|that it has arrived"},
	{name: "missed", set: carriers, drive: func(x *told) { x.posted().later(6 * 24 * time.Hour); x.customer(workflow.TellArrival{}) },
		where: workflow.WhereMissing, need: workflow.NeedNone, says: []string{"It hasn’t reached you", "We’ll ask the carrier and write to you"}, counter: "The customer said .* that it has not come", never: "It has arrived[.]"},
	{name: "arrived", set: carriers, drive: func(x *told) { x.posted(); x.customer(workflow.TellArrival{Arrived: true}) },
		where: workflow.WhereArrived, need: workflow.NeedNone, says: []string{"Back with you", "that it has arrived"}, counter: "The customer said .* that it has arrived", never: "should have"},
	{name: "recycling agreed", drive: func(x *told) {
		x.arrived().quoted(optionOf(workflow.OptionRecycle, "Recycle it", "0.00")).answers(workflow.VerdictApprove)
	}, where: workflow.WhereRecycling, need: workflow.NeedNone, says: []string{"To be recycled, as you agreed"}, never: "waiting for you|until you answer|before you answer"},
	{name: "recycled", drive: func(x *told) {
		x.arrived().quoted(optionOf(workflow.OptionRecycle, "Recycle it", "0.00")).answers(workflow.VerdictApprove).later(time.Hour)
	}, where: workflow.WhereRecycled, need: workflow.NeedNone, says: []string{"With us for recycling, as you agreed", "It won’t be sent back"}, never: "waiting for you|until you answer"},
	{name: "a thank-you before the quote", drive: func(x *told) {
		x.arrived().customer(workflow.SendMessage{Text: "Thank you!"})
		x.later(time.Hour).quoted()
	}, where: workflow.WhereAwaiting, need: workflow.NeedDecide, says: []string{"Yes: your answer to the quote"}, counter: "The customer wrote: Thank you!", never: "Not right now"},
	{name: "an answer taken back", drive: func(x *told) {
		x.arrived().quoted().answers(workflow.VerdictApprove).later(24 * time.Hour)
		x.customer(workflow.UndoDecision{Digest: x.job(x.number).Quote().Digest})
	}, where: workflow.WhereAwaiting, need: workflow.NeedDecide, counter: "You took your answer to the quote back", never: begun + "|The quote went out to you"},
}

func payWords(shop *workflow.Shop) {
	shop.PayWords = map[string]string{"en": "By transfer, or at the counter."}
}

// tested is repaired, tested and ready, and nothing is paid.
func (x *told) tested() {
	x.arrived().quoted().answers(workflow.VerdictApprove)
	x.bench(workflow.DoWork{Text: "Renewed the lamp"}, workflow.Go{To: workflow.StageTesting}, workflow.DoTest{Test: workflow.Test{Name: "Function", Passed: true}}, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}})
	x.counter(workflow.DeclareReady{})
}

func carriers(shop *workflow.Shop) { shop.Carriers = []workflow.Carrier{{Days: 5}} }

// posted went back unrepaired, and nothing is owed.
func (x *told) posted() *told {
	x.arrived().quoted().answers(workflow.VerdictDecline).later(24 * time.Hour)
	x.bench(workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}}, workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}}}, workflow.PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA"})
	x.counter(workflow.Go{To: workflow.StageShipped})
	return x
}

func fee(shop *workflow.Shop) { shop.Fee = &money.Amount{Minor: 3500, Currency: "CAD"} }

// further is a further quote beyond an approved CA$115.00.
func (x *told) further() *told {
	x.arrived().quoted().answers(workflow.VerdictApprove).later(24 * time.Hour)
	x.bench(workflow.DoWork{Text: "Opened it"}, workflow.NoteFinding{Finding: workflow.Finding{Text: "The fan has seized too", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}})
	x.counter(workflow.IssueQuote{Options: []workflow.Option{optionOf(workflow.OptionRepair, "Lamp and fan", "150.00")}, Reason: "The fan as well."}, workflow.Go{To: workflow.StageAwaitingApproval})
	return x
}

// TestSurfacesAgreeOnStates brings a job into each state, and reads the same state on its page, in an email,
// through the API and at the counter.
func TestSurfacesAgreeOnStates(t *testing.T) {
	for _, row := range states {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			x := newTold(t, "en", row.set)
			row.drive(x)
			got := x.look()
			require.Equal(t, row.where, got.standing.Where)
			if row.need != "" {
				require.Equal(t, row.need, got.standing.Need.Kind)
			}
			for _, w := range row.says {
				require.Contains(t, got.page, w)
				require.Contains(t, got.mail, w)
			}
			require.Regexp(t, row.counter, got.counter)
			if row.never != "" {
				for on, text := range map[string]string{"page": got.page, "email": got.mail, "counter": got.counter} {
					require.NotRegexp(t, row.never, text, on)
				}
			}
		})
	}
}
