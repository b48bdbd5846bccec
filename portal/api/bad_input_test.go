package api

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/portal"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

func TestTokens(t *testing.T) {
	d := newDesk(t)
	d.booked()
	soon, err := portal.AddToken(context.Background(), d.svc, "till program", counter, d.clock().Add(time.Hour))
	require.NoError(t, err)
	_, err = portal.AddToken(context.Background(), d.svc, "odd", workflow.RoleCustomer, time.Time{})
	require.ErrorIs(t, err, workflow.ErrInvalid)
	path := "/jobs/" + string(d.n)
	for name, x := range map[string]struct {
		header    string
		challenge string
	}{
		"none":          {"", `Bearer realm="benchword"`},
		"another way":   {"Basic YWRhOnB3", `Bearer realm="benchword"`},
		"empty":         {"Bearer ", `Bearer realm="benchword"`},
		"unknown":       {"Bearer bw_AAAAAAAAAAAAAAAAAAAAAAAAAAA", `Bearer realm="benchword", error="invalid_token"`},
		"half":          {"Bearer " + d.tokens[owner][:20], `Bearer realm="benchword", error="invalid_token"`},
		"with more":     {"Bearer " + d.tokens[owner] + "x", `Bearer realm="benchword", error="invalid_token"`},
		"odd character": {"Bearer bw_\u00e9'\"", `Bearer realm="benchword", error="invalid_token"`},
	} {
		for _, method := range []string{http.MethodGet, http.MethodPost} {
			to := path
			if method == http.MethodPost {
				to += "/hold-end"
			}
			g := d.ask(method, to, nil, "Authorization", x.header)
			require.Equal(t, 401, g.StatusCode, name)
			require.Equal(t, x.challenge, g.Header.Get("WWW-Authenticate"), name)
			require.Equal(t, "/api/v1/problems#http", g.problem(t).Type)
		}
	}
	require.Equal(t, 200, d.ask(http.MethodGet, path, nil, "Authorization", "bearer  "+d.tokens[bench]).StatusCode, "the scheme's case does not matter (RFC 9110, 11.1)")
	require.Equal(t, 200, d.ask(http.MethodGet, path, nil, "Authorization", "Bearer "+soon).StatusCode)
	d.wait(time.Hour)
	require.Equal(t, 401, d.ask(http.MethodGet, path, nil, "Authorization", "Bearer "+soon).StatusCode, "an expired token")
	require.NoError(t, portal.RemoveToken(context.Background(), d.svc, "program of owner"))
	require.Equal(t, 401, d.ask(http.MethodGet, path, nil, d.as(owner)...).StatusCode, "a token that was taken away")
	require.Equal(t, 401, d.ask(http.MethodGet, path, nil, "Cookie", "bw-staff="+d.tokens[bench]).StatusCode, "a token is no session")
	p := d.refused(403, bench, "payments", `{"amount":"10.00","how":"cash"}`)
	require.Equal(t, "/api/v1/problems#forbidden", p.Type)
	require.NotContains(t, d.log.String(), "bw_", "no token is ever logged")
}

