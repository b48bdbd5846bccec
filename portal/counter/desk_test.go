package counter

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"benchword/portal"
	"benchword/portal/portaltest"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/money"
	"benchword/workflow/store/memory"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"
)

// desk is a counter over the reference store, with a clock that only moves when told to.
type desk struct {
	t   testing.TB
	s   *portal.Server
	svc *workflow.Service
	log *bytes.Buffer
	now time.Time
	n   workflow.JobNumber
}

var (
	rosa = workflow.Actor{Role: workflow.RoleCounter, ID: "rosa"}
	nils = workflow.Actor{Role: workflow.RoleBench, ID: "nils"}
	// bench is nils where a visitor has that name.
	bench = nils
	mira  = workflow.Actor{Role: workflow.RoleCustomer, ID: "link"}
)

const password = "seven gulls over the ropewalk"

func TestMain(m *testing.M) {
	portal.HashMemory = 64 // KiB
	os.Exit(m.Run())
}

func newDesk(t testing.TB) *desk { return newDeskAt(t, "http://desk.example") }

func newDeskAt(t testing.TB, base string, change ...func(*portal.Config)) *desk {
	d := &desk{t: t, log: &bytes.Buffer{}, now: time.Date(2026, 11, 16, 14, 0, 0, 0, time.UTC)}
	d.svc = portaltest.Service(t, memory.New(), func() time.Time { return d.now }, d.log, "mon tue wed thu fri", "09:00-12:30", "13:00-17:00")
	d.svc.Shop.BaseURL = base
	d.svc.Shop.Phone, d.svc.Shop.Languages, d.svc.Shop.Tests = "+1 902 555 0100", []string{"en", "fr"}, []string{"Function", workflow.SafetyTest}
	set, err := templates.Load()
	require.NoError(t, err)
	cfg := portal.Config{Service: d.svc, Photos: evidence.NewDesk(&evidence.Memory{}), Templates: set, Log: d.svc.Log, Ask: 10000, AskFor: time.Minute}
	for _, f := range change {
		f(&cfg)
	}
	d.s, err = portal.New(cfg)
	require.NoError(t, err)
	require.NoError(t, Mount(d.s, Config{PreviewMail: func(_ context.Context, j *workflow.Job, kind workflow.NoticeKind) (html, text []byte, err error) {
		last := j.Reports[len(j.Reports)-1]
		return []byte("<p style=\"color:red\">" + string(kind) + ": " + escape(last.Short) + "</p>"), []byte(string(kind) + ": " + last.Short), nil
	}}))
	d.svc.Committed = func(j *workflow.Job, _ int) { d.s.Committed(j) }
	for login, role := range map[string]workflow.Role{"rosa": workflow.RoleCounter, "nils": workflow.RoleBench, "olga": workflow.RoleOwner} {
		require.NoError(t, portal.AddStaff(context.Background(), d.svc, login, strings.ToUpper(login[:1])+login[1:], role, password))
	}
	return d
}

