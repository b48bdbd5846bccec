package main

import (
	"bytes"
	"compress/zlib"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/base32"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"maps"
	"mime/multipart"
	"net/http"
	"net/url"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"benchword/cmd/benchword/demophotos"
	"benchword/notify/smtptest"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

// scene is what the attacks are tried on: the demo's jobs, on a store that can be told to fail.
type scene struct {
	*stage
	d     *demo
	log   *locked
	store *broken
	// look and decide are the links of the quote that waits.
	look, decide string
}

// TestAttacks tries the running server wherever it can be got at. All on one stage, in this order: first
// what may change nothing, then what is typed.
func TestAttacks(t *testing.T) {
	t.Parallel()
	x := &scene{log: &locked{}, store: &broken{}}
	x.stage, x.d = demoStage(t, func(s *stage) {
		s.log = x.log
		s.before = func(srv *server) {
			x.store.Store = srv.store
			*srv.service = *srv.service.On(x.store)
		}
	})
	token := func(purpose link.Purpose) string { return x.link(x.d.toApprove, purpose)[len(x.base)+3:] }
	x.look, x.decide = token(link.Own), token(link.Decide)
	for _, a := range []struct {
		name string
		do   func(t *testing.T, x *scene)
	}{
		{"every route", everyRoute}, {"finding a job", findTellsNobody}, {"pictures", hostilePictures}, {"links", hostileLinks}, {"secrets", secretsStayInside},
		{"programs", hostilePrograms}, {"texts", hostileTexts}, {"ended links", endedLinks},
	} {
		t.Run(a.name, func(t *testing.T) {
			if a.name == "texts" && testing.Short() {
				t.Skip("two thousand forms: whole without -short")
			}
			if a.name == "texts" {
				longtest.Gate(t)
			}
			defer func(t testing.TB) { x.t = t }(x.t)
			x.t = t
			a.do(t, x)
			if a.name != "secrets" {
				quiet(t, x.log)
			}
			for _, l := range []string{x.look, x.decide} {
				require.NotContains(t, x.log.String(), l, "a link in the log")
			}
			x.log.clear()
		})
	}
}

// hostileLinks: a link opens what it is for and nothing else, and an answer tells nobody why not.
func hostileLinks(t *testing.T, x *scene) {
	s, d, look, decide := x.stage, x.d, x.look, x.decide
	v := s.visitor()
	other := s.link(d.story, link.Own)[len(s.base)+3:]
	before := s.everything(d)

	// A look link decides nothing, in any way.
	q := s.job(d.toApprove.number).Quote()
	yes := url.Values{"verdict": {"approve"}, "digest": {q.Digest}, "option": {"A"}, "name": {"Mira Osei"}, "sum": {q.Option("A").Result.Total.String()}, "confirm": {"yes"}}
	for _, path := range []string{"/d/" + look, "/d/" + look + "/review", "/d/" + other, "/d/" + other + "/review"} {
		require.Equal(t, 403, v.post(path, yes).status, path)
	}
	require.Equal(t, 403, v.get("/d/"+look).status)
	require.Equal(t, 403, v.get("/d/"+look+"/done").status)
	require.Equal(t, 200, v.get("/j/"+decide).status, "a decide link looks, too")
	require.NotContains(t, v.get("/j/"+look).body, decide, "and a look link never leads to it")

	// Another job's link shows nothing of this one.
	for _, path := range []string{"/report/1", "/photo/1/large.jpg"} {
		mine, theirs := v.get("/j/"+look+path), v.get("/j/"+other+path)
		require.Equal(t, 200, mine.status)
		require.Equal(t, 200, theirs.status)
		require.NotEqual(t, mine.body, theirs.body)
	}
	original := s.job(d.toApprove.number).Photos[0].Original
	for _, odd := range []string{
		"/report/0", "/report/-1", "/report/99", "/report/1e0", "/report/%31", "/report/١", "/photo/0/large.jpg", "/photo/-1/large.jpg", "/photo/999/large.jpg",
		"/photo/1/original.jpg", "/photo/1/" + original + ".jpg", "/photo/" + original + "/large.jpg", "/photo/1/..%2flarge.jpg", "/photo/1/large.png",
		"/photo/99999999999999999999/large.jpg", "/../../counter/job/" + string(d.toApprove.number), "/done", "/events",
	} {
		require.Contains(t, []int{303, 400, 404}, v.get("/j/"+look+odd).status, odd)
	}

	// What is no link of ours, or of another shop, or of a job that is not there.
	key, err := link.NewKey(rand.Reader, 1)
	require.NoError(t, err)
	foreign, err := link.NewMaker(key)
	require.NoError(t, err)
	_, elsewhere, err := foreign.New(rand.Reader, "elsewhere", string(d.toApprove.number), link.Decide)
	require.NoError(t, err)
	_, samePlace, err := foreign.New(rand.Reader, "harbour", string(d.toApprove.number), link.Decide)
	require.NoError(t, err)
	_, unused, err := s.srv.service.Links.New(rand.Reader, "harbour", string(d.toApprove.number), link.Decide)
	require.NoError(t, err)
	_, otherShop, err := s.srv.service.Links.New(rand.Reader, "elsewhere", string(d.toApprove.number), link.Decide)
	require.NoError(t, err)
	guess := strings.ToLower(base32.StdEncoding.EncodeToString(make([]byte, 20)))
	flipped := []byte(decide)
	flipped[5] ^= 1
	answered := ""
	for _, bad := range []string{
		elsewhere.Text(), samePlace.Text(), unused.Text(), otherShop.Text(), guess, string(flipped), decide[:31], decide + "a", "x", decide + "%00", decide + "%20",
		strings.Repeat("a", 2000), "%ff%fe", "..", "*", "'%20OR%201=1", string(d.toApprove.number), s.job(d.toApprove.number).Links[0].ID,
	} {
		for _, kind := range []string{"/j/", "/d/"} {
			r := v.get(kind + bad)
			require.Equal(t, 404, r.status, kind+bad)
			if utf := regexp.MustCompile(`^[a-z2-7]{32}$`); utf.MatchString(bad) {
				if answered == "" {
					answered = r.body
				}
				require.Equal(t, answered, r.body, "whatever the reason, the answer is one: %s", bad)
			}
			require.NotContains(t, r.body, "Halden")
		}
		require.Contains(t, []int{404, 405}, v.post("/d/"+bad, yes).status, bad)
		require.Contains(t, []int{404, 405}, v.post("/j/"+bad+"/message", url.Values{"text": {"Hello"}}).status, bad)
	}
	require.Equal(t, before, s.everything(d), "nothing of all this changed a job")

	for _, l := range []string{other, unused.Text(), elsewhere.Text()} {
		require.NotContains(t, x.log.String(), l, "a link in the log")
	}
}

// endedLinks: a link that was taken back, and one that ran out, tell nothing.
func endedLinks(t *testing.T, x *scene) {
	s, d := x.stage, x.d
	v := s.visitor()
	other := s.link(d.story, link.Own)[len(s.base)+3:]
	require.Equal(t, 200, v.get("/j/"+other).status)
	s.do(workflow.Actor{Role: workflow.RoleOwner, ID: "owner"}, d.story.number, workflow.RevokeLinks{})
	ended := v.get("/j/" + other)
	require.Equal(t, 410, ended.status)
	require.NotContains(t, ended.body, "Stage 88")
	require.Equal(t, 410, v.post("/j/"+other+"/message", url.Values{"text": {"Hello"}}).status)
	require.Equal(t, 410, v.get("/j/"+other+"/photo/1/large.jpg").status)
	s.settle()
	s.clock.set(s.clock.now().Add(400 * 24 * time.Hour))
	for _, path := range []string{"/j/" + x.look, "/j/" + x.look + "/report/1", "/d/" + x.decide, "/d/" + x.decide + "/done", "/j/" + x.look + "/live"} {
		require.Equal(t, 410, v.get(path).status, path)
	}
	require.Equal(t, 410, v.post("/d/"+x.decide, url.Values{"verdict": {"ask"}, "words": {"Hello"}}).status)
	require.NotContains(t, x.log.String(), other, "a link in the log")
}

// findTellsNobody: whoever asks for a link, the answer is byte for byte the same, headers and all.
func findTellsNobody(t *testing.T, x *scene) {
	s, d := x.stage, x.d
	v := s.visitor()
	j := s.job(d.toApprove.number)
	other, err := workflow.NewJobNumber(rand.Reader)
	require.NoError(t, err)
	told := func(to string) (out []smtptest.Mail) {
		for _, m := range s.post.Mails() {
			if slices.Contains(m.To, to) {
				out = append(out, m)
			}
		}
		return out
	}
	before := len(told("mira@post.example"))
	var first reply
	for i, typed := range [][2]string{
		{string(j.Number), j.Customer.Email.Text}, {j.Number.Shown(), strings.ToUpper(j.Customer.Email.Text)}, {string(j.Number), "nobody@elsewhere.example"},
		{string(other), j.Customer.Email.Text}, {string(other), "nobody@elsewhere.example"}, {string(j.Number), "mira@post.example\r\nBcc: all@post.example"},
		{string(j.Number), "<script>@post.example"}, {string(d.story.number), j.Customer.Email.Text},
	} {
		r := v.post("/find", url.Values{"number": {typed[0]}, "email": {typed[1]}})
		r.header.Del("Date")
		if i == 0 {
			first = r
			require.Equal(t, 200, first.status)
			continue
		}
		require.Equal(t, first, r, "%q", typed)
	}
	require.Equal(t, "mira@post.example", j.Customer.Email.Text)
	require.Eventually(t, func() bool { // the mails are written after the answers, and others may come after them
		s.settle()
		return len(told("mira@post.example")) > before
	}, 20*time.Second, 5*time.Millisecond)
	require.Empty(t, told("nobody@elsewhere.example"))
}

// TestSignInIsLimited on the server as it is built, with its usual settings.
func TestSignInIsLimited(t *testing.T) {
	s := newStage(t)
	v := s.visitor()
	status := func(password string) int {
		return v.post("/counter/sign-in", url.Values{"login": {"owner"}, "password": {password}}).status
	}
	for range 5 {
		require.Equal(t, 403, status("not the password"))
	}
	for range 16 {
		require.Equal(t, 429, status("not the password"))
	}
	require.Equal(t, 429, status(demoPassword))
	s.clock.set(s.clock.now().Add(11 * time.Minute))
	r := v.post("/counter/sign-in", url.Values{"login": {"owner"}, "password": {demoPassword}})
	require.Equal(t, 303, r.status)
	require.Regexp(t, `^bw-staff=[A-Za-z0-9_-]{27,}; expires=[^;]+; path=/; HttpOnly; SameSite=Lax$`, r.header.Get("Set-Cookie"))
}

// bomb is a PNG of side by side pixels in one bit each, all black, that is whole and right: a decoder
// that trusts its header asks for gigabytes. side is at least 3000.
func bomb(t testing.TB, side int) []byte {
	// The picture's rows are one byte of filter and side/8 of pixels, all zero. A stretch of zeros is
	// packed once; packed again after a flush it is the same bytes, so it can be repeated.
	const stretch = 1 << 20
	zeros := make([]byte, stretch)
	var packed bytes.Buffer
	z, err := zlib.NewWriterLevel(&packed, zlib.BestSpeed)
	require.NoError(t, err)
	var cuts []int
	for range 3 {
		_, err := z.Write(zeros)
		require.NoError(t, err)
		require.NoError(t, z.Flush())
		cuts = append(cuts, packed.Len())
	}
	all := packed.Bytes()
	first, again := all[:cuts[0]], all[cuts[1]:cuts[2]]
	size := side * (1 + (side+7)/8)
	var out bytes.Buffer
	out.Write(first)
	for n := stretch; n+stretch <= size; n += stretch {
		out.Write(again)
	}
	rest := size % stretch
	for rest > 0 { // stored blocks
		n := min(rest, 65535)
		rest -= n
		out.Write([]byte{0, byte(n), byte(n >> 8), byte(^n), byte(^n >> 8)})
		out.Write(zeros[:n])
	}
	out.Write([]byte{1, 0, 0, 0xff, 0xff}) // the last block, empty
	sum := uint32(size%65521)<<16 | 1      // Adler-32 of so many zeros
	out.Write(binary.BigEndian.AppendUint32(nil, sum))

	var p bytes.Buffer
	p.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, body []byte) {
		p.Write(binary.BigEndian.AppendUint32(nil, uint32(len(body))))
		crc := crc32.NewIEEE()
		_, _ = io.MultiWriter(&p, crc).Write(append([]byte(kind), body...))
		p.Write(binary.BigEndian.AppendUint32(nil, crc.Sum32()))
	}
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, uint32(side)), uint32(side))
	chunk("IHDR", append(head, 1, 0, 0, 0, 0))
	chunk("IDAT", out.Bytes())
	chunk("IEND", nil)
	return p.Bytes()
}

