package api

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/portal"
	"benchword/portal/portaltest"
	"benchword/templates"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/longtest"
	"benchword/workflow/store/memory"
	"benchword/workflow/store/sqlite"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/stretchr/testify/require"
)

// desk is the interface over a store, with a clock that only moves when told to. Every answer is held to
// the document, and every request that was not meant to be refused.
type desk struct {
	t      testing.TB
	s      *portal.Server
	svc    *workflow.Service
	log    *bytes.Buffer
	tokens map[workflow.Role]string

	mu  sync.Mutex
	now time.Time
	n   workflow.JobNumber
	// seen are the statuses that each operation ("POST /jobs/{number}/hold") has answered with.
	seen map[string][]int
}

var roles = []workflow.Role{workflow.RoleBench, workflow.RoleCounter, workflow.RoleOwner}

func newDesk(t testing.TB) *desk { return newDeskOn(t, memory.New()) }

func onSQLite(t testing.TB) *desk {
	store, err := sqlite.Open(context.Background(), t.TempDir())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close()) })
	return newDeskOn(t, store)
}

func newDeskOn(t testing.TB, store workflow.Store) *desk {
	d := &desk{t: t, log: &bytes.Buffer{}, tokens: map[workflow.Role]string{}, now: time.Date(2026, 11, 16, 14, 0, 0, 0, time.UTC), seen: map[string][]int{}}
	d.svc = portaltest.Service(t, store, d.clock, &locked{to: d.log}, "mon tue thu", "09:00-17:00")
	d.svc.Shop.UndoFor = 30 * time.Minute
	blobs, err := evidence.OpenDir(t.TempDir())
	require.NoError(t, err)
	set, err := templates.Load()
	require.NoError(t, err)
	d.s, err = portal.New(portal.Config{Service: d.svc, Photos: evidence.NewDesk(blobs), Templates: set, Log: d.svc.Log})
	require.NoError(t, err)
	d.svc.Committed = func(j *workflow.Job, _ int) { d.s.Committed(j) }
	Mount(d.s)
	for _, r := range roles {
		d.tokens[r], err = portal.AddToken(context.Background(), d.svc, "program of "+string(r), r, time.Time{})
		require.NoError(t, err)
	}
	return d
}

// locked lets many write.
type locked struct {
	mu sync.Mutex
	to io.Writer
}

func (l *locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.to.Write(p)
}

func (d *desk) clock() time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.now
}

func (d *desk) wait(f time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.now = d.now.Add(f)
}

// openapi is the document as a tool that nobody here wrote reads it.
var openapi = sync.OnceValues(func() (*openapi3.T, error) {
	text, err := Document()
	if err != nil {
		return nil, err
	}
	return openapi3.NewLoader().LoadFromData(text)
})

// held checks a request, an answer or both against the document.
func held(method, path string, r *http.Request, resp *http.Response, body []byte) error {
	doc, err := openapi()
	if err != nil {
		return err
	}
	item := doc.Paths.Value(operation(path))
	in := &openapi3filter.RequestValidationInput{
		Request: r, PathParams: map[string]string{},
		Route: &routers.Route{Spec: doc, Path: operation(path), PathItem: item, Method: method, Operation: item.Operations()[method]},
		Options: &openapi3filter.Options{
			MultiError: true, IncludeResponseStatus: true, RejectWhenRequestBodyNotSpecified: true, ExcludeReadOnlyValidations: true,
			AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, SchemaValidationOptions: []openapi3.SchemaValidationOption{openapi3.EnableFormatValidation()},
		},
	}
	if parts := strings.Split(path, "/"); len(parts) > 2 {
		in.PathParams["number"] = parts[2]
	}
	if resp == nil {
		return openapi3filter.ValidateRequest(context.Background(), in)
	}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: resp.StatusCode, Header: resp.Header, Options: in.Options}
	return openapi3filter.ValidateResponse(context.Background(), out.SetBodyBytes(body))
}

// got is an answer.
type got struct {
	*http.Response
	body string
}

func (g got) problem(t testing.TB) portal.Problem {
	t.Helper()
	require.Equal(t, "application/problem+json", g.Header.Get("Content-Type"), g.body)
	var p portal.Problem
	d := json.NewDecoder(strings.NewReader(g.body))
	d.DisallowUnknownFields()
	require.NoError(t, d.Decode(&p))
	require.Equal(t, g.StatusCode, p.Status)
	require.NotEmpty(t, p.Title)
	require.Regexp(t, `[.!?]$`, p.Detail, "a sentence")
	require.NotRegexp(t, `json:|workflow\.|money\.|portal\.|\bapi\.|Go |0x[0-9a-f]`, p.Detail, "no word of our workshop")
	require.Regexp(t, `^/api/v1/problems#(invalid|refused|conflict|not_found|forbidden|gone|internal|http)$`, p.Type)
	return p
}

