package api

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/promiseclock"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/stretchr/testify/require"
)

const (
	bench   = workflow.RoleBench
	counter = workflow.RoleCounter
	owner   = workflow.RoleOwner
)

var update = flag.Bool("update", false, "write the golden document anew")

// The document is one that an OpenAPI 3.1 reader accepts, and names exactly what is served.
func TestDocument(t *testing.T) {
	d := newDesk(t)
	g := d.ask(http.MethodGet, "/openapi.json", nil)
	require.Equal(t, 200, g.StatusCode)
	doc, err := openapi3.NewLoader().LoadFromData([]byte(g.body))
	require.NoError(t, err)
	require.Equal(t, "3.1.0", doc.OpenAPI)
	require.NoError(t, doc.Validate(context.Background(), openapi3.IsOpenAPI31OrLater()))

	var described, served, ids []string
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			described = append(described, method+" "+path)
			ids = append(ids, op.OperationID)
			require.NotEmpty(t, op.Summary, path)
			for _, p := range op.Parameters {
				require.NotEmpty(t, p.Value.Description, path)
			}
		}
	}
	for _, r := range d.s.App().GetRoutes(true) {
		path, ok := strings.CutPrefix(r.Path, "/api/v1")
		if ok && r.Method != http.MethodHead && path != "" && path != "/" {
			served = append(served, r.Method+" "+strings.Replace(path, ":number", "{number}", 1))
		}
	}
	slices.Sort(described)
	slices.Sort(served)
	require.Equal(t, slices.Compact(served), described)
	slices.Sort(ids)
	require.Equal(t, slices.Compact(slices.Clone(ids)), ids, "each operation has a name of its own")
	require.NotContains(t, g.body, "$defs", "every reference leads somewhere in the document")

	const golden = "../../testdata/openapi.json" // so that what changes in it is read
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(g.body+"\n"), 0o600))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	lines := strings.Split(g.body+"\n", "\n")
	for i, line := range strings.Split(string(want), "\n") {
		require.Less(t, i, len(lines), "the document has become shorter")
		require.Equal(t, line, lines[i], "line %d has changed: go test ./portal/api -run TestDocument -update, and read the difference", i+1)
	}
	require.Len(t, lines, strings.Count(string(want), "\n")+1)

	for good, bad := range map[string]string{
		`"description": "The job."`: `"descripton": "The job."`, `"#/components/schemas/Job"`: `"#/components/schemas/Jo"`, `"type": "boolean"`: `"type": "bool"`,
	} {
		require.Contains(t, g.body, good)
		broken, err := openapi3.NewLoader().LoadFromData([]byte(strings.Replace(g.body, good, bad, 1)))
		if err == nil {
			err = broken.Validate(context.Background(), openapi3.IsOpenAPI31OrLater())
		}
		require.Error(t, err, "a document that is none must not pass, or the check says nothing")
	}
}

// Every action is taken at least once, and refused at least once; what goes in and comes out is held to
// the document on the way.
func TestEveryAction(t *testing.T) {
	for name, at := range map[string]func(testing.TB) *desk{"memory": newDesk, "SQLite": onSQLite} {
		t.Run(name, func(t *testing.T) { everyAction(t, at(t)) })
	}
}