func TestBadBodies(t *testing.T) {
	d := newDesk(t)
	d.booked()
	version := func() int64 {
		v, err := d.svc.Version(context.Background(), d.n)
		require.NoError(t, err)
		return v
	}
	before := version()
	for _, x := range []struct {
		action, body string
		status       int
		field, says  string
	}{
		{"condition", `{"text":"Fine","colour":"red"}`, 422, "colour", "There is no field “colour” here"},
		{"condition", `{"text":"Fine","` + strings.Repeat("x", 5000) + `":1}`, 422, strings.Repeat("x", 100) + "…", "There is no field"},
		{"condition", `{"text":5}`, 422, "text", "can't be a number"},
		{"condition", `{"text":["a"]}`, 422, "text", "can't be a list"},
		{"condition", `{"text":{"a":1}}`, 422, "text", "can't be an object"},
		{"condition", `{"text":true}`, 422, "text", "can't be true or false"},
		{"condition", `["Fine"]`, 422, "", "must be an object in braces; it can't be a list"},
		{"condition", `"Fine"`, 422, "", "it can't be a text"},
		{"condition", `{"text":"Fine"`, 422, "", "ends too early"},
		{"condition", `{"text":"Fi`, 422, "", "ends too early"},
		{"condition", `{"text":"Fine"}}`, 422, "", "more than one JSON value"},
		{"condition", `{"text":"Fine"} {"text":"Worse"}`, 422, "", "more than one JSON value"},
		{"condition", `{"text":"Fine"} trailing`, 422, "", "more than one JSON value"},
		{"condition", `{text:"Fine"}`, 422, "", "not JSON from byte 2 on"},
		{"condition", "\xff\xfe", 422, "", "not JSON from byte 1 on"},
		{"condition", "text=Fine", 422, "", "not JSON"},
		{"condition", strings.Repeat("[", 20000), 422, "", ""},
		{"condition", "null", 422, "condition", "is missing"},
		{"condition", `{}`, 422, "condition", "is missing"},
		{"condition", ``, 422, "condition", "is missing"},
		{"condition", `{"text":"` + strings.Repeat("ä", workflow.MaxText+1) + `"}`, 422, "condition", "too long"},
		{"condition", `{"text":"a\u0000b"}`, 422, "condition", "control characters"},
		{"condition", `{"text":"a\u001b[31mb"}`, 422, "condition", "control characters"},
		{"promise", `{"by":"tomorrow"}`, 422, "", "“tomorrow” is no instant"},
		{"promise", `{"by":17}`, 422, "", "A value in the body can't be read"},
		{"promise", `{"days":1e99}`, 422, "days", "can't be a number"},
		{"promise", `{"days":2.5}`, 422, "days", "can't be a number"},
		{"move", `{"to":"the moon"}`, 409, "", "can't become the moon"},
		{"quote", `{"options":[{"kind":"repair","title":"Repair","lines":[{"kind":"labour","text":"x","quantity":1.5,"unit_price":"80"}]}]}`, 422, "options.lines.quantity", "can't be a number"},
		{"quote", `{"options":[{"kind":"repair","title":"Repair","lines":[{"kind":"labour","text":"x","quantity":"99999999999999999999999","unit_price":"80"}]}]}`, 422, "", ""},
		{"contents", `{"items":[` + strings.Repeat(`{"text":"x"},`, 200) + `{"text":"y","device":true}]}`, 422, "items", "At most 100 items"},
	} {
		p := d.refused(x.status, counter, x.action, x.body)
		require.Contains(t, p.Detail, x.says, x.body)
		require.Equal(t, x.field, p.Field, x.body)
		require.Less(t, len(p.Detail), 500, x.body)
	}

	auth := d.as(counter)
	path := "/jobs/" + string(d.n) + "/condition"
	for _, kind := range []string{"", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "application/jsonx", "text/json", "application/xml"} {
		g := d.ask(http.MethodPost, path, []byte(`{"text":"Fine"}`), append(auth, "Content-Type", kind)...)
		require.Equal(t, 415, g.StatusCode, kind)
		g.problem(t)
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	fmt.Fprintf(z, `{"text":"Fine"%s}`, strings.Repeat(" ", 200<<20))
	require.NoError(t, z.Close())
	require.Less(t, packed.Len(), formLimitForTest)
	g := d.ask(http.MethodPost, path, packed.Bytes(), append(auth, "Content-Type", "application/json", "Content-Encoding", "gzip")...)
	require.Equal(t, 415, g.StatusCode, "a small body that unpacks to a very large one")
	g.problem(t)
	g = d.ask(http.MethodPost, path, []byte(`{"text":"`+strings.Repeat("a", formLimitForTest)+`"}`), append(auth, "Content-Type", "application/json")...)
	require.Equal(t, 413, g.StatusCode)
	g.problem(t)
	g = d.ask(http.MethodPost, "/jobs/"+string(d.n)+"/photos", []byte(`{}`), append(auth, "Content-Type", "application/json")...)
	require.Equal(t, 415, g.StatusCode)
	g.problem(t)
	for _, broken := range []string{"", "--x\r\n", "--x\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"a.jpg\"\r\n\r\nabc"} {
		g = d.ask(http.MethodPost, "/jobs/"+string(d.n)+"/photos", []byte(broken), append(auth, "Content-Type", "multipart/form-data; boundary=x")...)
		require.Contains(t, []int{415, 422}, g.StatusCode, "%q", broken)
		g.problem(t)
	}
	g = d.photo(picture(t, 1), url.Values{"kind": {"portrait"}})
	require.Equal(t, 422, g.StatusCode)
	g = d.photo(picture(t, 1), url.Values{"kind": {"arrival"}, "caption": {strings.Repeat("a", workflow.MaxLine+1)}})
	require.Equal(t, 422, g.StatusCode)
	require.Equal(t, "caption", g.problem(t).Field)
	for _, m := range []string{http.MethodPut, http.MethodDelete, http.MethodPatch, http.MethodTrace, "BREW"} {
		g := d.ask(m, "/jobs/"+string(d.n)+"/x/y", nil, auth...)
		require.Contains(t, []int{404, 405, 400, 501}, g.StatusCode, m)
	}
	require.Equal(t, before, version(), "nothing of all this changed the job")
	g = d.ask(http.MethodGet, "/none/such", nil, auth...)
	require.Equal(t, 404, g.StatusCode)
	g.problem(t)
	require.NotContains(t, d.log.String(), "level=ERROR")
}

const formLimitForTest = 1 << 20

// A body whose length is not stated is refused before it is read, on a real connection.
func TestLengthRequired(t *testing.T) {
	d := newDesk(t)
	d.booked()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	served := make(chan error, 1)
	go func() { served <- d.s.Serve(l) }()
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		require.NoError(t, d.s.Shutdown(ctx))
		require.NoError(t, <-served)
	}()
	talk := func(head string, body string) (status string, answer string) {
		c, err := net.Dial("tcp", l.Addr().String())
		require.NoError(t, err)
		defer c.Close()
		require.NoError(t, c.SetDeadline(time.Now().Add(30*time.Second)))
		_, err = io.WriteString(c, head+"\r\n\r\n"+body)
		require.NoError(t, err)
		b, _ := io.ReadAll(io.LimitReader(c, 1<<20))
		answer = string(b)
		status, _, _ = strings.Cut(answer, "\r\n")
		return status, answer
	}
	head := "POST /api/v1/jobs/" + string(d.n) + "/condition HTTP/1.1\r\nHost: desk.example\r\nAuthorization: Bearer " + d.tokens[bench] + "\r\nContent-Type: application/json\r\nConnection: close\r\n"
	status, answer := talk(head+"Transfer-Encoding: chunked", "f\r\n{\"text\":\"Fine\"}\r\n0\r\n\r\n")
	require.Contains(t, status, "411", answer)
	require.Contains(t, answer, "application/problem+json")
	some := strings.Repeat("a", 8<<10) // as much as the server reads before it looks at what it is
	status, answer = talk(head+"Content-Length: 2000000", some)
	require.Contains(t, status, "413", answer)
	require.Contains(t, answer, "application/problem+json")
	status, answer = talk(strings.Replace(head, "application/json", "multipart/form-data; boundary=x", 1)+"Content-Length: 200000000", some+"a")
	require.Contains(t, status, "413", answer)
	require.Contains(t, answer, "nosniff", "an answer that no handler gave has the protective headers, too")
	status, answer = talk("GET /api/v1/jobs HTTP/1.1\r\nHost: desk.example\r\nX-Long: "+strings.Repeat("a", 100000), "")
	require.Contains(t, status, "431", answer)
	require.Contains(t, answer, "nosniff")
	status, _ = talk(head+"Content-Length: 15", `{"text":"Fine"}`)
	require.Contains(t, status, "200")
}

