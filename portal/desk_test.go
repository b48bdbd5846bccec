package portal

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/portal/portaltest"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/money"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
)

// desk is a portal over the reference store, with a clock that only moves when told to.
type desk struct {
	t     testing.TB
	s     *Server
	svc   *workflow.Service
	store workflow.Store
	log   *bytes.Buffer
	now   time.Time
	clock *sync.Mutex // guards now
	n     workflow.JobNumber
}

var (
	staff = workflow.Actor{Role: workflow.RoleCounter, ID: "ada"}
	bench = workflow.Actor{Role: workflow.RoleBench, ID: "tom"}
)

// pictures is a photo desk with one picture.
type pictures struct{}

func (pictures) Take(context.Context, workflow.ShopID, workflow.JobNumber, io.Reader) (workflow.Photo, error) {
	return workflow.Photo{}, nil
}

func (pictures) Redraw(context.Context, workflow.ShopID, workflow.JobNumber, string, []workflow.Mark) (workflow.Copies, error) {
	return workflow.Copies{}, nil
}

func (pictures) Open(_ context.Context, _ workflow.ShopID, _ workflow.JobNumber, digest string) (io.ReadCloser, int64, error) {
	return io.NopCloser(strings.NewReader(digest)), int64(len(digest)), nil
}

func (pictures) Discard(context.Context, workflow.ShopID, workflow.JobNumber, ...string) error {
	return nil
}

func (pictures) Mend(context.Context, workflow.ShopID, workflow.JobNumber, *workflow.Photo) error {
	return nil
}

func (pictures) Clear(context.Context, workflow.ShopID, workflow.JobNumber) error { return nil }

func newDesk(t testing.TB) *desk {
	d := &desk{t: t, clock: &sync.Mutex{}, store: memory.New(), log: &bytes.Buffer{}, now: time.Date(2026, 11, 16, 14, 0, 0, 0, time.UTC)}
	d.svc = portaltest.Service(t, d.store, func() time.Time {
		d.clock.Lock()
		defer d.clock.Unlock()
		return d.now
	}, d.log, "mon tue wed thu fri", "09:00-17:00")
	set, err := templates.Load()
	require.NoError(t, err)
	d.s, err = New(Config{Service: d.svc, Photos: pictures{}, Templates: set, Log: d.svc.Log, Ask: 10000, AskFor: time.Minute})
	require.NoError(t, err)
	d.svc.Committed = func(j *workflow.Job, _ int) { d.s.Committed(j) }
	return d
}

// got is an answer.
type got struct {
	*http.Response
	body string
}

func (d *desk) send(r *http.Request) got {
	d.t.Helper()
	r.Host = "desk.example"
	resp, err := d.s.App().Test(r, -1)
	require.NoError(d.t, err)
	b, err := io.ReadAll(resp.Body)
	require.NoError(d.t, err)
	return got{resp, string(b)}
}

func (d *desk) get(path string, header ...string) got {
	d.t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	return d.send(r)
}

// sum is what the button of an option's summary names.
func (d *desk) sum(option string) string {
	return d.job().Quote().Option(option).Result.Total.String()
}

func (d *desk) post(path string, fields ...string) got {
	d.t.Helper()
	v := url.Values{}
	for i := 0; i+1 < len(fields); i += 2 {
		v.Set(fields[i], fields[i+1])
	}
	return d.postForm(path, v)
}