func everyAction(t *testing.T, d *desk) {
	require.Equal(t, "fault", d.refused(422, counter, "", `{"person":{"name":"Mira","email":"m@post.example"},"kind":"scanner"}`).Field)
	d.refused(403, bench, "", booking)
	j := d.booked()
	require.Equal(t, workflow.StageBooked, j.Stage)
	require.Equal(t, "40.00 CAD", j.Limit.String())

	require.Equal(t, "items", d.refused(422, bench, "contents", `{"items":[]}`).Field)
	j = d.done(bench, "contents", `{"items":[{"text":"Film scanner","device":true,"condition":"lid scratched"},{"id":77,"text":"Film holder"}],"serial":"Q2-1"}`)
	require.Equal(t, []int{1, 2}, []int{j.Contents[0].ID, j.Contents[1].ID}, "ids are not for a caller to say")
	d.refused(422, bench, "screening", `{"screening":{"lithium":"perhaps","cell_damaged":"no","mains":"yes","liquid":"no"}}`)
	d.done(bench, "screening", `{"screening":{"lithium":"no","cell_damaged":"no","mains":"yes","liquid":"no","note":"Dry"}}`)

	g := d.photo([]byte("not a picture"), url.Values{"kind": {"arrival"}})
	require.Equal(t, 422, g.StatusCode, g.body)
	g.problem(t)
	g = d.photo(nil, url.Values{"kind": {"arrival"}})
	require.Equal(t, 422, g.StatusCode, g.body)
	g.problem(t)
	for i, kind := range []string{"arrival", "evidence", "evidence"} {
		g = d.photo(picture(t, uint8(i)), url.Values{"kind": {kind}, "caption": {"The board"}, "alt": {"A green board"}})
		require.Equal(t, 200, g.StatusCode, g.body)
	}
	j = g.job(t)
	require.Len(t, j.Photos, 3)
	d.refused(422, bench, "photo-description", `{"id":99,"kind":"evidence"}`)
	d.refused(422, bench, "photo-description", `{"id":2,"kind":"evidence","marks":[{"kind":"blur","x":1000,"y":1000,"x2":1000,"y2":99999}]}`)
	plain := j.Photos[1].Large.Digest
	j = d.done(bench, "photo-description", `{"id":2,"kind":"evidence","caption":"C7","marks":[{"kind":"blur","x":1000,"y":1000,"x2":5000,"y2":5000},{"kind":"ring","x":5000,"y":5000,"x2":6000,"y2":5000,"number":1,"text":"C7"}]}`)
	require.NotEqual(t, plain, j.Photos[1].Large.Digest, "what is to be unreadable is gone from the shown copy")
	blurred := j.Photos[1].Large.Digest
	j = d.done(bench, "photo-description", `{"id":2,"kind":"evidence","caption":"C7, bulged","marks":[{"kind":"blur","x":5000,"y":5000,"x2":1000,"y2":1000}]}`)
	require.Equal(t, blurred, j.Photos[1].Large.Digest)
	d.refused(422, bench, "photo-description", `{"id":2,"kind":"evidence","large":{"digest":"`+j.Photos[1].Original+`","width":64,"height":48}}`)
	d.refused(422, bench, "photo-removal", `{"id":3,"reason":""}`)
	d.done(bench, "photo-removal", `{"id":3,"reason":"Shows a label"}`)

	d.refused(422, bench, "condition", `{"text":" "}`)
	d.done(bench, "condition", `{"text":"Lid scratched."}`)
	d.refused(409, bench, "fault", `{"result":"reproduced"}`)
	p := d.refused(409, bench, "move", `{"to":"repairing"}`)
	require.Contains(t, p.Detail, "can't become repairing")
	d.done(bench, "move", `{"to":"received"}`)
	d.done(bench, "fault", `{"result":"reproduced","note":"At once."}`)
	d.done(bench, "move", `{"to":"diagnosing"}`)

	d.refused(422, bench, "symptom", `{"symptom":"sulks"}`)
	d.refused(422, bench, "suspects", `{"text":""}`)
	d.done(bench, "suspects", `{"text":"Lamp supply"}`)
	d.refused(422, bench, "checks", `{"suspect":9,"check":{"text":"Measured","outcome":"confirmed"}}`)
	j = d.done(bench, "checks", `{"suspect":1,"check":{"text":"Measured warm","outcome":"confirmed","reading":"9.1 V","photos":[2],"at":"1999-01-01T00:00:00Z"}}`)
	require.Equal(t, d.clock(), j.Suspects[0].Checks[0].At, "when is not for a caller to say")
	d.refused(422, bench, "findings", `{"finding":{"text":"A capacitor has bulged","origin":"wear","weight":"fault","certainty":"measured"}}`)
	j = d.done(bench, "findings", `{"finding":{"text":"A capacitor has bulged","origin":"wear","weight":"fault","certainty":"measured","reading":"180 µF","where":"main board","matters":"It holds the lamp up.","photos":[2]},"duty":{"text":"Take the patch lead off","before":"testing"}}`)
	require.Len(t, j.Duties, 1)
	j = d.done(bench, "findings", `{"finding":{"text":"A screw is missing","origin":"earlier_work","weight":"put_right","certainty":"seen","withdrawn":true,"reason":"none","at":"1999-01-01T00:00:00Z"}}`)
	require.False(t, j.Findings[1].Withdrawn)
	require.Equal(t, d.clock(), j.Findings[1].At)
	f := d.done(bench, "findings", `{"finding":{"entry":"tape_left"}}`)
	require.Equal(t, "Tape left inside", f.Findings[2].Term)
	require.Equal(t, "tape", f.Duties[1].Rule)
	d.refused(422, bench, "findings", `{"finding":{"entry":"tape"}}`)
	d.done(bench, "duty-done", `{"id":2}`)
	d.refused(422, bench, "check-plans", `{"suspect":1,"text":""}`)
	k := d.done(bench, "check-plans", `{"suspect":1,"text":"Measure cold","minutes":4,"behind":"case_off","shows":[{"suspect":1,"percent":80}]}`)
	require.Equal(t, 19.0, k.Ledger.Minutes)
	require.NotEmpty(t, k.Ledger.Why)
	k = d.done(bench, "checks", `{"check":{"plan":1,"outcome":"unclear"}}`)
	require.Equal(t, "Measure cold", k.Suspects[0].Checks[1].Text)
	d.done(bench, "symptom", `{"symptom":"cuts_out"}`)
	d.refused(409, counter, "damage-told", `{"to":"carrier","how":"Claims desk"}`)
	k = d.done(bench, "damage", `{"carrier":"Coast Parcel","value":"250.00","tell_by":"2030-01-31"}`)
	require.Equal(t, "2030-01-31", k.Damage.TellBy)
	k = d.done(counter, "damage-told", `{"to":"carrier","how":"Claims desk"}`)
	require.Len(t, k.Damage.Told, 1)
	require.Len(t, k.Plans, 12)
	d.refused(409, bench, "stayed-shut", `{}`)
	d.refused(422, bench, "finding-withdrawal", `{"id":9,"reason":"Seen wrong"}`)
	d.done(bench, "finding-withdrawal", `{"id":2,"reason":"It was in the parcel"}`)
	d.refused(422, bench, "duties", `{"duty":{"text":""}}`)
	j = d.done(bench, "duties", `{"duty":{"text":"Clean the lens","waived":"never mind","done_at":"1999-01-01T00:00:00Z"}}`)
	require.True(t, j.Duties[2].Open())
	d.refused(422, bench, "duty-done", `{"id":99}`)
	d.done(bench, "duty-done", `{"id":1}`)
	d.refused(403, bench, "duty-waiver", `{"id":3,"reason":"Not asked for"}`)
	d.done(counter, "duty-waiver", `{"id":3,"reason":"The lens is sealed."}`)

	d.refused(422, counter, "promise", `{"reason":"Later"}`)
	d.refused(403, bench, "promise", `{"days":12,"reason":"Later"}`)
	d.done(counter, "promise", `{"days":12,"reason":"The part comes from abroad."}`)
	d.done(counter, "promise", `{"by":"2027-01-20T17:00:00-04:00","reason":"It comes by ship."}`)
	d.refused(422, bench, "hold", `{"reason":"weather"}`)
	j = d.done(bench, "hold", `{"reason":"parts","note":"C7 is on its way"}`)
	require.Nil(t, j.DueAt, "no date can be named while the clock stands still")
	d.done(bench, "hold-end", ``)
	d.refused(409, bench, "hold-end", `{}`)

	d.refused(422, counter, "report", `{"text":{"short":""}}`)
	d.done(counter, "report", `{"text":{"short":"It can be repaired.","cause":"The lamp supply","certainty":"measured","proposal":"Renew C7","next":"You decide"}}`)
	d.refused(422, counter, "quote", `{"options":[]}`)
	quote := `{"options":[{"kind":"repair","title":"Repair it","text":"All of it","excluded":"The lid","lines":[{"kind":"labour","text":"Bench time","quantity":"1.5","unit_price":"80.00","tax":"hst"},{"kind":"credit","text":"Friend","quantity":"1","unit_price":"-5.00"}],"working_days":5,"warranty_days":90},{"kind":"replace","title":"Another one","lines":[{"kind":"carriage","text":"Parcel","quantity":"1","unit_price":"14.50","tax":"hst"}]}],"note":"As told","days":10`
	d.done(counter, "quote", quote+"}")
	d.refused(422, counter, "quote-withdrawal", `{"reason":""}`)
	d.done(counter, "quote-withdrawal", `{"revision":1,"reason":"A price was wrong"}`)
	j = d.done(counter, "quote", quote+`,"reason":"A price was wrong"}`)
	require.Equal(t, "133.00 CAD", j.Quotes[1].Options[0].Result.Total.String())
	d.refused(403, bench, "move", `{"to":"awaiting_approval"}`)
	d.done(counter, "move", `{"to":"awaiting_approval"}`)

	d.refused(409, counter, "decision", `{"verdict":"approve","digest":"another","option":"A","name":"Mira Osei"}`)
	d.refused(422, counter, "decision", `{"verdict":"approve","digest":"`+j.Quotes[1].Digest+`","option":"A","name":"Mira Osei","address":"203.0.113.9"}`)
	d.done(counter, "decision", `{"verdict":"ask","digest":"`+j.Quotes[1].Digest+`","words":"Which lid?","agent":"By telephone"}`)
	j = d.done(counter, "decision", `{"verdict":"approve","digest":"`+j.Quotes[1].Digest+`","option":"A","name":"Mira Osei","words":"Go on","agent":"By telephone, +1 902 555 0101"}`)
	require.Equal(t, workflow.StageRepairing, j.Stage)
	j = d.done(counter, "decision-undo", `{"digest":"`+j.Quotes[1].Digest+`","agent":"They called back"}`)
	require.Equal(t, workflow.StageAwaitingApproval, j.Stage)
	d.refused(409, counter, "decision", `{"verdict":"approve","digest":"`+j.Quotes[1].Digest+`","option":"A","name":"Mira Osei","agent":"By telephone"}`)
	j = d.done(counter, "decision", `{"verdict":"approve","digest":"`+j.Quotes[1].Digest+`","option":"A","name":"Mira Osei","round":1,"called":"+1 902 555 0101"}`)
	require.Equal(t, "+1 902 555 0101", j.Decisions[2].Called)
	require.Equal(t, "written down by token:program of counter. By telephone, +1 902 555 0101", j.Decisions[1].Agent)
	require.Empty(t, j.Decisions[1].Address)
	d.refused(422, counter, "payments", `{"amount":"ten","how":"card"}`)
	j = d.done(counter, "payments", `{"amount":"133.00","how":"bank transfer"}`)
	require.Equal(t, "0.00 CAD", j.Balance.String())
	d.refused(409, counter, "charge", `{"amount":"133.01","reason":"More"}`)
	j = d.done(counter, "charge", `{"amount":"120.00","reason":"It took less time"}`)
	require.Equal(t, "-13.00 CAD", j.Balance.String())

	require.Equal(t, workflow.WhereQueued, j.Standing.Where)
	require.Equal(t, workflow.WhereRepairing, d.done(bench, "begin", `{}`).Standing.Where)
	d.refused(409, bench, "begin", `{}`)
	d.refused(422, bench, "work", `{"text":"Renewed C7","findings":[9]}`)
	d.done(bench, "work", `{"text":"Renewed C7","findings":[1],"photos":[2],"duties":[1]}`)
	d.done(bench, "move", `{"to":"testing"}`)
	require.NotEmpty(t, d.refused(409, counter, "ready", `{}`).Missing)
	d.refused(422, bench, "tests", `{"test":{"name":"Function","passed":false}}`)
	d.done(bench, "test-start", `{"name":"Function","conditions":"full load"}`)
	d.refused(422, bench, "tests", `{"test":{"name":"Electrical safety","passed":true,"steps":[{"key":"earth","result":"passed","measurement":{"value":"0.9","unit":"ohm","high":"0.3"}}]}}`)
	d.refused(422, bench, "tests", `{"test":{"name":"Electrical safety","passed":true,"steps":[{"key":"spin","result":"passed"}]}}`)
	d.done(bench, "tests", `{"test":{"name":"Electrical safety","passed":true,"class":"I","person":"Nils","steps":[{"key":"earth","result":"passed","measurement":{"value":"0.08","unit":"ohm","high":"0.3","instrument":"Tester 1"},"found":{"is":"open","unit":"ohm","value":"0"}}]}}`)
	d.done(bench, "tests", `{"test":{"name":"Function","passed":true,"reading":"36 frames","note":"Cold and warm","photos":[2],"at":"1999-01-01T00:00:00Z"}}`)
	d.done(counter, "ready", `{"note":"All well."}`)
	d.refused(422, bench, "packing", `{"items":[{"item":1,"fate":"lost"}]}`)
	d.done(bench, "packing", `{"items":[{"item":1,"fate":"returned"},{"item":2,"fate":"kept","note":"As agreed"}]}`)
	d.refused(422, bench, "shipment", `{"carrier":"Post","parcel":"RR123456789CA"}`)
	j = d.done(bench, "shipment", `{"carrier":"Post","parcel":"RR123456785CA","serial":"q2-1","warranty_days":120}`)
	require.True(t, j.Shipment.WellFormed)

	d.refused(422, counter, "messages", `{"text":""}`)
	d.refused(403, bench, "messages", `{"text":"It is ready."}`)
	d.done(counter, "messages", `{"text":"It is ready.","question":true}`)
	d.refused(422, counter, "customer", `{"person":{"name":"Mira\r\nBcc: all@post.example","email":"mira@post.example"}}`)
	j = d.done(counter, "customer", `{"person":{"name":"Mira A. Osei","email":"mira@post.example","phone":"+1 902 555 0142","language":"en","time_zone":"Europe/Lisbon"},"limit":"50.00"}`)
	require.Equal(t, "Mira A. Osei", j.Customer.Name)
	d.done(counter, "link", `{}`)
	d.refused(403, bench, "link", `{}`)
	d.refused(422, counter, "message-confirmation", `{"message":9}`)
	d.refused(403, bench, "message-confirmation", `{"message":1}`)
	wrote, err := d.svc.Do(t.Context(), workflow.Order{Job: d.n, By: workflow.Actor{Role: workflow.RoleCustomer, ID: workflow.ByEmail}, Commands: []workflow.Command{workflow.SendMessage{Text: "Post it to my new address."}}})
	require.NoError(t, err)
	asked := d.done(counter, "message-confirmation", fmt.Sprintf(`{"message":%d}`, len(wrote.Messages)))
	m := asked.Messages[len(wrote.Messages)-1]
	require.Equal(t, []any{workflow.CameEmail, true, workflow.Confirmed("")}, []any{m.Came, m.Doubtful, m.Confirmed})
	wrote, err = d.svc.Job(t.Context(), d.n)
	require.NoError(t, err)
	_, err = d.svc.Do(t.Context(), workflow.Order{Job: d.n, By: workflow.Actor{Role: workflow.RoleCustomer, ID: wrote.Link(link.Confirm, d.svc.Now()).ID}, Commands: []workflow.Command{workflow.Confirm{Message: len(wrote.Messages)}}})
	require.NoError(t, err)
	m = d.done(counter, "messages", `{"text":"Thank you."}`).Messages[len(wrote.Messages)-1]
	require.Equal(t, []any{false, workflow.ConfirmedYes}, []any{m.Doubtful, m.Confirmed})
	_, err = d.svc.Do(t.Context(), workflow.Order{Job: d.n, By: workflow.Actor{Role: workflow.RoleCustomer, ID: "page"}, Commands: []workflow.Command{
		workflow.ChangeOwn{Person: workflow.Person{Name: "Mira A. Osei", Email: "mira@post.example", Phone: "+1 902 555 0142", Address: "9 Other Street", Language: "en", TimeZone: "Europe/Lisbon"}, Limit: "50.00"},
		workflow.GivePasscode{Passcode: "zq-4711"}}})
	require.NoError(t, err)
	d.refused(403, bench, "customer-change", `{"change":1}`)
	d.refused(409, counter, "customer-change", `{"change":2}`)
	j = d.done(counter, "wishes", `{"insured":"250.00","data":"erase","return":"collect"}`)
	require.Equal(t, "9 Other Street", j.OwnChange.Address)
	require.Equal(t, workflow.ReturnCollect, j.Wishes.Return)
	d.refused(422, counter, "wishes", `{"return":"fly"}`)
	require.NotContains(t, d.get("/jobs/"+string(d.n)).body, "passcode")
	require.Equal(t, "9 Other Street", d.done(counter, "customer-change", `{"change":1}`).Customer.Address)
	d.refused(403, bench, "passcode-end", `{}`)
	d.done(counter, "passcode-end", `{}`)
	d.refused(403, counter, "data", `{}`)
	d.done(owner, "data", `{}`)
	d.refused(403, bench, "link-revocation", `{}`)
	d.done(counter, "link-revocation", `{}`)
	notice := j.Notices[0].ID
	d.refused(422, counter, "notice-again", `{"id":"x"}`)
	d.refused(409, counter, "notice-told", `{"id":"`+notice+`"}`)
	_, err = d.svc.Do(t.Context(), workflow.Order{Job: d.n, By: workflow.Actor{Role: workflow.RoleSystem, ID: "dispatcher"}, Commands: []workflow.Command{workflow.RecordDelivery{ID: notice, Buried: "The mailbox is full."}}})
	require.NoError(t, err)
	d.done(counter, "notice-told", `{"id":"`+notice+`"}`)
	j = d.done(counter, "notice-again", `{"id":"`+notice+`"}`)
	require.True(t, j.Notices[0].BuriedAt.IsZero())
	d.refused(422, counter, "notice-choice", `{"choice":"none"}`)
	d.done(counter, "notice-choice", `{"choice":"what_needs_me"}`)
	d.done(counter, "notice-choice", `{"choice":"every_step"}`)
	d.refused(409, owner, "erasure", `{}`)
	d.refused(409, counter, "arrival", `{"arrived":true}`)
	d.done(counter, "move", `{"to":"shipped"}`)
	d.refused(403, bench, "arrival", `{"arrived":true}`)
	require.Equal(t, workflow.WhereMissing, d.done(counter, "arrival", `{"arrived":false}`).Standing.Where)
	require.Contains(t, d.get("/jobs?stage=shipped&ended=true").body, string(d.n), "it is shipped, whatever is said of it")
	j = d.done(counter, "arrival", `{"arrived":true}`)
	require.Equal(t, workflow.OutcomeRepaired, j.Outcome)
	require.Empty(t, j.Moves)

	list := d.get("/jobs?ended=true")
	require.Contains(t, list.body, string(d.n))
	require.NotContains(t, d.get("/jobs").body, string(d.n))
	require.Contains(t, d.get("/jobs?q="+url.QueryEscape("halden OSEI")).body, string(d.n))
	require.Contains(t, d.get("/jobs?q="+url.QueryEscape(d.n.Shown())).body, string(d.n))
	require.Equal(t, 422, d.get("/jobs?stage=lost").StatusCode)
	require.Equal(t, 422, d.get("/jobs?after=x").StatusCode)
	require.Equal(t, `"`+strconv.FormatInt(j.Version, 10)+`"`, d.get("/jobs/"+string(d.n)).Header.Get("ETag"))
	require.Equal(t, 200, d.get("/jobs/"+strings.ToLower(d.n.Shown())).StatusCode, "as people write it")
	var events Events
	require.NoError(t, json.Unmarshal([]byte(d.get("/jobs/"+string(d.n)+"/events").body), &events))
	require.Len(t, events.Events, int(j.Version))
	require.NotContains(t, string(slices.Concat(events.Events...)), "Osei", "events hold nobody's name")
	require.NoError(t, json.Unmarshal([]byte(d.get("/jobs/"+string(d.n)+"/events?after="+strconv.FormatInt(j.Version, 10)).body), &events))
	require.Empty(t, events.Events)
	require.Equal(t, 422, d.get("/jobs/"+string(d.n)+"/events?after=-1").StatusCode)
	var notices Notices
	require.NoError(t, json.Unmarshal([]byte(d.get("/jobs/"+string(d.n)+"/notices").body), &notices))
	require.NotEmpty(t, notices.Notices)

	d.refused(403, counter, "erasure", `{}`)
	j = d.done(owner, "erasure", `{}`)
	require.True(t, j.Customer.Erased)
	require.Empty(t, j.Customer.Name)
	d.refused(409, counter, "messages", `{"text":"Hello?"}`)

	everyPromiseAction(t, d)

	other, err := workflow.NewJobNumber(d.svc.Random)
	require.NoError(t, err)
	for _, n := range []string{string(other), "K7M2QX9", "x", "%00", strings.Repeat("7", 200)} {
		for _, rest := range []string{"", "/events", "/notices"} {
			g := d.get("/jobs/" + n + rest)
			require.Equal(t, 404, g.StatusCode, n+rest)
			g.problem(t)
		}
		for _, x := range routes {
			g := d.ask(http.MethodPost, "/jobs/"+n+"/"+x.Name, []byte(`{}`), append(d.as(owner), "Content-Type", "application/json")...)
			require.Contains(t, []int{404, 409, 422}, g.StatusCode, n+x.Name)
			if x.Name == "link" {
				require.Equal(t, 404, g.StatusCode)
			}
			g.problem(t)
		}
	}

	text, err := Document()
	require.NoError(t, err)
	var whole struct {
		Paths map[string]map[string]any
	}
	require.NoError(t, json.Unmarshal(text, &whole))
	d.ask(http.MethodGet, "/openapi.json", nil)
	d.ask(http.MethodGet, "/problems", nil)
	for path, operations := range whole.Paths {
		for method := range operations {
			name := strings.ToUpper(method) + " " + path
			require.True(t, slices.ContainsFunc(d.seen[name], func(s int) bool { return s < 300 }), "%s was never taken", name)
			if path != "/openapi.json" && path != "/problems" {
				require.True(t, slices.ContainsFunc(d.seen[name], func(s int) bool { return s >= 400 }), "%s was never refused", name)
			}
		}
	}
	require.NotContains(t, d.log.String(), "level=ERROR")
}