func (d *desk) do(by workflow.Actor, commands ...workflow.Command) *workflow.Job {
	d.t.Helper()
	d.now = d.now.Add(time.Minute)
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

// escape makes a text harmless in HTML.
var escape = html.EscapeString

// version is what a refused step must leave as it was.
func (d *desk) version() int64 { return d.job().Version }

// visitor is a browser without scripts.
type visitor struct {
	d       *desk
	cookies map[string]string
	login   string
}

// got is an answer, read as a page.
type got struct {
	*http.Response
	v    *visitor
	path string
	body string
}

func (v *visitor) send(r *http.Request) got {
	v.d.t.Helper()
	r.Host = "desk.example"
	for k, s := range v.cookies {
		r.AddCookie(&http.Cookie{Name: k, Value: s})
	}
	resp, err := v.d.s.App().Test(r, -1)
	require.NoError(v.d.t, err)
	b, err := io.ReadAll(resp.Body)
	require.NoError(v.d.t, err)
	for _, c := range resp.Cookies() {
		if c.Expires.Year() < 2000 {
			delete(v.cookies, c.Name)
			continue
		}
		v.cookies[c.Name] = c.Value
	}
	return got{resp, v, r.URL.Path, string(b)}
}

func (v *visitor) get(path string) got {
	v.d.t.Helper()
	return v.send(httptest.NewRequest(http.MethodGet, path, nil))
}

func (v *visitor) page(path string) got {
	v.d.t.Helper()
	g := v.get(path)
	require.Equal(v.d.t, 200, g.StatusCode, "%s: %s", path, g.body)
	return g
}

// follow goes where a redirect leads.
func (g got) follow() got {
	g.v.d.t.Helper()
	require.Equal(g.v.d.t, 303, g.StatusCode, g.problems())
	return g.v.page(g.Header.Get("Location"))
}

// problems are the sentences of a refused form, for a failing test's message.
func (g got) problems() string {
	_, rest, ok := strings.Cut(g.body, `class="errors"`)
	if !ok {
		return fmt.Sprint(g.StatusCode, " ", g.Header.Get("Location"), " ", len(g.body), " bytes")
	}
	rest, _, _ = strings.Cut(rest, "</div>")
	return fmt.Sprint(g.StatusCode, " ", rest)
}

// as signs somebody in.
func (d *desk) as(login string) *visitor {
	d.t.Helper()
	v := &visitor{d: d, cookies: map[string]string{}, login: login}
	g := v.page("/counter/sign-in").form("/counter/sign-in").set("login", login).set("password", password).send()
	require.Equal(d.t, 303, g.StatusCode)
	return v
}

// sheet is a form as a browser would send it.
type sheet struct {
	v      *visitor
	action string
	multi  bool
	values url.Values
	names  map[string]bool // every field that is there
	files  []file
	body   []byte
	kind   string
}

type file struct {
	field, name string
	body        []byte
}

// form finds the n-th form of the page that is sent to an address, with what it holds.
func (g got) form(action string, nth ...int) *sheet {
	g.v.d.t.Helper()
	doc, err := html.Parse(strings.NewReader(g.body))
	require.NoError(g.v.d.t, err)
	skip := 0
	if len(nth) > 0 {
		skip = nth[0]
	}
	var found *html.Node
	walk(doc, func(n *html.Node) {
		if n.Data == "form" && attr(n, "action") == action && attr(n, "method") == "post" && found == nil {
			if skip == 0 {
				found = n
			}
			skip--
		}
	})
	require.NotNil(g.v.d.t, found, "%s has no form to %s (status %d)", g.path, action, g.StatusCode)
	f := &sheet{v: g.v, action: action, multi: attr(found, "enctype") == "multipart/form-data", values: url.Values{}, names: map[string]bool{}}
	walk(found, func(n *html.Node) {
		name := attr(n, "name")
		if name == "" {
			return
		}
		f.names[name] = true
		switch n.Data {
		case "input":
			switch attr(n, "type") {
			case "radio", "checkbox":
				if has(n, "checked") {
					f.values.Add(name, attr(n, "value"))
				}
			case "file":
			default:
				f.values.Add(name, attr(n, "value"))
			}
		case "textarea":
			// A parser drops the first line break of a text area, as a browser does.
			s := ""
			if n.FirstChild != nil {
				s = n.FirstChild.Data
			}
			f.values.Add(name, s)
		case "select":
			first, chosen := "", ""
			any, sel := false, false
			walk(n, func(o *html.Node) {
				if o.Data == "option" {
					if !any {
						first, any = attr(o, "value"), true
					}
					if has(o, "selected") {
						chosen, sel = attr(o, "value"), true
					}
				}
			})
			if sel {
				first = chosen
			}
			f.values.Add(name, first)
		}
	})
	return f
}

func walk(n *html.Node, f func(*html.Node)) {
	if n.Type == html.ElementNode {
		f(n)
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		walk(c, f)
	}
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, key string) bool {
	for _, a := range n.Attr {
		if a.Key == key {
			return true
		}
	}
	return false
}

// set types into a field, which must be there.
func (f *sheet) set(name string, values ...string) *sheet {
	f.v.d.t.Helper()
	require.True(f.v.d.t, f.names[name], "the form to %s has no field %s", f.action, name)
	f.values[name] = values
	return f
}

// at sends the form somewhere else, with these fields besides.
func (f *sheet) at(action string, fields ...string) *sheet {
	f.action = action
	for i := 0; i+1 < len(fields); i += 2 {
		f.values.Set(fields[i], fields[i+1])
	}
	return f
}

// asking asks for a page as a certain browser.
func asking(path, agent string) *http.Request {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Header.Set("User-Agent", agent)
	return r
}

// nth types into one of several fields of the same name.
func (f *sheet) nth(name string, i int, value string) *sheet {
	f.v.d.t.Helper()
	require.Greater(f.v.d.t, len(f.values[name]), i, name)
	f.values[name][i] = value
	return f
}

// press presses a button with a value of its own.
func (f *sheet) press(value string) got {
	f.v.d.t.Helper()
	require.True(f.v.d.t, f.names["do"], "the form to %s has no such button", f.action)
	f.values.Set("do", value)
	return f.send()
}

func (f *sheet) file(field, name string, body []byte) *sheet {
	f.v.d.t.Helper()
	require.True(f.v.d.t, f.multi, "the form to %s takes no files", f.action)
	require.True(f.v.d.t, f.names[field])
	f.files = append(f.files, file{field, name, body})
	return f
}

func (f *sheet) send() got {
	f.v.d.t.Helper()
	if f.multi {
		var b bytes.Buffer
		w := multipart.NewWriter(&b)
		for name, values := range f.values {
			for _, s := range values {
				require.NoError(f.v.d.t, w.WriteField(name, s))
			}
		}
		for _, x := range f.files {
			p, err := w.CreateFormFile(x.field, x.name)
			require.NoError(f.v.d.t, err)
			_, err = p.Write(x.body)
			require.NoError(f.v.d.t, err)
		}
		// A browser sends an empty part for a file field that nothing was chosen in.
		_, err := w.CreateFormFile("photo", "")
		require.NoError(f.v.d.t, err)
		require.NoError(f.v.d.t, w.Close())
		f.body, f.kind = b.Bytes(), w.FormDataContentType()
	} else {
		f.body, f.kind = []byte(f.values.Encode()), "application/x-www-form-urlencoded"
	}
	return f.again()
}

// again sends the same bytes once more, as a double click does.
func (f *sheet) again() got {
	f.v.d.t.Helper()
	r := httptest.NewRequest(http.MethodPost, f.action, bytes.NewReader(f.body))
	r.Header.Set("Content-Type", f.kind)
	return f.v.send(r)
}

// kept are the values that the form of an answer holds.
func (g got) kept(action string) url.Values { return g.form(action).values }

// picture is a small JPEG, different for each seed.
func picture(t testing.TB, seed uint8) []byte {
	m := image.NewRGBA(image.Rect(0, 0, 64, 48))
	for y := range 48 {
		for x := range 64 {
			m.Set(x, y, color.RGBA{uint8(x * 4), uint8(y*5) ^ seed, seed, 255})
		}
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, m, nil))
	return b.Bytes()
}