func (d *desk) postForm(path string, v url.Values) got {
	d.t.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(v.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return d.send(r)
}

func (d *desk) do(by workflow.Actor, commands ...workflow.Command) *workflow.Job {
	d.t.Helper()
	d.clock.Lock() // an open live page reads it, too
	d.now = d.now.Add(time.Minute)
	d.clock.Unlock()
	j, err := d.svc.Do(context.Background(), workflow.Order{Job: d.n, By: by, Commands: commands})
	require.NoError(d.t, err)
	d.n = j.Number
	return j
}

func (d *desk) job() *workflow.Job {
	d.t.Helper()
	j, err := d.svc.Job(context.Background(), d.n)
	require.NoError(d.t, err)
	return j
}

func (d *desk) token(p link.Purpose) string {
	d.t.Helper()
	j := d.job()
	var g *workflow.LinkGrant
	for i := range j.Links {
		if j.Links[i].Purpose == p {
			g = &j.Links[i]
		}
	}
	require.NotNil(d.t, g)
	token, err := d.svc.Token(j, g)
	require.NoError(d.t, err)
	return token
}

var booking = workflow.Book{
	Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example"}, Kind: "film scanner", Maker: "Halden", Model: "F2", Fault: "Hums, then stops.",
}

func option(kind workflow.OptionKind, title, price string) workflow.Option {
	return workflow.Option{Kind: kind, Title: title, Price: money.Request{Lines: []money.Line{{Kind: money.Labour, Text: "Bench time", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}}}}
}

// toDiagnosing books a job and brings it onto the bench.
func (d *desk) toDiagnosing() {
	d.t.Helper()
	d.do(workflow.Actor{Role: workflow.RoleCustomer}, booking)
	d.do(bench, workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}}},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No}},
		workflow.AddPhoto{Photo: workflow.Photo{Original: "aa", Copies: workflow.Copies{Large: workflow.Copy{Digest: "large-copy", Width: 1600, Height: 1200}, Small: workflow.Copy{Digest: "small-copy", Width: 480, Height: 360}}, Kind: workflow.PhotoArrival}},
		workflow.Go{To: workflow.StageReceived}, workflow.NoteCondition{Text: "Fine"}, workflow.TryFault{Result: workflow.FaultReproduced}, workflow.Go{To: workflow.StageDiagnosing})
}

// toAwaiting goes on to a quote that waits for the customer, and returns its decide link's page.
func (d *desk) toAwaiting() string {
	d.t.Helper()
	d.toDiagnosing()
	d.do(bench, workflow.NoteFinding{Finding: workflow.Finding{Text: "A capacitor has dried out.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}})
	d.do(staff, workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired."}},
		workflow.IssueQuote{Options: []workflow.Option{option(workflow.OptionRepair, "Repair it", "100.00"), option(workflow.OptionReplace, "Replace it", "20.00"), option(workflow.OptionRecycle, "Recycle it", "0.00")}},
		workflow.Go{To: workflow.StageAwaitingApproval})
	return "/d/" + d.token(link.Decide)
}

// form is a form as a page holds it.
type form struct {
	method, action string
	values         url.Values // as a script would send them: without any button
}

// forms finds the forms of a page, and links the addresses that it leads to.
func forms(t testing.TB, page string) (found []form, links []string) {
	doc, err := html.Parse(strings.NewReader(page))
	require.NoError(t, err)
	attr := func(n *html.Node, key string) (string, bool) {
		for _, a := range n.Attr {
			if a.Key == key {
				return a.Val, true
			}
		}
		return "", false
	}
	var walk func(n *html.Node, in *form)
	walk = func(n *html.Node, in *form) {
		if n.Type == html.ElementNode {
			switch n.Data {
			case "form":
				m, _ := attr(n, "method")
				a, _ := attr(n, "action")
				found = append(found, form{m, a, url.Values{}})
				f := &found[len(found)-1]
				for c := n.FirstChild; c != nil; c = c.NextSibling {
					walk(c, f)
				}
				return
			case "input", "textarea", "select":
				name, _ := attr(n, "name")
				kind, _ := attr(n, "type")
				value, _ := attr(n, "value")
				_, checked := attr(n, "checked")
				if in != nil && name != "" && (kind != "radio" && kind != "checkbox" || checked) {
					in.values.Add(name, value)
				}
			case "a", "link", "script", "img":
				for _, key := range []string{"href", "src"} {
					if v, ok := attr(n, key); ok && strings.HasPrefix(v, "/") {
						links = append(links, v)
					}
				}
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, in)
		}
	}
	walk(doc, nil)
	return found, links
}

func (d *desk) version() string { return fmt.Sprint(d.job().Version, d.job().Stage) }
