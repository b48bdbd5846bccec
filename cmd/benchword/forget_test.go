package main

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"compress/zlib"
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"io/fs"
	"maps"
	"mime/quotedprintable"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"benchword/notify/smtptest"
	"benchword/workflow"
	"benchword/workflow/evidence/bucket/buckettest"
	"benchword/workflow/link"
	"benchword/workflow/store/redis/redistest"

	driver "github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"
)

// aboutDevice are the texts that outlast the person: what was written about the device.
var aboutDevice = []string{"zqfinding", "zqwork", "zqshort", "zqoption", "zqline", "zqitem", "zqmaker"}

// search looks for planted texts in bytes of every form that a shop leaves behind. It takes each form apart, and
// fails on one that it does not know.
type search struct {
	t     testing.TB
	found map[string]string // text: where it was met first
}

func newSearch(t testing.TB) *search { return &search{t, map[string]string{}} }

func (s *search) raw(where string, b []byte) {
	b = bytes.ToLower(b)
	for _, text := range slices.Concat(allPlanted, aboutDevice) {
		if s.found[text] == "" && bytes.Contains(b, []byte(text)) {
			s.found[text] = where
		}
	}
}

func (s *search) bytes(where string, b []byte) {
	s.raw(where, b)
	inner := func(kind string, r io.Reader, err error) {
		var b []byte
		if err == nil {
			b, err = io.ReadAll(r)
		}
		require.NoError(s.t, err, "%s, %s", where, kind)
		s.bytes(where+" "+kind, b)
	}
	switch {
	case bytes.HasPrefix(b, []byte("PK\x03\x04")):
		z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
		require.NoError(s.t, err, where)
		for _, f := range z.File {
			r, err := f.Open()
			inner(f.Name, r, err)
		}
	case bytes.HasPrefix(b, []byte{0x1f, 0x8b}):
		r, err := gzip.NewReader(bytes.NewReader(b))
		inner("gzip", r, err)
	case bytes.HasPrefix(b, []byte("%PDF-")):
		s.pdf(where, b)
	case bytes.HasPrefix(b, []byte{0xff, 0xd8, 0xff}): // a JPEG has its texts in clear
	case json.Valid(b) && len(b) > 0 && strings.ContainsRune(`{["`, rune(b[0])):
		var v any
		require.NoError(s.t, json.Unmarshal(b, &v))
		s.value(where, v)
	case utf8.Valid(b):
		s.text(where, b)
	case len(b) <= 64: // a digest, salt or key: nothing typed fits into so little in another form
	default:
		// What Redis keeps of jobs that ended long ago, and nothing else, is a bare deflate stream.
		unpacked, err := io.ReadAll(flate.NewReader(bytes.NewReader(b)))
		require.NoError(s.t, err, "%s holds %d bytes of a form that this test does not know: %.40q", where, len(b), b)
		s.raw(where+" deflated", unpacked)
	}
}

// pdfStream finds the streams of a PDF with what is said of each.
var pdfStream = regexp.MustCompile(`(?s)<<((?:[^<>]|<[^<>]*>|<<(?:[^<>]|<[^<>]*>)*>>)*)>>\s*stream\r?\n`)

// pdf looks into every stream of a PDF: what is packed is unpacked, and what it can't unpack is a failure.
func (s *search) pdf(where string, b []byte) {
	found := 0
	for rest := b; ; {
		at := pdfStream.FindSubmatchIndex(rest)
		if at == nil {
			break
		}
		found++
		about := string(rest[at[2]:at[3]])
		stream, next, ok := bytes.Cut(rest[at[1]:], []byte("endstream"))
		require.True(s.t, ok, "%s: a stream without an end: %s", where, about)
		filters := regexp.MustCompile(`/(\w+Decode)\b`).FindAllStringSubmatch(about, -1)
		switch {
		case len(filters) == 0:
			s.raw(where+" PDF stream", stream)
		case len(filters) == 1 && filters[0][1] == "FlateDecode":
			r, err := zlib.NewReader(bytes.NewReader(stream))
			require.NoError(s.t, err, "%s: %s", where, about)
			unpacked, err := io.ReadAll(r)
			require.NoError(s.t, err, "%s: %s", where, about)
			s.raw(where+" PDF stream", unpacked)
		case len(filters) == 1 && filters[0][1] == "DCTDecode": // a JPEG has its texts in clear
			s.raw(where+" PDF picture", stream)
		default:
			require.Fail(s.t, "a PDF stream is packed in a way that this test does not know", "%s: %s", where, about)
		}
		rest = next
	}
	require.Equal(s.t, bytes.Count(b, []byte("endstream")), found, "%s: some streams were not looked into", where)
}