// hostilePictures: what is no picture, or none that can be shown, is refused in plain words, at every
// place that takes pictures, and soon: before it is unpacked.
func hostilePictures(t *testing.T, x *scene) {
	s, d := x.stage, x.d
	small, err := png.Decode(bytes.NewReader(bomb(t, 4000)))
	require.NoError(t, err, "the bomb is a picture like any other, but for its size")
	require.Equal(t, image.Rect(0, 0, 4000, 4000), small.Bounds())

	staff := s.visitor(s.signIn()...)
	n := string(d.toApprove.number)
	page := "/counter/job/" + n + "/photos"
	forms, _ := formsOf(t, staff.get(page).body)
	csrf := forms[slices.IndexFunc(forms, func(f aForm) bool { return f.action == page })].values.Get("csrf")
	require.NotEmpty(t, csrf)
	picture, ok := demophotos.Find("compound-dried.jpg")
	require.True(t, ok)
	whole, err := picture.JPEG()
	require.NoError(t, err)
	edge := bytes.Clone(whole) // a picture whose head claims another size than its rows have
	at := bytes.Index(edge, []byte{0xff, 0xc0, 0x00, 0x11})
	if at < 0 {
		at = bytes.Index(edge, []byte{0xff, 0xc2, 0x00, 0x11})
	}
	require.Positive(t, at)
	copy(edge[at+5:], []byte{0xff, 0xff, 0xff, 0xff})
	var allocated runtime.MemStats
	runtime.ReadMemStats(&allocated)
	before, packed := allocated.TotalAlloc, bomb(t, 60000)
	t.Logf("the bomb has %d bytes", len(packed))
	require.Less(t, len(packed), 3<<20)

	pictures := map[string][]byte{
		"a bomb": packed, "nothing": {}, "one byte": {0xff}, "a head only": whole[:20], "half a picture": whole[:len(whole)/2], "an edge of 65535": edge,
		"a page": []byte("<!doctype html><script>alert(1)</script>"), "a drawing": []byte(`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`),
		"a film": []byte("GIF89a\x01\x00\x01\x00\x00\x00\x00;"), "a document": []byte("%PDF-1.7\n%\xe2\xe3"), "an archive": []byte("PK\x03\x04"),
		"a head that lies": []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\xff\xff\xff\xff\xff\xff\xff\xff\x08\x06\x00\x00\x00\x00\x00\x00\x00"),
		"a wave":           []byte("RIFF\xff\xff\xff\x7fWEBPVP8L\xff\xff\xff\x7f\x2f"), "another": []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00heicmif1\xff\xff\xff\xffmeta"),
		"too large": append(bytes.Clone(whole), make([]byte, 31<<20)...),
	}
	names := []string{"camera.jpg", "../../etc/passwd", `"><script>alert(1)</script>.png`, "a\r\nX-Evil: 1.jpg", strings.Repeat("n", 3000), "", "\xff\xfe.jpg", "con.html"}
	count := len(s.job(d.toApprove.number).Photos)
	send := func(who *visitor, path, name string, body []byte, header ...string) reply {
		var b bytes.Buffer
		m := multipart.NewWriter(&b)
		for _, f := range [][2]string{{"csrf", csrf}, {"kind", "evidence"}, {"caption", "The board"}, {"alt", "A board"}, {"once", rand.Text()}} {
			require.NoError(t, m.WriteField(f[0], f[1]))
		}
		f, err := m.CreatePart(map[string][]string{"Content-Disposition": {`form-data; name="photo"; filename="` + strings.NewReplacer("\\", "\\\\", `"`, `\"`, "\r", "%0D", "\n", "%0A").Replace(name) + `"`}, "Content-Type": {"image/jpeg"}})
		require.NoError(t, err)
		_, _ = f.Write(body)
		require.NoError(t, m.Close())
		return who.ask(http.MethodPost, path, m.FormDataContentType(), &b, header...)
	}
	program := s.visitor()
	for _, name := range names {
		r := send(staff, page, name, []byte("no picture"))
		require.Equal(t, 422, r.status, "called %q: %.500s", name, r.body)
	}
	turn := 0
	for _, what := range slices.Sorted(maps.Keys(pictures)) {
		body, name := pictures[what], names[turn%len(names)]
		turn++
		for _, r := range []reply{
			send(staff, page, name, body), send(staff, page+"/one", name, body),
			send(program, "/api/v1/jobs/"+n+"/photos", name, body, "Authorization", "Bearer "+s.tokens["bench"]),
		} {
			require.Contains(t, []int{413, 415, 422}, r.status, "%s, called %q: %.300s", what, name, r.body)
			require.NotContains(t, r.body, "goroutine", what)
			require.NotContains(t, r.body, s.data, what)
		}
		require.Len(t, s.job(d.toApprove.number).Photos, count, what)
	}
	runtime.ReadMemStats(&allocated)
	require.Less(t, allocated.TotalAlloc-before, uint64(3<<30), "other tests run beside it, but a picture of 3.6 billion pixels was unpacked")

	// A picture that is one, with something behind it, comes out without that; its name is never used.
	r := send(program, "/api/v1/jobs/"+n+"/photos", names[2], append(bytes.Clone(whole), "<script>alert(1)</script>"...), "Authorization", "Bearer "+s.tokens["bench"])
	require.Equal(t, 200, r.status, r.body)
	require.NotContains(t, r.body, "passwd")
	shown := staff.get("/counter/job/" + n + "/photo/" + strconv.Itoa(count+1) + "/large.jpg")
	require.Equal(t, 200, shown.status)
	require.Equal(t, "image/jpeg", shown.header.Get("Content-Type"))
	require.NotContains(t, shown.body, "<script")
	require.Regexp(t, `^inline; filename="photo-\d+\.jpg"$`, shown.header.Get("Content-Disposition"))
}

