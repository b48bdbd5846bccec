package portal

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gowebpki/jcs"
	"github.com/stretchr/testify/require"
)

// oldLook gives the job a link as emails held them before 2026-11-30, and returns its token.
func (d *desk) oldLook() string {
	d.t.Helper()
	ctx, j := d.t.Context(), d.job()
	id, token, err := d.svc.Links.New(d.svc.Random, string(j.Shop), string(j.Number), link.Look)
	require.NoError(d.t, err)
	row := workflow.LinkRow{Hash: token.Hash(), Job: j.Number, ID: id, Purpose: link.Look, ExpiresAt: d.now.AddDate(1, 0, 0)}
	raw, err := json.Marshal(workflow.LinkIssued{ID: id, Purpose: link.Look, ExpiresAt: row.ExpiresAt})
	require.NoError(d.t, err)
	data, err := jcs.Transform(raw)
	require.NoError(d.t, err)
	events, err := d.svc.Events(ctx, d.n, 0)
	require.NoError(d.t, err)
	e := &workflow.Event{Shop: j.Shop, Job: j.Number, Seq: j.Version + 1, At: d.now.Truncate(time.Millisecond), By: staff, Wire: "link.issued/1", Data: data, Prev: j.Head}
	require.NoError(d.t, e.Decode())
	// The state that the store keeps, with what it would not have without its secrets.
	after, err := workflow.Replay(append(events, e))
	require.NoError(d.t, err)
	j.Version, j.Head, j.Links = after.Version, after.Head, after.Links
	require.NoError(d.t, d.store.Commit(ctx, &workflow.Commit{
		Shop: j.Shop, Job: j.Number, Expect: j.Version - 1, Events: []*workflow.Event{e}, State: j, Links: []workflow.LinkRow{row},
		Index: workflow.Index{Stage: j.Stage, ChangedAt: j.ChangedAt},
	}))
	d.s.Committed(d.job())
	return token.Text()
}