func TestOnlyOnce(t *testing.T) {
	for name, at := range map[string]func(testing.TB) *desk{"memory": newDesk, "SQLite": onSQLite} {
		t.Run(name, func(t *testing.T) { onlyOnce(t, at(t)) })
	}
}

func onlyOnce(t *testing.T, d *desk) {
	key := func(k string) []string { return []string{"Idempotency-Key", k} }
	first := d.post(counter, "", booking, key("book 1")...)
	require.Equal(t, 201, first.StatusCode)
	require.Empty(t, first.Header.Get("Idempotent-Replayed"))
	d.n = first.job(t).Number
	d.done(bench, "condition", `{"text":"Lid scratched."}`)
	again := d.post(counter, "", booking, key("book 1")...)
	require.Equal(t, "true", again.Header.Get("Idempotent-Replayed"))
	require.Equal(t, first.body, again.body, "byte for byte, although the job has changed")
	require.Equal(t, 201, again.StatusCode)
	for _, h := range []string{"Location", "ETag", "Content-Type"} {
		require.Equal(t, first.Header.Get(h), again.Header.Get(h), h)
		require.NotEmpty(t, again.Header.Get(h))
	}
	p := d.refused(422, counter, "", strings.Replace(booking, "Halden", "Quillon", 1), key("book 1")...)
	require.Contains(t, p.Detail, "was used for another request")
	d.refused(422, counter, "condition", `{"text":"x"}`, key("book 1")...)
	require.Equal(t, 201, d.post(owner, "", booking, key("book 1")...).StatusCode, "another caller's key is another key")
	require.Equal(t, 422, d.post(counter, "condition", `{"text":"Fine"}`, key(strings.Repeat("k", 201))...).StatusCode)

	note := d.post(bench, "condition", `{"text":"Worn."}`, key("c")...)
	require.Equal(t, 200, note.StatusCode)
	small := d.ask(http.MethodPost, "/jobs/"+strings.ToLower(d.n.Shown())+"/condition", []byte(`{"text":"Worn."}`), append(append(d.as(bench), "Content-Type", "application/json"), key("c")...)...)
	require.Equal(t, note.body, small.body, "the same job, written as people write it")
	d.refused(422, bench, "suspects", `{"text":"Worn."}`, key("c")...)

	kind := url.Values{"kind": {"arrival"}}
	photo := d.photo(picture(t, 1), kind, key("p")...)
	require.Equal(t, 200, photo.StatusCode, photo.body)
	require.Equal(t, photo.body, d.photo(picture(t, 1), kind, key("p")...).body, "the same picture, in a form with another boundary")
	require.Equal(t, 422, d.photo(picture(t, 2), kind, key("p")...).StatusCode, "another picture")
	require.Equal(t, 422, d.photo(picture(t, 1), url.Values{"kind": {"evidence"}}, key("p")...).StatusCode, "other words")
	require.Len(t, d.get("/jobs/"+string(d.n)).job(t).Photos, 1)

	d.wait(onceFor + time.Minute)
	require.Empty(t, d.post(bench, "condition", `{"text":"Worn."}`, key("c")...).Header.Get("Idempotent-Replayed"), "a key is forgotten in the end")

	// An answer that held the person is erased with her.
	in := d.n
	kept := d.post(counter, "", booking, key("gone")...)
	require.Equal(t, 201, kept.StatusCode)
	d.n = kept.job(t).Number
	d.done(counter, "move", `{"to":"withdrawn","reason":"never arrived"}`)
	_, err := d.svc.Do(context.Background(), workflow.Order{Job: d.n, By: workflow.Actor{Role: owner, ID: "olga"}, Commands: []workflow.Command{workflow.ErasePerson{}}})
	require.NoError(t, err)
	require.Contains(t, d.refused(404, counter, "", booking, key("gone")...).Detail, "nothing was done again")
	d.n = in

	// Twenty at once: one does it, all get its answer. A hold can't be placed twice, so that one which
	// came second must not be told of the first as of somebody else's.
	for round, x := range []struct{ action, body string }{
		{"", booking}, {"messages", `{"text":"It is here."}`}, {"hold", `{"reason":"parts"}`}, {"hold-end", `{}`}, {"photo-description", `{"id":1,"kind":"arrival","marks":[{"kind":"blur","x":0,"y":0,"x2":5000,"y2":5000}]}`},
	} {
		if x.action == "messages" {
			d.done(bench, "contents", `{"items":[{"text":"Film scanner","device":true}]}`)
			d.done(bench, "screening", `{"screening":{"lithium":"no","cell_damaged":"no","mains":"yes","liquid":"no"}}`)
			d.done(bench, "move", `{"to":"received"}`)
		}
		before := len(d.everyEvent())
		answers := make([]got, 20)
		var all sync.WaitGroup
		for i := range answers {
			all.Go(func() { answers[i] = d.post(counter, x.action, x.body, key("at once "+strconv.Itoa(round))...) })
		}
		all.Wait()
		replayed := 0
		for _, g := range answers {
			require.Less(t, g.StatusCode, 300, "%s: %.500s", x.action, g.body)
			require.Equal(t, answers[0].body, g.body)
			if g.Header.Get("Idempotent-Replayed") == "true" {
				replayed++
			}
		}
		require.Equal(t, len(answers)-1, replayed, x.action)
		after := d.everyEvent()
		require.Greater(t, len(after), before)
		once := after[before:]
		slices.Sort(once)
		require.Equal(t, once, slices.Compact(slices.Clone(once)), "%s: each of its events is there once", x.action)
	}
}