// bodies are what a program sends to each action, whole.
var bodies = map[string]string{
	"contents":           `{"items":[{"text":"Film scanner","device":true,"condition":"good"},{"text":"Lead"}],"serial":"Q2"}`,
	"screening":          `{"screening":{"lithium":"no","cell_damaged":"no","mains":"yes","liquid":"no","note":"Dry"}}`,
	"condition":          `{"text":"Fine"}`,
	"fault":              `{"result":"reproduced","note":"At once"}`,
	"photo-description":  `{"id":1,"kind":"evidence","caption":"Board","alt":"A board","marks":[{"kind":"ring","x":1,"y":1,"x2":2,"y2":2,"text":"here"}]}`,
	"photo-removal":      `{"id":2,"reason":"Blurred"}`,
	"suspects":           `{"text":"Lamp"}`,
	"checks":             `{"suspect":1,"check":{"text":"Measured","outcome":"confirmed","reading":"9 V"}}`,
	"findings":           `{"finding":{"text":"Worn","origin":"wear","weight":"fault","certainty":"measured","where":"board","matters":"much","reading":"9 V"},"duty":{"text":"Clean","before":"shipped"}}`,
	"finding-withdrawal": `{"id":1,"reason":"Wrong"}`,
	"duties":             `{"duty":{"text":"Clean"}}`,
	"duty-done":          `{"id":1}`,
	"duty-waiver":        `{"id":2,"reason":"Sealed"}`,
	"report":             `{"text":{"short":"It can be repaired","cause":"Lamp","certainty":"seen","proposal":"Renew","next":"Choose"}}`,
	"quote":              `{"options":[{"kind":"repair","title":"Repair","text":"All","excluded":"Lid","lines":[{"kind":"labour","text":"Bench time","quantity":"1","unit_price":"80.00","tax":"hst"}]}],"note":"As told","reason":"Changed"}`,
	"quote-withdrawal":   `{"reason":"Wrong price"}`,
	"decision":           `{"verdict":"ask","digest":"x","words":"Which lid?","name":"Mira","agent":"telephone"}`,
	"payments":           `{"amount":"10.00","how":"cash"}`,
	"hold":               `{"reason":"parts","note":"C7"}`,
	"hold-end":           `{}`,
	"promise":            `{"days":5,"reason":"Parts"}`,
	"work":               `{"text":"Renewed"}`,
	"tests":              `{"test":{"name":"Function","passed":true,"reading":"fine","note":"cold"}}`,
	"ready":              `{"note":"All well"}`,
	"packing":            `{"items":[{"item":1,"fate":"kept","note":"As agreed"}]}`,
	"shipment":           `{"in_person":true,"carrier":"Post","parcel":"RR123456785CA","serial":"Q2"}`,
	"move":               `{"to":"diagnosing","reason":"Again"}`,
	"messages":           `{"text":"Hello"}`,
	"customer":           `{"person":{"name":"Mira","email":"mira@post.example","phone":"1","address":"4 Quay Row","language":"en","time_zone":"Europe/Lisbon"},"limit":"5.00"}`,
	"link":               `{}`,
	"link-revocation":    `{}`,
	"erasure":            `{}`,
}