// ask sends a request as a program would; header holds names and values by turns.
func (d *desk) ask(method, path string, body []byte, header ...string) got {
	d.t.Helper()
	make := func() *http.Request {
		r := httptest.NewRequest(method, "http://desk.example/api/v1"+path, bytes.NewReader(body))
		r.RequestURI = r.URL.RequestURI() // so that the host is sent as a header
		for i := 0; i+1 < len(header); i += 2 {
			r.Header.Set(header[i], header[i+1])
		}
		return r
	}
	resp, err := d.s.App().Test(make(), -1)
	require.NoError(d.t, err)
	b, err := io.ReadAll(resp.Body)
	require.NoError(d.t, err)
	d.mu.Lock()
	defer d.mu.Unlock()
	if operation(path) == "" {
		return got{resp, string(b)}
	}
	name := method + " " + operation(path)
	d.seen[name] = append(d.seen[name], resp.StatusCode)
	// The schemas are compiled anew for each answer: at a desk the first of a kind is held to them, then one in ten.
	alike := 0
	for _, status := range d.seen[name] {
		if status == resp.StatusCode {
			alike++
		}
	}
	if !longtest.Whole() && alike > 1 && alike%10 != 0 {
		return got{resp, string(b)}
	}
	require.NoError(d.t, held(method, path, make(), resp, b), "%s answers %d otherwise than the document says: %s", name, resp.StatusCode, b)
	if resp.StatusCode < 300 || resp.StatusCode == 412 {
		require.NoError(d.t, held(method, path, make(), nil, nil), "%s took what the document does not allow: %s", name, body)
	}
	return got{resp, string(b)}
}

// operation returns the path as the document writes it, "" for one that it does not have.
func operation(path string) string {
	path, _, _ = strings.Cut(path, "?")
	switch parts := strings.Split(strings.TrimPrefix(path, "/"), "/"); {
	case path == "/openapi.json", path == "/problems":
		return path
	case parts[0] != "jobs":
		return ""
	case len(parts) == 1:
		return "/jobs"
	case len(parts) == 2:
		return "/jobs/{number}"
	case len(parts) == 3:
		return "/jobs/{number}/" + parts[2]
	}
	return ""
}

func (d *desk) as(r workflow.Role) []string {
	return []string{"Authorization", "Bearer " + d.tokens[r]}
}

// post takes an action on the job in hand; an empty one begins a job.
func (d *desk) post(r workflow.Role, action, body string, header ...string) got {
	d.t.Helper()
	path := "/jobs"
	if action != "" {
		path += "/" + string(d.n) + "/" + action
	}
	return d.ask(http.MethodPost, path, []byte(body), append(append(d.as(r), "Content-Type", "application/json"), header...)...)
}

// done takes an action that must succeed, and returns the job.
func (d *desk) done(r workflow.Role, action, body string, header ...string) *Job {
	d.t.Helper()
	d.wait(time.Minute)
	g := d.post(r, action, body, header...)
	require.Less(d.t, g.StatusCode, 300, "%s %s: %.500s", action, body, g.body)
	j := g.job(d.t)
	d.n = j.Number
	return j
}

func (g got) job(t testing.TB) *Job {
	t.Helper()
	var j Job
	require.NoError(t, json.Unmarshal([]byte(g.body), &j), g.body)
	return &j
}

// refused takes an action that must be refused with a status, and returns the problem.
func (d *desk) refused(status int, r workflow.Role, action, body string, header ...string) portal.Problem {
	d.t.Helper()
	g := d.post(r, action, body, header...)
	require.Equal(d.t, status, g.StatusCode, "%s %s: %.500s", action, body, g.body)
	return g.problem(d.t)
}

func (d *desk) get(path string) got {
	d.t.Helper()
	return d.ask(http.MethodGet, path, nil, d.as(workflow.RoleBench)...)
}

// photo sends a picture with its words.
func (d *desk) photo(picture []byte, fields url.Values, header ...string) got {
	d.t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for name, values := range fields {
		for _, v := range values {
			require.NoError(d.t, m.WriteField(name, v))
		}
	}
	if picture != nil {
		f, err := m.CreateFormFile("photo", "camera.jpg")
		require.NoError(d.t, err)
		_, _ = f.Write(picture)
	}
	require.NoError(d.t, m.Close())
	return d.ask(http.MethodPost, "/jobs/"+string(d.n)+"/photos", b.Bytes(), append(append(d.as(workflow.RoleBench), "Content-Type", m.FormDataContentType()), header...)...)
}

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

const booking = `{"person":{"name":"Mira Osei","email":"mira@post.example","address":"4 Quay Row"},"kind":"film scanner","maker":"Halden","model":"F2","fault":"Hums, then stops.","limit":"40.00"}`

// booked begins a job.
func (d *desk) booked() *Job {
	d.t.Helper()
	return d.done(workflow.RoleCounter, "", booking)
}