// mute is a TB that notes a failure of the search and goes on to the end of its goroutine.
type mute struct {
	testing.TB
	failed bool
}

func (m *mute) Errorf(string, ...any) { m.failed = true }
func (m *mute) FailNow()              { m.failed = true; runtime.Goexit() }

// The search finds a text in every form that a shop leaves behind, and fails on one that it can't take apart.
func TestTheSearchTakesEverythingApart(t *testing.T) {
	said := []byte("about zqname and others")
	gz, fl, zl, zp := new(bytes.Buffer), new(bytes.Buffer), new(bytes.Buffer), new(bytes.Buffer)
	g := gzip.NewWriter(gz)
	f, err := flate.NewWriter(fl, flate.BestCompression)
	require.NoError(t, err)
	z, p := zlib.NewWriter(zl), zip.NewWriter(zp)
	member, err := p.Create("a.txt")
	require.NoError(t, err)
	for _, w := range []io.Writer{g, f, z, member} {
		_, err := w.Write(said)
		require.NoError(t, err)
	}
	for _, c := range []io.Closer{g, f, z, p} {
		require.NoError(t, c.Close())
	}
	pdf := func(about string, stream []byte) []byte {
		return slices.Concat([]byte("%PDF-1.7\n1 0 obj\n<< "+about+" /Length 9 >>\nstream\n"), stream, []byte("\nendstream\nendobj\n%%EOF"))
	}
	look := func(b []byte) (found, failed bool) {
		m := &mute{TB: t}
		s, done := newSearch(m), make(chan struct{})
		go func() {
			defer close(done)
			s.bytes("here", b)
		}()
		<-done
		return s.found["zqname"] != "", m.failed
	}
	for name, b := range map[string][]byte{
		"text": said, "gzip": gz.Bytes(), "deflate": append(fl.Bytes(), make([]byte, 64)...), "zip": zp.Bytes(), "JSON": []byte(`{"a":["about \u007aqname"]}`),
		"base64": []byte("Content: " + base64.StdEncoding.EncodeToString(slices.Concat(said, said, said))), "quoted": []byte("about zq=\r\nname"),
		"PDF": pdf("/Filter /FlateDecode", zl.Bytes()), "PDF in clear": pdf("/Type /Metadata", said), "gzip in gzip": packTwice(t, gz.Bytes()),
	} {
		found, failed := look(b)
		require.True(t, found && !failed, "%s: found %v, failed %v", name, found, failed)
	}
	for name, b := range map[string][]byte{
		"a PDF stream that does not inflate": pdf("/Filter /FlateDecode", []byte("\x78\x9cno zlib at all")), "a PDF stream of another kind": pdf("/Filter /LZWDecode", said),
		"a zip that is cut": zp.Bytes()[:len(zp.Bytes())-30], "gzip that is cut": gz.Bytes()[:len(gz.Bytes())-9], "brotli": append([]byte{0x8b, 0x0c, 0x80, 0xff, 0xfe}, make([]byte, 80)...),
	} {
		_, failed := look(b)
		require.True(t, failed, "%s was passed by", name)
	}
}

func packTwice(t *testing.T, b []byte) []byte {
	var out bytes.Buffer
	g := gzip.NewWriter(&out)
	_, err := g.Write(b)
	require.NoError(t, err)
	require.NoError(t, g.Close())
	return out.Bytes()
}