// retyped returns a JSON value with every text in it replaced.
func retyped(v any, with func() string) any {
	switch v := v.(type) {
	case string:
		return with()
	case []any:
		for i := range v {
			v[i] = retyped(v[i], with)
		}
	case map[string]any:
		for k := range v {
			v[k] = retyped(v[k], with)
		}
	}
	return v
}

// hostilePrograms sends every naughty text through the JSON interface: as the value of fields, of
// parameters, and of headers.
func hostilePrograms(t *testing.T, x *scene) {
	s, d := x.stage, x.d
	texts := naughty(t)
	v := s.visitor()
	auth := []string{"Authorization", "Bearer " + s.tokens["owner"]}
	next := 0
	text := func() string { next++; return texts[next%len(texts)] }
	answer := func(r reply, what string) {
		var any any
		require.NoError(t, json.Unmarshal([]byte(r.body), &any), what)
		if r.status >= 400 {
			require.Equal(t, "application/problem+json", r.header.Get("Content-Type"), what)
			require.NotRegexp(t, `goroutine|panic|\.go:\d|json: |workflow\.`, r.body, what)
		}
	}
	taken := 0
	for _, p := range d.plays[:3] {
		for _, action := range slices.Sorted(maps.Keys(bodies)) {
			if action == "erasure" || action == "move" {
				continue
			}
			for range 8 {
				var body any
				require.NoError(t, json.Unmarshal([]byte(bodies[action]), &body))
				object := body.(map[string]any)
				if next%2 == 0 { // texts only where they are free, so that they are taken in
					object = retyped(body, text).(map[string]any)
				} else {
					for _, free := range []string{"text", "note", "reason", "words", "name", "agent", "serial", "how", "carrier"} {
						if _, ok := object[free].(string); ok && action+free != "holdreason" {
							object[free] = text()
						}
					}
				}
				raw, err := json.Marshal(object)
				require.NoError(t, err)
				r := v.ask(http.MethodPost, "/api/v1/jobs/"+string(p.number)+"/"+action, "application/json", bytes.NewReader(raw), auth...)
				answer(r, action+string(raw))
				if r.status < 300 {
					taken++
				}
			}
		}
	}
	require.Greater(t, taken, 100)
	share := longtest.Share(t, 5)
	for i, text := range texts {
		e := url.QueryEscape(text)
		if len(e) > 1500 || !share(i) {
			continue // some are longer than a request's first line may be
		}
		for _, path := range []string{"/api/v1/jobs?q=" + e, "/api/v1/jobs?stage=" + e, "/api/v1/jobs?after=" + e, "/api/v1/jobs/" + url.PathEscape(text), "/api/v1/jobs/" + string(d.story.number) + "/events?after=" + e} {
			if strings.Contains(path, "/./") || strings.Contains(path, "/../") || strings.HasSuffix(path, "/.") || strings.HasSuffix(path, "/..") {
				continue
			}
			r := v.ask(http.MethodGet, path, "", nil, auth...)
			answer(r, path)
		}
	}
	for _, p := range d.plays[:6] {
		for _, rest := range []string{"", "/events", "/notices"} {
			r := v.ask(http.MethodGet, "/api/v1/jobs/"+string(p.number)+rest, "", nil, auth...)
			require.Equal(t, 200, r.status)
			answer(r, rest)
		}
		events, err := s.srv.store.Events(context.Background(), "harbour", p.number, 0)
		require.NoError(t, err)
		_, err = workflow.VerifyChain(events)
		require.NoError(t, err)
	}
	s.settle()
	s.letters(texts)
}

