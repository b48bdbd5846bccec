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
	copies := workflow.Photo{Original: strings.Repeat("a", 64), Large: workflow.Copy{Digest: strings.Repeat("b", 64), Width: 16, Height: 12}, Small: workflow.Copy{Digest: strings.Repeat("c", 64), Width: 4, Height: 3}, Kind: workflow.PhotoArrival}
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
	}, where: workflow.WhereRepairing, need: workflow.NeedNone, says: []string{"On the bench, being repaired", "Work on it began on Tue 3 November"}, counter: "Repairing", never: "In the queue|in the queue"},
	{name: "declined, not begun", drive: func(x *told) { x.arrived().quoted().answers(workflow.VerdictDecline) },
		where: workflow.WhereReturning, need: workflow.NeedNone, says: []string{"Waiting to be closed up", "It comes back to you unrepaired"}, counter: "In the queue", never: begun},
	{name: "declined, begun", drive: func(x *told) {
		x.arrived().quoted().answers(workflow.VerdictDecline).later(24 * time.Hour)
		x.bench(workflow.Begin{})
	}, where: workflow.WhereClosing, need: workflow.NeedNone, says: []string{"Being closed up to go back", "Since Tue 3 November"}, counter: "Testing", never: "(?i)in the queue|work is done"},
	{name: "an answer taken back", drive: func(x *told) {
		x.arrived().quoted().answers(workflow.VerdictApprove).later(24 * time.Hour)
		x.customer(workflow.UndoDecision{Digest: x.job(x.number).Quote().Digest})
	}, where: workflow.WhereAwaiting, need: workflow.NeedDecide, counter: "You took your answer to the quote back", never: begun + "|The quote went out to you"},
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
			require.Equal(t, row.need, got.standing.Need.Kind)
			for _, w := range row.says {
				require.Contains(t, got.page, w)
				require.Contains(t, got.mail, w)
			}
			require.Contains(t, got.counter, row.counter)
			if row.never != "" {
				for on, text := range map[string]string{"page": got.page, "email": got.mail, "counter": got.counter} {
					require.NotRegexp(t, row.never, text, on)
				}
			}
		})
	}
}