func (s *search) value(where string, v any) {
	switch v := v.(type) {
	case string:
		s.text(where, []byte(v))
	case []any:
		for _, x := range v {
			s.value(where, x)
		}
	case map[string]any:
		for k, x := range v {
			s.value(where+"."+k, x)
		}
	}
}

var encoded = regexp.MustCompile(`[A-Za-z0-9+/_\-\r\n]{40,}={0,2}`)

// text looks into a text: as it is, as quoted-printable, and into what is base64 in it.
func (s *search) text(where string, b []byte) {
	s.raw(where, b)
	if q, err := io.ReadAll(quotedprintable.NewReader(bytes.NewReader(b))); err == nil {
		s.raw(where+" quoted-printable", q)
	}
	for _, m := range encoded.FindAll(b, -1) {
		m = bytes.ReplaceAll(bytes.ReplaceAll(m, []byte("\n"), nil), []byte("\r"), nil)
		for _, e := range []*base64.Encoding{base64.RawStdEncoding, base64.RawURLEncoding} {
			if raw, err := e.DecodeString(strings.TrimRight(string(m), "=")); err == nil {
				s.raw(where+" base64", raw)
			}
		}
	}
}

// folder looks through every file below a folder.
func (s *search) folder(dir string) {
	require.NoError(s.t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		switch {
		case bytes.HasPrefix(b, []byte("SQLite format 3\x00")):
			s.raw(path, b)
			s.database(path)
		case strings.HasSuffix(path, "-wal"), strings.HasSuffix(path, "-shm"): // pages as they are in the database
			s.raw(path, b)
		default:
			s.bytes(path, b)
		}
		return nil
	}))
}

// database looks at every value of every table, and at every term of the full-text index.
func (s *search) database(path string) {
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	require.NoError(s.t, err)
	defer db.Close()
	db.SetMaxOpenConns(1)
	names := s.column(db, "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'search%'")
	require.NotEmpty(s.t, names)
	for _, table := range names {
		rows, err := db.Query("SELECT * FROM " + string(table))
		require.NoError(s.t, err)
		cols, err := rows.Columns()
		require.NoError(s.t, err)
		for rows.Next() {
			values, into := make([]sql.RawBytes, len(cols)), make([]any, len(cols))
			for i := range values {
				into[i] = &values[i]
			}
			require.NoError(s.t, rows.Scan(into...))
			for i, v := range values {
				s.bytes(filepath.Base(path)+" "+string(table)+"."+cols[i], v)
			}
		}
		require.NoError(s.t, rows.Err())
		require.NoError(s.t, rows.Close())
	}
	_, err = db.Exec("CREATE VIRTUAL TABLE temp.terms USING fts5vocab(main, search, row)")
	require.NoError(s.t, err)
	for _, term := range s.column(db, "SELECT term FROM terms") {
		s.raw(filepath.Base(path)+" search", term)
	}
}

func (s *search) column(db *sql.DB, query string) (out [][]byte) {
	rows, err := db.Query(query)
	require.NoError(s.t, err)
	defer rows.Close()
	for rows.Next() {
		var b []byte
		require.NoError(s.t, rows.Scan(&b))
		out = append(out, b)
	}
	require.NoError(s.t, rows.Err())
	return out
}

// redis looks at every key of a server, whatever its type.
func (s *search) redis(c driver.UniversalClient) {
	ctx := context.Background()
	keys, err := c.Keys(ctx, "*").Result()
	require.NoError(s.t, err)
	require.NotEmpty(s.t, keys)
	for _, k := range keys {
		s.bytes("a key", []byte(k))
		kind, err := c.Type(ctx, k).Result()
		require.NoError(s.t, err)
		var values []string
		switch kind {
		case "string":
			v, err2 := c.Get(ctx, k).Result()
			values, err = []string{v}, err2
		case "hash":
			all, err2 := c.HGetAll(ctx, k).Result()
			for f, v := range all {
				values = append(values, f, v)
			}
			err = err2
		case "list":
			values, err = c.LRange(ctx, k, 0, -1).Result()
		case "set":
			values, err = c.SMembers(ctx, k).Result()
		case "zset":
			values, err = c.ZRange(ctx, k, 0, -1).Result()
		case "none": // it has run out since
		default:
			require.Fail(s.t, "a key is of a type that this test does not know", "%s: %s", k, kind)
		}
		require.NoError(s.t, err)
		for _, v := range values {
			s.bytes("redis "+k, []byte(v))
		}
	}
}