// The list goes on where the page before ended.
func TestListInPages(t *testing.T) {
	d := newDesk(t)
	var all []string
	for range pageSize + 30 {
		all = append(all, string(d.booked().Number))
	}
	var listed []string
	path := "/jobs?stage=booked"
	for path != "" {
		var page Rows
		require.NoError(t, json.Unmarshal([]byte(d.get(path).body), &page))
		require.NotEmpty(t, page.Jobs)
		for _, r := range page.Jobs {
			listed = append(listed, string(r.Number))
		}
		path = strings.TrimPrefix(page.More, "/api/v1")
	}
	require.ElementsMatch(t, all, listed)
}

// everyPromiseAction takes those about levels of service and missed dates, on a job of their own.
func everyPromiseAction(t *testing.T, d *desk) {
	d.svc.Shop.Levels = []workflow.Level{
		{Key: "standard", Name: "Standard", Promise: promiseclock.Quota{WorkingDays: 5}, Look: promiseclock.Quota{WorkingHours: promiseclock.QuotaHours(time.Hour)}},
		{Key: "express", Name: "Express", Promise: promiseclock.Quota{WorkingDays: 2}},
	}
	defer func() { d.svc.Shop.Levels = nil }()
	j := d.booked()
	require.Equal(t, "standard", j.Level.Key)
	require.Equal(t, workflow.TargetLook, j.Targets[0].Kind)
	d.done(bench, "contents", `{"items":[{"text":"Film scanner","device":true}]}`)
	d.done(bench, "screening", `{"screening":{"lithium":"no","cell_damaged":"no","mains":"yes","liquid":"no"}}`)
	require.Equal(t, 200, d.photo(picture(t, 9), url.Values{"kind": {"arrival"}}).StatusCode)
	d.refused(409, counter, "delay", `{"reason":"Late."}`)
	d.done(bench, "move", `{"to":"received"}`)
	d.refused(422, counter, "level", `{"level":"express"}`)
	d.refused(403, bench, "level", `{"level":"express","reason":"Asked for."}`)
	j = d.done(counter, "level", `{"level":"express","reason":"Asked for by telephone."}`)
	require.Equal(t, 2, j.Promises[1].Quota.WorkingDays)
	d.refused(422, counter, "delay", `{"reason":""}`)
	j = d.done(counter, "delay", `{"reason":"The lamp is late."}`)
	require.Equal(t, "The lamp is late.", j.DelayNote.Reason.Text)
	d.refused(409, counter, "delay-choice", `{"choice":"agree","digest":"x"}`)
	d.wait(14 * 24 * time.Hour)
	_, err := d.svc.WakeDue(context.Background())
	require.NoError(t, err)
	j = d.done(counter, "delay", `{"reason":"The lamp is later still."}`)
	require.Len(t, j.Delays, 2)
	require.True(t, j.Delays[1].Open)
	d.refused(422, counter, "delay-choice", `{"choice":"sell","digest":"`+j.Delays[1].Digest+`"}`)
	j = d.done(counter, "delay-choice", `{"choice":"return","digest":"`+j.Delays[1].Digest+`","agent":"Called +1 902 555 0101."}`)
	require.Equal(t, workflow.StageTesting, j.Stage)
	require.Contains(t, j.Delays[1].Agent, "Called +1 902 555 0101.")
	d.done(bench, "stayed-shut", `{}`)
	d.refused(403, counter, "made-safe", `{"done":"Lead taken off","label":"Do not use","word":"Send it back"}`)
	j = d.done(owner, "made-safe", `{"done":"Lead taken off","label":"Do not use","word":"Send it back"}`)
	require.Equal(t, []string{"Lead taken off", "Do not use", "Send it back"}, []string{j.MadeSafe.Done, j.MadeSafe.Label, j.MadeSafe.Word})
}