// toEverything brings a job to where each kind of link has something to open: a report, an open quote, and a
// missed date with its choice.
func (d *desk) toEverything() map[string]string {
	d.t.Helper()
	d.toDiagnosing()
	d.now = d.now.AddDate(0, 0, 16)
	_, err := d.svc.WakeDue(d.t.Context())
	require.NoError(d.t, err)
	d.do(bench, workflow.NoteFinding{Finding: workflow.Finding{Text: "A capacitor has dried out.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}})
	d.do(staff, workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired."}},
		workflow.IssueQuote{Options: []workflow.Option{option(workflow.OptionRepair, "Repair it", "100.00"), option(workflow.OptionReplace, "Replace it", "20.00")}},
		workflow.Go{To: workflow.StageAwaitingApproval})
	d.do(workflow.Actor{Role: workflow.RoleCustomer, ID: d.job().Link(link.Own, d.now).ID}, workflow.ShareLink{})
	d.do(workflow.Actor{Role: workflow.RoleCustomer, ID: workflow.ByEmail}, workflow.SendMessage{Text: "Please post it to my new address."})
	d.do(staff, workflow.AskConfirm{Message: 1})
	d.do(staff, workflow.ChangeCustomer{Person: booking.Person}) // the address is known to be hers
	d.do(workflow.Actor{Role: workflow.RoleOwner, ID: "olga"}, workflow.SendData{})
	return map[string]string{
		"confirm": d.token(link.Confirm), "data": d.token(link.Data),
		"own": d.token(link.Own), "share": d.token(link.Share), "decide": d.token(link.Decide), "choose": d.token(link.Choose), "look": d.oldLook(),
	}
}

// TestEveryRouteByEveryLink is the table of the customer's pages: what each answers to a link of each purpose,
// to one that was ended, to one that ran out, and to one of another job.
func TestEveryRouteByEveryLink(t *testing.T) {
	push := []string{"want", "on", "endpoint", "https://push.example/a", "key", exampleBrowser, "auth", exampleAuth}
	yes := func(d *desk) []string { return append(d.yes(""), "round", "0") }
	none := func(*desk) []string { return nil }
	form := func(fields ...string) func(*desk) []string { return func(*desk) []string { return fields } }
	columns := []string{"own", "share", "look", "decide", "choose", "confirm", "data"}
	table := []struct {
		route string
		at    string
		form  func(*desk) []string
		want  [7]int // as columns
		// changes: where the answer is no refusal, the job changes.
		changes bool
	}{
		{route: "GET /j/:token", at: "/j/%s", want: [7]int{200, 200, 200, 200, 200, 403, 403}},
		{route: "GET /j/:token/booked", at: "/j/%s/booked", want: [7]int{303, 303, 303, 303, 303, 403, 403}},
		{route: "GET /j/:token/feed", at: "/j/%s/feed", want: [7]int{200, 200, 200, 200, 200, 403, 403}},
		{route: "GET /j/:token/report/:n.pdf", at: "/j/%s/report/1.pdf", want: [7]int{200, 200, 200, 200, 200, 403, 403}},
		{route: "GET /j/:token/report/:n", at: "/j/%s/report/1", want: [7]int{200, 200, 200, 200, 200, 403, 403}},
		{route: "GET /j/:token/photo/:id/:size.jpg", at: "/j/%s/photo/1/small.jpg", want: [7]int{200, 200, 200, 200, 200, 403, 403}},
		{route: "GET /j/:token/date.ics", at: "/j/%s/date.ics", want: [7]int{200, 200, 200, 200, 200, 403, 403}},
		{route: "POST /j/:token/message", at: "/j/%s/message", form: form("text", "Hello"), want: [7]int{303, 403, 403, 303, 303, 403, 403}, changes: true},
		{route: "GET /j/:token/notices", at: "/j/%s/notices", want: [7]int{200, 403, 403, 200, 200, 403, 403}},
		{route: "POST /j/:token/notices", at: "/j/%s/notices", form: form("choice", "what_needs_me"), want: [7]int{303, 403, 303, 303, 303, 403, 403}, changes: true},
		{route: "POST /j/:token/push", at: "/j/%s/push", form: form(push...), want: [7]int{200, 403, 403, 200, 200, 403, 403}, changes: true},
		{route: "GET /j/:token/details", at: "/j/%s/details", want: [7]int{200, 403, 403, 200, 200, 403, 403}},
		{route: "POST /j/:token/details", at: "/j/%s/details", form: form("do", "yes", "name", "M. Osei", "email", "mira@post.example"), want: [7]int{303, 403, 403, 303, 303, 403, 403}, changes: true},
		{route: "GET /j/:token/share", at: "/j/%s/share", want: [7]int{200, 403, 403, 200, 200, 403, 403}},
		{route: "POST /j/:token/share", at: "/j/%s/share", form: form("do", "yes"), want: [7]int{303, 403, 403, 303, 303, 403, 403}},
		{route: "POST /j/:token/ask", at: "/j/%s/ask", form: form("do", "yes"), want: [7]int{303, 403, 303, 303, 303, 403, 403}, changes: true},
		{route: "POST /j/:token/arrival", at: "/j/%s/arrival", form: form("do", "here"), want: [7]int{409, 403, 403, 409, 409, 403, 403}},
		{route: "GET /d/:token", at: "/d/%s", want: [7]int{403, 403, 403, 200, 403, 403, 403}},
		{route: "POST /d/:token/review", at: "/d/%s/review", form: yes, want: [7]int{403, 403, 403, 200, 403, 403, 403}},
		{route: "POST /d/:token", at: "/d/%s", form: yes, want: [7]int{403, 403, 403, 303, 403, 403, 403}, changes: true},
		{route: "GET /d/:token/done", at: "/d/%s/done", want: [7]int{403, 403, 403, 303, 403, 403, 403}},
		{route: "GET /d/:token/:form.pdf", at: "/d/%s/quote.pdf", want: [7]int{403, 403, 403, 200, 403, 403, 403}},
		{route: "POST /d/:token/undo", at: "/d/%s/undo", form: form("undo", "yes", "round", "0"), want: [7]int{403, 403, 403, 303, 403, 403, 403}},
		{route: "GET /confirm/:token", at: "/confirm/%s", want: [7]int{403, 403, 403, 403, 403, 200, 403}},
		{route: "POST /confirm/:token", at: "/confirm/%s", form: form("mine", "yes"), want: [7]int{403, 403, 403, 403, 403, 303, 403}, changes: true},
		{route: "GET /c/:token", at: "/c/%s", want: [7]int{403, 403, 403, 403, 200, 403, 403}},
		{route: "GET /data/:token", at: "/data/%s", want: [7]int{403, 403, 403, 403, 403, 403, 200}},
		{route: "GET /data/:token/file.zip", at: "/data/%s/file.zip", want: [7]int{403, 403, 403, 403, 403, 403, 200}},
		{route: "POST /c/:token", at: "/c/%s", form: func(d *desk) []string {
			return []string{"choice", "agree", "read", "yes", "digest", d.job().Delay().Digest}
		}, want: [7]int{403, 403, 403, 403, 303, 403, 403}, changes: true},
	}
	// The stream does not end by itself: TestEndingLinksClosesStreams.
	seen := map[string]bool{"GET /j/:token/live": true}
	scene := func(t *testing.T) (*desk, map[string]string) {
		d := newDesk(t)
		d.s.cfg.PushKey = exampleBrowser
		return d, d.toEverything()
	}
	for _, x := range table {
		seen[x.route] = true
		t.Run(x.route, func(t *testing.T) {
			call := func(d *desk, token string) got {
				at := fmt.Sprintf(x.at, token)
				if x.form == nil {
					return d.get(at)
				}
				return d.post(at, x.form(d)...)
			}
			for i, purpose := range columns {
				d, tokens := scene(t)
				before := d.version()
				g := call(d, tokens[purpose])
				d.s.work.Wait()
				require.Equal(t, x.want[i], g.StatusCode, "by a link to %s: %s", purpose, g.body)
				if x.changes && x.want[i] < 400 {
					require.NotEqual(t, before, d.version(), purpose)
				} else {
					require.Equal(t, before, d.version(), purpose)
				}
				switch x.route {
				case "GET /j/:token/notices", "GET /j/:token/share", "GET /confirm/:token", "GET /data/:token", "GET /data/:token/file.zip", "GET /d/:token/:form.pdf":
					if x.want[i] == 200 { // an address, a link, or a person's data (ASVS 5.0 V14.3.2)
						require.Equal(t, "no-store", g.Header.Get("Cache-Control"), x.route)
					}
				}
				if purpose == "share" || purpose == "look" {
					for _, private := range []string{"Mira Osei", "mira@post.example"} {
						require.NotContains(t, g.body, private)
					}
				}

				d, tokens = scene(t)
				d.do(staff, workflow.RevokeLinks{})
				before = d.version()
				g = call(d, tokens[purpose])
				require.Equal(t, 410, g.StatusCode, "by an ended link to %s", purpose)
				require.NotContains(t, g.body, "Halden", "an ended link tells nothing")
				require.Equal(t, before, d.version())

				d, tokens = scene(t)
				d.now = d.now.AddDate(2, 0, 0)
				require.Equal(t, 410, call(d, tokens[purpose]).StatusCode, "by a link to %s that ran out", purpose)
			}
			// The links of another job open nothing of this one, whatever else is sent with them.
			d, _ := scene(t)
			first, before := d.n, d.version()
			fields := none(d)
			if x.form != nil {
				fields = x.form(d)
			}
			d.n = ""
			tokens := d.toEverything()
			for _, purpose := range columns {
				var g got
				if at := fmt.Sprintf(x.at, tokens[purpose]); x.form == nil {
					g = d.get(at)
				} else {
					g = d.post(at, fields...)
				}
				require.NotContains(t, g.body, first.Shown())
			}
			d.s.work.Wait()
			d.n = first
			require.Equal(t, before, d.version(), "by links of another job")
		})
	}
	var routes []string
	for _, r := range newDesk(t).s.app.GetRoutes(true) {
		if name := r.Method + " " + strings.TrimSuffix(r.Path, "/"); r.Method != "HEAD" && strings.Contains(r.Path, "/:token") {
			routes = append(routes, name)
			require.True(t, seen[name], "%s is not in the table", name)
		}
	}
	slices.Sort(routes)
	require.Len(t, slices.Compact(routes), len(seen))
}

// What was seen in an attack: the links of an email that went astray answered the quote, showed the receipt and
// took the answer back after "end all links", and after the address was corrected.
func TestEndedLinksOpenNothing(t *testing.T) {
	for what, end := range map[string]workflow.Command{
		"ended":   workflow.RevokeLinks{},
		"address": workflow.ChangeCustomer{Person: workflow.Person{Name: "Mira Osei", Email: "mira@new.example"}},
	} {
		for _, answered := range []bool{false, true} {
			t.Run(fmt.Sprint(what, answered), func(t *testing.T) {
				d := newDesk(t)
				d.svc.Shop.UndoFor = 30 * time.Minute
				at := d.toAwaiting()
				own, yes := "/j/"+d.token(link.Own), append(d.yes(""), "round", "0")
				undo := []string{"digest", d.job().Quote().Digest, "round", "0", "undo", "yes"}
				if answered {
					require.Equal(t, 303, d.post(at, yes...).StatusCode)
					require.Equal(t, 200, d.get(at+"/done").StatusCode)
				}
				require.Equal(t, 200, d.get(own).StatusCode, "kept")
				d.do(staff, end)
				before := d.version()
				for _, path := range []string{own, own + "/feed", own + "/date.ics", own + "/report/1", own + "/report/1.pdf", at, at + "/done", at + "/quote.pdf", "/j/" + strings.TrimPrefix(at, "/d/")} {
					require.Equal(t, 410, d.get(path).StatusCode, path)
				}
				require.Equal(t, 410, d.post(at, yes...).StatusCode)
				require.Equal(t, 410, d.post(at+"/review", yes...).StatusCode)
				require.Equal(t, 410, d.post(at+"/undo", undo...).StatusCode)
				require.Equal(t, 410, d.post(at+"/undo").StatusCode)
				require.Equal(t, 410, d.post(own+"/message", "text", "Send it to me").StatusCode)
				require.Equal(t, before, d.version())

				// The customer goes on with the new ones.
				fresh := "/d/" + d.token(link.Decide)
				require.NotEqual(t, at, fresh)
				require.Equal(t, 200, d.get("/j/"+d.token(link.Own)).StatusCode)
				last := d.job().Notices[len(d.job().Notices)-1]
				require.Equal(t, workflow.NoticeLink, last.Kind)
				require.Equal(t, map[string]workflow.LinkWhy{"ended": workflow.LinkEnded, "address": workflow.LinkAddress}[what], workflow.LinkWhyOf(last.Ref))
				if answered {
					require.Equal(t, 303, d.post(fresh+"/undo", undo...).StatusCode)
					require.Equal(t, workflow.StageAwaitingApproval, d.job().Stage)
				} else {
					require.Equal(t, 303, d.post(fresh, yes...).StatusCode)
				}
			})
		}
	}
}

// Whoever answers must have read this revision, chosen one of its options, given a name, and meant it.
func TestHalfAnswersDecideNothing(t *testing.T) {
	d := newDesk(t)
	at := d.toAwaiting()
	good := map[string]string{"verdict": "approve", "digest": d.job().Quote().Digest, "option": "A", "name": "Mira Osei", "sum": d.sum("A"), "confirm": "yes", "round": "0"}
	before := d.version()
	for field, wrong := range map[string][]string{
		"digest": {"", "0", strings.Repeat("0", 64)}, "option": {"", "Z", "a"}, "sum": {"", "1.00 CAD", "115.00", "115.00 EUR"}, "confirm": {"", "no"}, "name": {""}, "verdict": {"", "maybe"},
	} {
		for _, value := range wrong {
			var fields []string
			for k, v := range good {
				if k == field {
					v = value
				}
				fields = append(fields, k, v)
			}
			require.GreaterOrEqual(t, d.post(at, fields...).StatusCode, 400, "%s=%q", field, value)
			require.Equal(t, before, d.version(), "%s=%q", field, value)
		}
	}
}

func TestEndingLinksClosesStreams(t *testing.T) {
	d := newDesk(t)
	tokens := d.toEverything()
	address := d.serve()
	var open []*stream
	for _, p := range opensOne {
		delete(tokens, string(p)) // it opens no page that stays
	}
	for _, token := range tokens {
		open = append(open, listen(t, address, "/j/"+token+"/live"))
	}
	d.do(staff, workflow.RevokeLinks{})
	for _, s := range open {
		require.Equal(t, "0", s.until("0"), "the last chunk of the stream of an ended link")
	}
}

// A shared link shows how the job goes, and neither who the customer is, what they wrote, nor a parcel's number.
func TestASharedPage(t *testing.T) {
	d := newDesk(t)
	tokens := d.toEverything()
	d.do(workflow.Actor{Role: workflow.RoleCustomer, ID: d.job().Link(link.Own, d.now).ID}, workflow.SendMessage{Text: "Send it to 9 Other Street please."})
	d.do(staff, workflow.SendMessage{Text: "To 9 Other Street, then."})
	own := d.get("/j/" + tokens["own"]).body
	require.Contains(t, own, "9 Other Street")
	require.Contains(t, own, "/share")
	for _, purpose := range []string{"share", "look"} {
		at := "/j/" + tokens[purpose]
		for _, path := range []string{at, at + "/feed", at + "/report/1", at + "/date.ics"} {
			page := d.get(path).body + d.get(path, "Cookie", "bw-flash=SGVsbG8").body
			for _, private := range []string{"Other Street", "letter", "Mira", "mira@", "/notices", "/message", "/push", `id="letters"`} {
				require.NotContains(t, page, private, path)
			}
		}
		require.Equal(t, purpose == "look", strings.Contains(d.get(at).body, at+"/ask"), "only a link from before offers the customer's own")
	}

	d = newDesk(t)
	d.n = ""
	d.do(workflow.Actor{Role: workflow.RoleCustomer}, workflow.Book{Person: booking.Person, Kind: "radio", Fault: "It hisses.", Inbound: "RR123456785CA"})
	d.do(workflow.Actor{Role: workflow.RoleCustomer}, workflow.ShareLink{})
	require.Contains(t, d.get("/j/"+d.token(link.Own)).body, "RR123456785CA")
	require.NotContains(t, d.get("/j/"+d.token(link.Share)).body, "RR123456785CA")
}

// The customer makes a link to share without scripts; pressing again shows the same.
func TestSharing(t *testing.T) {
	d := newDesk(t)
	d.toDiagnosing()
	at := "/j/" + d.token(link.Own) + "/share"
	before := d.version()
	found, _ := forms(t, d.get(at).body)
	require.Equal(t, before, d.version())
	require.Len(t, found, 1)
	require.Equal(t, at, found[0].action)
	require.Equal(t, 303, d.postForm(at, found[0].values).StatusCode)
	require.Equal(t, before, d.version(), "a form that is sent without its button")
	require.Equal(t, 303, d.post(at, "do", "yes").StatusCode)
	shared := d.token(link.Share)
	require.Contains(t, d.get(at).body, "http://desk.example/j/"+shared)
	require.Equal(t, 303, d.post(at, "do", "yes").StatusCode)
	require.Equal(t, shared, d.token(link.Share))
	require.Equal(t, 200, d.get("/j/"+shared).StatusCode)
}

// The page of the customer's own link, and of a link from before, have the links emailed to the address on file: the
// answer never says whether there is one, and nobody's mailbox is flooded.
func TestAskingForTheLinks(t *testing.T) {
	d := newDesk(t)
	tokens := d.toEverything()
	asked := func() (n int) {
		d.s.work.Wait()
		for _, x := range d.job().Notices {
			if x.Kind == workflow.NoticeLink {
				require.Equal(t, workflow.LinkPage, workflow.LinkWhyOf(x.Ref))
				n++
			}
		}
		return n
	}
	page := d.get("/j/" + tokens["own"]).body
	require.Contains(t, page, "/j/"+tokens["own"]+"/ask")
	first, _, _ := strings.Cut(d.post("/j/"+tokens["own"]+"/ask", "do", "yes").Header.Get("Set-Cookie"), ";")
	require.Equal(t, 1, asked())
	d.post("/j/"+tokens["look"]+"/ask", "do", "yes")
	require.Equal(t, 2, asked())
	for range 4 {
		g := d.post("/j/"+tokens["own"]+"/ask", "do", "yes")
		require.Equal(t, 303, g.StatusCode)
		require.Contains(t, g.Header.Get("Set-Cookie"), first)
	}
	require.Equal(t, linksAsked, asked())
	d.do(staff, workflow.ChangeCustomer{Person: workflow.Person{Name: "Mira Osei", Phone: "+1 902 555 0101"}})
	g := d.post("/j/"+d.token(link.Own)+"/ask", "do", "yes")
	require.Contains(t, g.Header.Get("Set-Cookie"), first, "without an address the answer is the same")
}