var booking = workflow.Book{
	Person: workflow.Person{Name: "Mira Osei", Email: "mira@post.example", Phone: "+1 902 555 0142", Address: "4 Quay Row\nLunenburg"},
	Kind:   "film scanner", Maker: "Halden", Model: "F2", Fault: "Hums, then stops in the middle of a frame.",
}

// photo is a picture that was taken in.
func (d *desk) photo(k workflow.PhotoKind, seed uint8) workflow.AddPhoto {
	d.t.Helper()
	p, err := d.s.Photos().Take(context.Background(), "harbour", d.n, bytes.NewReader(picture(d.t, seed)))
	require.NoError(d.t, err)
	p.Kind, p.Caption, p.Alt = k, workflow.Plain("The board"), workflow.Plain("A green board")
	return workflow.AddPhoto{Photo: p}
}

func (d *desk) booked() *workflow.Job { return d.do(mira, booking) }

func (d *desk) received() *workflow.Job {
	d.booked()
	return d.do(nils, workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}, {Text: "Film holder"}}, Serial: "H-20417"},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.No}},
		d.photo(workflow.PhotoArrival, 20), workflow.Go{To: workflow.StageReceived})
}

func (d *desk) diagnosing() *workflow.Job {
	d.received()
	return d.do(nils, workflow.NoteCondition{Text: "Scratched lid"}, workflow.TryFault{Result: workflow.FaultReproduced, Note: "Stops at the third frame"}, workflow.Go{To: workflow.StageDiagnosing})
}

func (d *desk) explained() *workflow.Job {
	d.diagnosing()
	return d.do(nils, d.photo(workflow.PhotoEvidence, 40), workflow.NameSuspect{Text: "Lamp supply"},
		workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Measured under load", Outcome: workflow.CheckConfirmed, Reading: "9.1 V"}},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "A capacitor has dried out", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintyMeasured, Reading: "ESR 9 ohm", Photos: []int{2}}})
}

func option(kind workflow.OptionKind, title, price string) workflow.Option {
	return workflow.Option{Kind: kind, Title: title, Price: money.Request{Lines: []money.Line{{Kind: money.Labour, Text: "Bench time", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal(price), Tax: "hst"}}}}
}

func (d *desk) awaiting() *workflow.Job {
	d.explained()
	return d.do(rosa, workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired."}},
		workflow.IssueQuote{Options: []workflow.Option{option(workflow.OptionRepair, "Repair", "100.00"), option(workflow.OptionReplace, "Replace it", "12.00")}},
		workflow.Go{To: workflow.StageAwaitingApproval})
}

func (d *desk) repairing() *workflow.Job {
	j := d.awaiting()
	return d.do(mira, workflow.Decide{Verdict: workflow.VerdictApprove, Digest: j.Quote().Digest, Option: "A", Name: "Mira Osei"})
}

func (d *desk) testing() *workflow.Job {
	d.repairing()
	return d.do(nils, workflow.DoWork{Text: "Renewed the capacitor.", Findings: []int{1}}, workflow.Go{To: workflow.StageTesting})
}

func (d *desk) shipped() *workflow.Job {
	d.testing()
	return d.do(rosa, workflow.DoTest{Test: workflow.Test{Name: "Function", Passed: true}}, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}},
		workflow.DeclareReady{}, workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}, {Item: 2, Fate: workflow.FateReturned}}},
		workflow.PrepareShipment{Carrier: "Canada Post", Parcel: "RR123456785CA", Serial: "H-20417"}, workflow.Go{To: workflow.StageShipped})
}

func (d *desk) url(rest string) string { return "/counter/job/" + string(d.n) + "/" + rest }