// everywhere looks through all that a shop leaves on its machines, and through a backup made of it now.
func (s *stage) everywhere(log *locked, shelf *buckettest.Server, r *redistest.Server, config string) map[string]string {
	x := newSearch(s.t)
	x.folder(s.data)
	x.text("the log", []byte(log.String()))
	if shelf != nil {
		x.folder(shelf.Dir)
	}
	if r != nil {
		x.redis(r.Client(s.t))
	}
	to := filepath.Join(s.t.TempDir(), "backup")
	code, said := benchword(s.t, "backup", "--config", config, "--data", s.data, "--to", to)
	require.Zero(s.t, code, said)
	x.folder(to)
	return x.found
}

// aPicture is a photo whose camera wrote a text into it.
func aPicture(t testing.TB, text string) []byte {
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 64, 48)), nil))
	comment := append([]byte{0xff, 0xfe, 0, byte(len(text) + 2)}, text...)
	return slices.Concat(b.Bytes()[:2], comment, b.Bytes()[2:])
}

// tells brings a job to its end by every kind of step in which something is typed about a person, and returns its
// number. What is typed in each field is a text of its own.
func (s *stage) tells() workflow.JobNumber {
	t, ctx, svc := s.t, context.Background(), s.srv.service
	api := func(method, path string, body any, headers ...string) (*http.Response, string) {
		raw, err := json.Marshal(body)
		require.NoError(t, err)
		r, page := s.asOld(method, "/api/v1"+path, string(raw), append([]string{"Content-Type", "application/json", "Authorization", "Bearer " + s.tokens["owner"]}, headers...)...)
		require.Less(t, r.StatusCode, 300, "%s: %s", path, page)
		return r, page
	}
	_, page := api(http.MethodPost, "/jobs", map[string]any{
		"person": map[string]string{"name": "Zqname Smith", "email": "zqemail@post.example", "phone": "zqphone", "address": "zqaddress 4", "language": "en"},
		"kind":   "film scanner", "maker": "Zqmaker", "model": "the Zqname special", "fault": "zqfault", "inbound": "zqinbound",
	}, "Idempotency-Key", "zq1-"+time.Now().String())
	var made struct{ Number workflow.JobNumber }
	require.NoError(t, json.Unmarshal([]byte(page), &made))
	n := made.Number
	photo := func(name string) workflow.Photo {
		p, err := s.srv.desk.Take(ctx, svc.Shop.ID, n, bytes.NewReader(aPicture(t, name)))
		require.NoError(t, err)
		p.Kind, p.Caption, p.Alt = workflow.PhotoArrival, workflow.Plain("zqcaption"), workflow.Plain("zqalt")
		p.Marks = []workflow.Mark{{Kind: workflow.MarkPoint, Text: workflow.Plain("zqmark")}}
		return p
	}
	do := func(commands ...workflow.Command) {
		t.Helper()
		s.do(workflow.Actor{Role: workflow.RoleOwner, ID: "owner"}, n, commands...)
	}
	do(workflow.ListContents{Items: []workflow.Item{{Text: "zqitem", Device: true}}, Serial: "zqserial"},
		workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.No, Liquid: workflow.No, Note: workflow.Plain("zqscreening")}},
		workflow.AddPhoto{Photo: photo("zqcameraone")}, workflow.AddPhoto{Photo: photo("zqcameratwo")}, workflow.Go{To: workflow.StageReceived}, workflow.RemovePhoto{ID: 2, Reason: "zqremoved"})
	do(workflow.PlaceHold{Reason: workflow.HoldCustomer, Note: "zqhold"}, workflow.LiftHold{}, workflow.NoteCondition{Text: "zqcondition"},
		workflow.TryFault{Result: workflow.FaultReproduced, Note: "zqtried"}, workflow.Go{To: workflow.StageDiagnosing})
	do(workflow.ExplainDelay{Reason: "zqdelay"}, workflow.MovePromise{Days: 20, Reason: "zqmoved"},
		workflow.NoteFinding{Finding: workflow.Finding{Text: "zqfinding", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}},
		workflow.RaiseDuty{Duty: workflow.Duty{Text: "zqwork", Before: workflow.StageShipped}}, workflow.WaiveDuty{ID: 1, Reason: "zqwaived"},
		workflow.SendReport{Text: workflow.ReportText{Short: "zqshort"}})
	require.NoError(t, svc.KeepDraft(ctx, n, "report", []byte(`{"short":"zqdraft"}`)))
	quote := `{"options":[{"kind":"repair","title":"zqoption","lines":[{"kind":"labour","text":"zqline","quantity":"1","unit_price":"80.00"}]}],"note":"zqnote"}`
	api(http.MethodPost, "/jobs/"+string(n)+"/quote", json.RawMessage(quote), "Idempotency-Key", "zq2-"+string(n))
	do(workflow.Go{To: workflow.StageAwaitingApproval})
	q := s.job(n).Quote()
	s.do(workflow.Actor{Role: workflow.RoleCustomer, ID: "own"}, n, workflow.SendMessage{Text: "zqmessage"},
		workflow.Decide{Verdict: workflow.VerdictApprove, Digest: q.Digest, Option: "A", Name: "zqsigned", Address: "zqnetwork", Agent: "zqbrowser"})
	do(workflow.SendMessage{Text: "zqreply"}, workflow.DoWork{Text: "zqwork"}, workflow.Go{To: workflow.StageTesting},
		workflow.DoTest{Test: workflow.Test{Name: "Function", Passed: true, Note: workflow.Plain("zqtest")}}, workflow.DoTest{Test: workflow.Test{Name: workflow.SafetyTest, Passed: true}}, workflow.SetCharge{Amount: "50.00", Reason: "zqcharged"}, workflow.DeclareReady{Note: "zqready"},
		workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateKept, Note: workflow.Plain("zqpacked")}}}, workflow.PrepareShipment{Carrier: "Post", Parcel: "zqoutbound", Serial: "zqserial"})
	// Pages and papers are kept, and an email whose fate nobody knows waits with its bytes.
	j := s.job(n)
	token, err := svc.Token(j, j.Link(link.Own, s.clock.now()))
	require.NoError(t, err)
	for _, at := range []string{"/j/" + token, "/j/" + token + "/report/1", "/j/" + token + "/report/1/pdf"} {
		status, _ := s.fetch(at, nil)
		require.Less(t, status, 500, at)
	}
	s.post.Fail(smtptest.Fault{At: smtptest.AtEnd, Keep: true, Drop: true})
	do(workflow.Go{To: workflow.StageShipped, Reason: "zqended"})
	s.clock.set(s.clock.now().Add(10 * time.Minute))
	for _, h := range s.notifiers {
		require.NoError(t, h.dispatcher.Flush(ctx))
	}
	s.post.Heal()
	return n
}