const (
	secretWord  = "hunter2-of-the-inside"
	secretPlace = "db.inside.example"
)

// broken is a store that can be told to fail: with the keys, without them, or only where more than the
// job itself is wanted.
type broken struct {
	workflow.Store
	how atomic.Int32
}

const (
	sound_ int32 = iota
	lateFails
	jobsFail
	allFails
)

func (b *broken) fails(from int32) error {
	if b.how.Load() >= from {
		return errors.New("dial " + secretPlace + ": password " + secretWord + " refused")
	}
	return nil
}

func guarded[T any](b *broken, from int32, f func() (T, error)) (T, error) {
	if err := b.fails(from); err != nil {
		var none T
		return none, err
	}
	return f()
}

func (b *broken) Commit(ctx context.Context, c *workflow.Commit) error {
	if err := b.fails(lateFails); err != nil {
		return err
	}
	return b.Store.Commit(ctx, c)
}

func (b *broken) Done(ctx context.Context, shop workflow.ShopID, key string) (workflow.Once, error) {
	return guarded(b, jobsFail, func() (workflow.Once, error) { return b.Store.Done(ctx, shop, key) })
}

func (b *broken) Job(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (*workflow.Job, error) {
	return guarded(b, jobsFail, func() (*workflow.Job, error) { return b.Store.Job(ctx, shop, n) })
}

func (b *broken) Version(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) (int64, error) {
	return guarded(b, jobsFail, func() (int64, error) { return b.Store.Version(ctx, shop, n) })
}

func (b *broken) Link(ctx context.Context, shop workflow.ShopID, h link.Hash) (workflow.LinkRow, error) {
	return guarded(b, jobsFail, func() (workflow.LinkRow, error) { return b.Store.Link(ctx, shop, h) })
}

func (b *broken) Events(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber, after int64) ([]*workflow.Event, error) {
	return guarded(b, lateFails, func() ([]*workflow.Event, error) { return b.Store.Events(ctx, shop, n, after) })
}

func (b *broken) Board(ctx context.Context, shop workflow.ShopID, f workflow.BoardFilter) ([]workflow.Row, error) {
	return guarded(b, lateFails, func() ([]workflow.Row, error) { return b.Store.Board(ctx, shop, f) })
}

func (b *broken) Search(ctx context.Context, shop workflow.ShopID, q string, limit int) ([]workflow.Row, error) {
	return guarded(b, lateFails, func() ([]workflow.Row, error) { return b.Store.Search(ctx, shop, q, limit) })
}

func (b *broken) Counts(ctx context.Context, shop workflow.ShopID) (map[workflow.Stage]int, error) {
	return guarded(b, lateFails, func() (map[workflow.Stage]int, error) { return b.Store.Counts(ctx, shop) })
}

func (b *broken) Courses(ctx context.Context, shop workflow.ShopID, after *workflow.Course, limit int) ([]workflow.Course, error) {
	return guarded(b, lateFails, func() ([]workflow.Course, error) { return b.Store.Courses(ctx, shop, after, limit) })
}

func (b *broken) NextWake(ctx context.Context, shop workflow.ShopID) (time.Time, error) {
	return guarded(b, lateFails, func() (time.Time, error) { return b.Store.NextWake(ctx, shop) })
}

func (b *broken) Entries(ctx context.Context, shop workflow.ShopID, n workflow.JobNumber) ([]workflow.Entry, error) {
	return guarded(b, lateFails, func() ([]workflow.Entry, error) { return b.Store.Entries(ctx, shop, n) })
}

func (b *broken) EntriesIn(ctx context.Context, shop workflow.ShopID, state workflow.EntryState, limit int) ([]workflow.Entry, error) {
	return guarded(b, lateFails, func() ([]workflow.Entry, error) { return b.Store.EntriesIn(ctx, shop, state, limit) })
}

func (b *broken) CountKey(ctx context.Context, shop workflow.ShopID, bucket, key string, now, until time.Time) (int64, error) {
	return guarded(b, lateFails, func() (int64, error) { return b.Store.CountKey(ctx, shop, bucket, key, now, until) })
}

func (b *broken) GetKey(ctx context.Context, shop workflow.ShopID, bucket, key string, now time.Time) ([]byte, error) {
	return guarded(b, allFails, func() ([]byte, error) { return b.Store.GetKey(ctx, shop, bucket, key, now) })
}

func (b *broken) PutKey(ctx context.Context, shop workflow.ShopID, bucket, key string, value []byte, until time.Time) error {
	if err := b.fails(lateFails); err != nil {
		return err
	}
	return b.Store.PutKey(ctx, shop, bucket, key, value, until)
}

// route is one that the server answers on, with an address to try it at.
type aRoute struct{ method, pattern, path string }

// routes returns every route of the running server, with the job and links of the quote that waits.
func (s *stage) routes(d *demo) []aRoute {
	s.t.Helper()
	token := func(p link.Purpose) string { return s.link(d.toApprove, p)[len(s.base)+3:] }
	look, decide := token(link.Own), token(link.Decide)
	var out []aRoute
	for _, r := range s.portals[0].portal.App().GetRoutes(true) {
		t := look
		if strings.HasPrefix(r.Path, "/d/") {
			t = decide
		}
		path := strings.NewReplacer(":number", string(d.toApprove.number), ":token", t, ":id", "1", ":n", "1", ":size", "large", ":to", "diagnosing", ":form", "quote", ":table", "promises", ":secret", "unknown", ":lang", "en", "*", "base.css").Replace(r.Path)
		require.NotContains(s.t, path, ":", "a parameter that this test does not know: %s", r.Path)
		x := aRoute{r.Method, r.Path, path}
		if !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	require.Greater(s.t, len(out), 120)
	return out
}

// secretsStayInside has everything behind the pages fail with a secret in the cause, and looks for
// it in the answer of every route.
func secretsStayInside(t *testing.T, x *scene) {
	s, d, b := x.stage, x.d, x.store
	cookies := s.signIn()
	staff := s.visitor(cookies...)
	forms, _ := formsOf(t, staff.get("/counter/job/"+string(d.toApprove.number)+"/letters").body)
	csrf := forms[0].values.Get("csrf")
	require.NotEmpty(t, csrf)
	routes := s.routes(d)
	q := s.job(d.toApprove.number).Quote()
	client := &http.Client{Timeout: 30 * time.Second, CheckRedirect: staff.client.CheckRedirect}
	for _, how := range []int32{lateFails, jobsFail, allFails} {
		b.how.Store(how)
		failed := 0
		for _, r := range routes {
			if r.method == http.MethodHead || r.pattern == "/j/:token/live" && how == lateFails || r.pattern == "/counter/sign-out" {
				continue
			}
			form := url.Values{
				"csrf": {csrf}, "login": {"owner"}, "password": {demoPassword}, "number": {string(d.toApprove.number)}, "email": {"mira@post.example"},
				"kind": {"radio"}, "fault": {"It hums"}, "name": {"Mira Osei"}, "text": {"Hello"}, "verdict": {"approve"}, "digest": {q.Digest}, "option": {"A"}, "sum": {q.Option("A").Result.Total.String()}, "confirm": {"yes"},
				"reason": {"Why not"}, "amount": {"5.00"}, "how": {"cash"}, "days": {"5"}, "id": {"1"}, "once": {rand.Text()},
			}
			body, kind := form.Encode(), "application/x-www-form-urlencoded"
			if strings.HasPrefix(r.path, "/api/") {
				body, kind = bodies[r.path[strings.LastIndexByte(r.path, '/')+1:]], "application/json"
				if strings.HasSuffix(r.path, "/jobs") {
					body = `{"person":{"name":"Mira","email":"mira@post.example"},"kind":"radio","fault":"It hums"}`
				}
			}
			req, err := http.NewRequest(r.method, s.base+r.path, strings.NewReader(body))
			require.NoError(t, err)
			if r.method == http.MethodGet {
				req.Body, req.ContentLength = nil, 0
			}
			req.Header.Set("Content-Type", kind)
			req.Header.Set("Authorization", "Bearer "+s.tokens["owner"])
			for _, c := range cookies {
				if r.pattern != "/counter/sign-in" { // which would end the session before
					req.AddCookie(c)
				}
			}
			resp, err := client.Do(req)
			require.NoError(t, err, r.path)
			page, err := io.ReadAll(resp.Body)
			require.NoError(t, err, r.path)
			require.NoError(t, resp.Body.Close())
			all := fmt.Sprint(resp.Header) + string(page)
			for _, secret := range []string{secretWord, secretPlace, s.data, ".go:", "goroutine"} {
				require.NotContains(t, all, secret, "%s %s, %d", r.method, r.pattern, resp.StatusCode)
			}
			if resp.StatusCode >= 500 {
				failed++
				require.Contains(t, []int{500, 503}, resp.StatusCode)
				if strings.HasPrefix(r.path, "/api/") {
					require.Equal(t, "application/problem+json", resp.Header.Get("Content-Type"), r.path)
				}
			} else if how == jobsFail && strings.Contains(r.pattern, ":number") && r.method == http.MethodGet {
				t.Fatalf("%s answers %d although no job can be read", r.pattern, resp.StatusCode)
			}
		}
		t.Logf("mode %d: %d of %d routes failed, and told nothing", how, failed, len(routes))
		require.Greater(t, failed, map[int32]int{lateFails: 10, jobsFail: 80, allFails: 80}[how])
	}
	b.how.Store(sound_)
	require.Contains(t, x.log.String(), secretWord, "the log has the cause")
}

// public are the routes that anybody may use; a new one has to be put here on purpose.
var public = []string{
	"GET /", "GET /assets/*", "GET /robots.txt", "GET /look/logo", "GET /look/style.css", "GET /healthz", "GET /readyz", "GET /livez", "GET /packing", "GET /book", "POST /book", "GET /find", "POST /find",
	"GET /j/:token", "GET /j/:token/", "GET /j/:token/booked", "GET /j/:token/date.ics", "GET /j/:token/feed", "GET /j/:token/live", "GET /j/:token/report/:n", "GET /j/:token/report/:n.pdf", "GET /j/:token/notices", "POST /j/:token/notices", "GET /j/:token/photo/:id/:size.jpg", "POST /j/:token/message", "POST /j/:token/push", "GET /j/:token/share", "POST /j/:token/share", "POST /j/:token/ask", "GET /push-worker.js",
	"GET /j/:token/details", "POST /j/:token/details", "POST /j/:token/arrival", "GET /confirm/:token/", "POST /confirm/:token/", "GET /data/:token/", "GET /data/:token/file.zip",
	"GET /d/:token/", "POST /d/:token/review", "POST /d/:token/", "GET /d/:token/done", "GET /d/:token/:form.pdf", "POST /d/:token/undo", "GET /c/:token/", "POST /c/:token/",
	"GET /counter/sign-in", "POST /counter/sign-in", "POST /counter/sign-in/passkey/options", "POST /counter/sign-in/passkey", "GET /counter/phone/:secret", "POST /counter/phone/:secret", "GET /counter/sign-in/second", "POST /counter/sign-in/second", "GET /counter/welcome/:secret", "POST /counter/welcome/:secret", "GET /api/v1/openapi.json", "GET /api/v1/problems",
}

// everyRoute walks the routes: each is either public by the list above or refuses whoever is not
// signed in, and a role that may not; and whoever is, a GET or HEAD changes nothing that is stored.
func everyRoute(t *testing.T, x *scene) {
	s, d := x.stage, x.d
	routes := s.routes(d)
	nobody, owner := s.visitor(), s.visitor(s.signIn()...)
	before := s.stored()
	require.NotEmpty(t, before)
	closed := 0
	for _, r := range routes {
		name := strings.Replace(r.method, http.MethodHead, http.MethodGet, 1) + " " + r.pattern
		if slices.Contains(public, name) {
			continue
		}
		closed++
		answer := nobody.ask(r.method, r.path, "application/json", strings.NewReader("{}"))
		switch {
		case strings.HasPrefix(r.path, "/api/"), r.method == http.MethodPost, r.method == http.MethodHead:
			require.Equal(t, 401, answer.status, "%s %s", r.method, r.pattern)
		default:
			require.Equal(t, 303, answer.status, "%s %s", r.method, r.pattern)
			require.Equal(t, "/counter/sign-in", answer.header.Get("Location"), r.pattern)
		}
		if r.method != http.MethodHead {
			require.NotContains(t, answer.body, "Halden", r.pattern)
		}
		if strings.HasPrefix(r.path, "/api/") { // a session is no token
			require.Equal(t, 401, owner.ask(r.method, r.path, "application/json", strings.NewReader("{}")).status, r.pattern)
		} else if r.method == http.MethodPost { // a session without its form is none
			require.Equal(t, 403, owner.ask(r.method, r.path, "application/x-www-form-urlencoded", strings.NewReader("text=x")).status, r.pattern)
		}
	}
	require.Greater(t, closed, 100)
	for _, p := range public {
		require.True(t, slices.ContainsFunc(routes, func(r aRoute) bool { return r.method+" "+r.pattern == p }), "%s is no route", p)
	}
	require.Equal(t, before, s.stored(), "somebody who is not signed in has changed something")

	got := 0
	for _, r := range routes {
		if r.method != http.MethodGet && r.method != http.MethodHead || r.pattern == "/j/:token/live" && r.method == http.MethodGet {
			continue // a live page never ends
		}
		for _, v := range []*visitor{nobody, owner} {
			for _, query := range []string{"", "?v=1&q=a&stage=booked&ended=true&verdict=approve&confirm=yes&text=x&name=x&csrf=x"} {
				v.ask(r.method, r.path+query, "", nil, "Authorization", "Bearer "+s.tokens["owner"])
				got++
			}
		}
	}
	t.Logf("%d closed routes, %d GETs and HEADs", closed, got)
	require.Equal(t, before, s.stored(), "a GET has changed something")
	for _, r := range routes { // what no route is for
		if r.method == http.MethodGet && r.pattern != "/j/:token/live" {
			for _, m := range []string{http.MethodPut, http.MethodDelete, http.MethodPatch} {
				require.GreaterOrEqual(t, owner.ask(m, r.path, "", strings.NewReader("")).status, 400, "%s %s", m, r.pattern)
			}
		}
	}
	require.Equal(t, before, s.stored())

	// What a role may not do is refused for the form and for the program alike.
	for _, action := range []string{"report", "quote", "quote-withdrawal", "decision", "payments", "promise", "messages", "customer", "link", "link-revocation", "erasure", "ready", "duty-waiver"} {
		r := nobody.ask(http.MethodPost, "/api/v1/jobs/"+string(d.toApprove.number)+"/"+action, "application/json", strings.NewReader(bodies[action]), "Authorization", "Bearer "+s.tokens["bench"])
		require.Equal(t, 403, r.status, "%s: %s", action, r.body)
	}
	require.Equal(t, 403, nobody.ask(http.MethodPost, "/api/v1/jobs/"+string(d.toApprove.number)+"/erasure", "application/json", strings.NewReader("{}"), "Authorization", "Bearer "+s.tokens["counter"]).status)
	require.Equal(t, before, s.stored())
}

// stored returns all that the database holds, but for when sessions were last seen.
func (s *stage) stored() map[string]string {
	s.t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(s.data, "benchword.db")+"?mode=ro")
	require.NoError(s.t, err)
	defer db.Close()
	out := map[string]string{}
	for _, table := range []string{"jobs", "stages", "events", "vault", "links", "outbox", "once", "keys WHERE bucket NOT IN ('session', 'watch')"} {
		rows, err := db.Query("SELECT * FROM " + table + " ORDER BY 1, 2, 3")
		if err != nil && strings.Contains(err.Error(), "3rd ORDER BY") {
			rows, err = db.Query("SELECT * FROM " + table + " ORDER BY 1, 2")
		}
		require.NoError(s.t, err, table)
		columns, err := rows.Columns()
		require.NoError(s.t, err)
		h, n := sha256.New(), 0
		for rows.Next() {
			row := make([]any, len(columns))
			for i := range row {
				row[i] = new(any)
			}
			require.NoError(s.t, rows.Scan(row...))
			for _, c := range row {
				fmt.Fprintf(h, "%v\x00", *c.(*any))
			}
			n++
		}
		require.NoError(s.t, rows.Err())
		require.NoError(s.t, rows.Close())
		out[table] = fmt.Sprintf("%d rows %x", n, h.Sum(nil)[:8])
	}
	return out
}