// everyEvent lists the events of all running jobs as "number wire".
func (d *desk) everyEvent() []string {
	var rows Rows
	require.NoError(d.t, json.Unmarshal([]byte(d.get("/jobs").body), &rows))
	var out []string
	for _, r := range rows.Jobs {
		events, err := d.svc.Events(context.Background(), r.Number, 0)
		require.NoError(d.t, err)
		for _, e := range events {
			out = append(out, fmt.Sprint(e.Job, e.Seq, e.Wire))
		}
	}
	slices.Sort(out)
	return out
}

func TestIfMatch(t *testing.T) {
	d := newDesk(t)
	j := d.booked()
	tag := d.get("/jobs/" + string(d.n)).Header.Get("ETag")
	require.Equal(t, `"`+strconv.FormatInt(j.Version, 10)+`"`, tag)
	after := d.post(bench, "condition", `{"text":"Fine"}`, "If-Match", tag)
	require.Equal(t, 200, after.StatusCode)
	require.NotEqual(t, tag, after.Header.Get("ETag"))
	p := d.refused(412, bench, "condition", `{"text":"Worse"}`, "If-Match", tag)
	require.Equal(t, "/api/v1/problems#conflict", p.Type)
	require.Equal(t, "Fine", d.get("/jobs/"+string(d.n)).job(t).Condition)
	for _, odd := range []string{"x", `"x"`, `W/` + after.Header.Get("ETag"), `"-1"`, `"0"`, `"1", "2"`, `"99999999999999999999"`} {
		d.refused(412, bench, "condition", `{"text":"Worse"}`, "If-Match", odd)
	}
	require.Equal(t, 200, d.post(bench, "condition", `{"text":"Worse"}`, "If-Match", "*").StatusCode)
	g := d.photo(picture(t, 1), url.Values{"kind": {"arrival"}}, "If-Match", tag)
	require.Equal(t, 412, g.StatusCode)
	g = d.photo(picture(t, 1), url.Values{"kind": {"arrival"}})
	require.Equal(t, 200, g.StatusCode)
	blur := `{"id":1,"kind":"arrival","marks":[{"kind":"blur","x":0,"y":0,"x2":5000,"y2":5000}]}`
	d.refused(412, bench, "photo-description", blur, "If-Match", tag)
	require.Equal(t, 200, d.post(bench, "photo-description", blur, "If-Match", g.Header.Get("ETag")).StatusCode)
}

// What can't be read is refused in plain words, and never takes the server down.
func FuzzBodies(f *testing.F) {
	for i := range routes {
		f.Add(uint8(i), `{"text":"x","id":1,"items":[{"text":"a","device":true}],"options":[{"kind":"repair","lines":[{"quantity":"1"}]}]}`)
		f.Add(uint8(i), `{"to":"testing","by":"2026-01-01T00:00:00Z","finding":{"origin":"wear"},"duty":null,"test":{"at":1}}`)
	}
	f.Add(uint8(0), "[")
	f.Add(uint8(1), "\xff{")
	for i := range routes {
		f.Add(uint8(i), " ")
	}
	d := newDesk(f)
	d.booked()
	f.Fuzz(func(t *testing.T, which uint8, body string) {
		d.t = t
		x := routes[int(which)%len(routes)]
		g := d.post(owner, x.Name, body)
		switch {
		case g.StatusCode < 300:
			d.booked() // the next one on a fresh job
		case g.StatusCode >= 500:
			t.Fatal(g.body)
		default:
			g.problem(t)
		}
	})
}