// Whatever door a person is erased by, nothing that was typed about them is left: not in database, index, log,
// photos or a backup made then, on a folder or on Redis with a bucket. The search finds every text before.
func TestNothingIsLeftOfWhoWasErased(t *testing.T) {
	for _, where := range []string{"folder", "redis and bucket"} {
		t.Run(where, func(t *testing.T) {
			t.Parallel()
			var log locked
			var shelf *buckettest.Server
			var r *redistest.Server
			store := ""
			s := newStageAsking(t, 1_000_000, func(s *stage) {
				s.log = &log
				if where == "folder" {
					return
				}
				r, shelf = redistest.Start(t), buckettest.Start(t)
				secret := filepath.Join(t.TempDir(), "secret")
				require.NoError(t, os.WriteFile(secret, []byte(shelf.Secret), 0o600))
				s.redis, s.shelf = r.URL(), StoreSettings{Photos: shelf.Place("photos"), PhotosKey: shelf.Key, PhotosSecretFile: secret}
				store = fmt.Sprintf("[store]\nurl = %q\nphotos = %q\nphotos_key = %q\nphotos_secret_file = %q\n", r.URL(), s.shelf.Photos, shelf.Key, secret)
			})
			config := filepath.Join(t.TempDir(), "shop.toml")
			require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, demoSettings+"host = \"127.0.0.1\"\n%s", s.base, store), 0o600))
			doors := map[string]func(n workflow.JobNumber){
				"counter": func(n workflow.JobNumber) {
					owner := s.visitor(s.signIn()...)
					page := owner.get("/counter/job/" + string(n) + "/erase")
					form := url.Values{"number": {string(n)}}
					for _, m := range regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)"`).FindAllStringSubmatch(page.body, -1) {
						form.Set(m[1], m[2])
					}
					require.Equal(t, http.StatusSeeOther, owner.post("/counter/job/"+string(n)+"/erase", form).status)
				},
				"API": func(n workflow.JobNumber) {
					r, said := s.asOld(http.MethodPost, "/api/v1/jobs/"+string(n)+"/erasure", "{}", "Content-Type", "application/json", "Authorization", "Bearer "+s.tokens["owner"])
					require.Equal(t, http.StatusOK, r.StatusCode, said)
				},
				"clock": func(n workflow.JobNumber) {
					s.clock.set(s.clock.now().AddDate(0, 1, 1))
					require.NoError(t, s.notifiers[0].service.Upkeep(t.Context()))
					_, err := s.notifiers[0].service.WakeDue(t.Context())
					require.NoError(t, err)
				},
			}
			for _, door := range slices.Sorted(maps.Keys(doors)) {
				n := s.tells()
				before := s.everywhere(&log, shelf, r, config)
				for _, text := range allPlanted {
					require.NotEmpty(t, before[text], "%s was typed and is not found", text)
				}
				want := []string{"drafts", "photos"}
				for _, place := range caches {
					want = append(want, place)
				}
				var kept []string
				for _, k := range s.srv.service.AllKept() {
					kept = append(kept, k.What)
				}
				slices.Sort(want)
				require.ElementsMatch(t, slices.Compact(want), kept, "a place that keeps what is made from a job stands in the list")
				for _, h := range s.notifiers {
					h.service.Shop.EraseMonths = map[bool]int{true: 1}[door == "clock"]
				}
				doors[door](n)
				require.Eventually(t, func() bool {
					left, err := s.srv.store.EntriesIn(t.Context(), "harbour", workflow.EntryQueued, 1000)
					return err == nil && !slices.ContainsFunc(left, func(e workflow.Entry) bool { return e.Channel == workflow.Effects })
				}, 30*time.Second, 5*time.Millisecond, "effects are left")
				require.NotZero(t, s.job(n).Erased, door)
				for text, at := range s.everywhere(&log, shelf, r, config) {
					require.Contains(t, aboutDevice, text, "%s is left in %s after erasing by %s", text, at, door)
				}
				events, err := s.srv.service.Events(t.Context(), n, 0)
				require.NoError(t, err)
				_, err = workflow.VerifyChain(events)
				require.NoError(t, err)
			}
		})
	}
}

// allPlanted is what is typed about a person, and what their camera wrote.
var allPlanted = strings.Fields(`zqname zqemail zqphone zqaddress zqfault zqinbound zqserial zqcaption zqalt zqmark zqcameraone zqcameratwo zqscreening
	zqremoved zqhold zqcondition zqtried zqdelay zqmoved zqwaived zqdraft zqnote zqmessage zqsigned zqnetwork zqbrowser zqreply zqtest zqcharged zqready zqpacked zqoutbound zqended`)
