package main

import (
	"bufio"
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// The rules of this repository that a compiler does not hold: who may import whom, which modules may be
// used and why, that every package says what it is for, that the domain reads no clock. A rule that is in
// the way is changed here, with its reason, not worked around.

const root = "../.."

// A layer is a package and everything beneath it, up to the next layer; it may import the layers named,
// and itself.
var layers = map[string][]string{
	"workflow/longtest":     {},
	"workflow/money":        {},
	"workflow/calendar":     {},
	"workflow/promiseclock": {"workflow/calendar"},
	"workflow/history":      {"workflow", "workflow/calendar", "workflow/promiseclock", "workflow/forecast"},
	"workflow/link":         {},
	"workflow/forecast":     {},
	"workflow/ledger":       {},
	"workflow/catalogue":    {},
	"workflow":              {"workflow/money", "workflow/calendar", "workflow/promiseclock", "workflow/link", "workflow/ledger", "workflow/catalogue"},
	"workflow/evidence":     {"workflow"},
	"workflow/plain":        {},
	"workflow/proof":        {"workflow", "workflow/link", "workflow/money"},
	"templates/paper":       {},
	"workflow/store":        {"workflow", "workflow/link", "workflow/money", "workflow/calendar", "workflow/promiseclock"},
	"templates": {"workflow", "workflow/link", "workflow/money", "workflow/calendar", "workflow/promiseclock",
		"workflow/history", "workflow/forecast", "workflow/ledger", "workflow/catalogue", "workflow/plain", "templates/paper"},
	"portal/action": {"workflow"},
	"portal": {"portal/action", "templates", "workflow", "workflow/evidence", "workflow/link", "workflow/money",
		"workflow/calendar", "workflow/promiseclock", "workflow/history", "workflow/forecast", "workflow/ledger", "workflow/catalogue", "workflow/plain"},
	"notify":            {"workflow", "workflow/evidence"},
	"notify/mail":       {"notify", "templates", "workflow", "workflow/evidence", "workflow/link", "workflow/money"},
	"notify/outside":    {"notify"},
	"notify/hook":       {"notify", "notify/outside", "workflow", "workflow/money"},
	"notify/push":       {"notify", "notify/outside", "workflow", "workflow/link"},
	"notify/inbox":      {"notify", "notify/mail", "templates", "workflow", "workflow/evidence"},
	"notify/notifytest": {"workflow", "workflow/calendar", "workflow/link", "workflow/money", "workflow/store"},
	"notify/smtptest":   {},
	"cmd": {"portal", "notify", "notify/mail", "notify/hook", "notify/push", "notify/inbox", "notify/smtptest", "templates", "workflow", "workflow/evidence",
		"workflow/store", "workflow/link", "workflow/money", "workflow/calendar", "workflow/promiseclock", "workflow/history", "workflow/forecast", "workflow/ledger", "workflow/catalogue", "workflow/proof"},
}

// Tests may import these too, wherever they stand: they are there for tests.
var forTests = []string{"workflow/longtest", "notify/smtptest", "notify/notifytest", "notify/mail", "workflow/store/memory", "workflow/store/sqlite", "workflow/store/storetest",
	"workflow/store/redis", "workflow/store/redis/redistest", "workflow/calendar"}

// Layers that hold rules and arithmetic only: everything that changes from run to run is passed in.
var pure = []string{"workflow", "workflow/money", "workflow/calendar", "workflow/promiseclock", "workflow/history", "workflow/link", "workflow/forecast", "workflow/ledger", "workflow/catalogue", "workflow/plain"}

// Modules that belong to one side of the house. Tests may use them anywhere.
var onlyIn = map[string][]string{
	"github.com/gofiber/fiber/v2":   {"portal", "cmd"},
	"github.com/wneessen/go-mail":   {"notify/mail", "cmd"},
	"modernc.org/sqlite":            {"workflow/store"},
	"github.com/redis/go-redis/v9":  {"workflow/store"},
	"github.com/BurntSushi/toml":    {"cmd"},
	"github.com/invopop/jsonschema": {"portal"},
	"github.com/carlos7ags/folio":   {"templates/paper"},
}

// source is one Go file of ours.
type source struct {
	dir, name string
	test      bool
	file      *ast.File
	imports   []string
}

// harness reports whether a file is part of tests: a test, or a package for tests such as storetest.
func (s source) harness() bool { return s.test || strings.HasSuffix(s.dir, "test") }

func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	for _, p := range ourFiles(t) {
		if path.Ext(p) != ".go" || strings.HasPrefix(p, ".") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), filepath.Join(root, p), nil, parser.ParseComments)
		require.NoError(t, err)
		s := source{dir: path.Dir(p), name: p, test: strings.HasSuffix(p, "_test.go"), file: file}
		for _, i := range file.Imports {
			name, err := strconv.Unquote(i.Path.Value)
			require.NoError(t, err)
			s.imports = append(s.imports, name)
		}
		all = append(all, s)
	}
	require.Greater(t, len(all), 30, "the sources were not found")
	return all
}

// ourFiles lists the files of the repository, without what tools leave there, from its root.
func ourFiles(t *testing.T) []string {
	t.Helper()
	var all []string
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if slices.Contains([]string{".git", "node_modules", "rapid"}, d.Name()) {
				return fs.SkipDir
			}
			return nil
		}
		rel, err := filepath.Rel(root, p)
		all = append(all, filepath.ToSlash(rel))
		return err
	})
	require.NoError(t, err)
	return all
}

// layerOf finds the layer of a folder: its longest prefix in layers.
func layerOf(dir string) (string, bool) {
	for d := dir; d != "."; d = path.Dir(d) {
		if _, ok := layers[d]; ok {
			return d, true
		}
	}
	return "", false
}

// ours returns the folder of a package of this module.
func ours(imported string) (dir string, ok bool) {
	return strings.CutPrefix(imported, "benchword/")
}

func TestImportsGoOneWay(t *testing.T) {
	seen := make(map[string]bool)
	for _, s := range sources(t) {
		from, ok := layerOf(s.dir)
		require.True(t, ok, "%s is in no layer; give its folder a row in layers", s.name)
		seen[from] = true
		for _, i := range s.imports {
			dir, ok := ours(i)
			if !ok || s.test && slices.Contains(forTests, dir) || s.harness() && dir == "workflow/longtest" {
				continue
			}
			to, ok := layerOf(dir)
			require.True(t, ok, "%s imports %s, which is in no layer", s.name, i)
			require.True(t, to == from || slices.Contains(layers[from], to), "%s may not import %s: %s knows nothing of %s", s.name, i, from, to)
			if strings.HasSuffix(dir, "test") {
				require.True(t, s.harness() || from == "cmd" && dir == "notify/smtptest", "%s may not import %s, which is there for tests (the demo's mail server alone is not)", s.name, i)
			}
		}
	}
	for _, must := range []string{"workflow", "workflow/money", "workflow/calendar", "workflow/link", "templates", "portal", "notify", "cmd"} {
		require.True(t, seen[must], "%s was not looked at", must)
	}
}

// The rule itself must be able to say no.
func TestLayersForbid(t *testing.T) {
	for _, pair := range [][2]string{
		{"portal", "notify"}, {"notify", "portal"}, {"workflow", "workflow/store"}, {"workflow", "workflow/evidence"},
		{"workflow", "templates"}, {"workflow/money", "workflow"}, {"workflow/store", "portal"}, {"templates", "portal"}, {"workflow/evidence", "workflow/store"},
	} {
		require.NotContains(t, layers[pair[0]], pair[1])
	}
	for dir, want := range map[string]string{
		"portal/counter": "portal", "workflow/store/sqlite": "workflow/store", "workflow/money": "workflow/money", "notify/smtptest": "notify/smtptest", "cmd/benchword": "cmd",
	} {
		got, ok := layerOf(dir)
		require.True(t, ok)
		require.Equal(t, want, got)
	}
	_, ok := layerOf("util")
	require.False(t, ok)
}

// Service is the door: a store is named by what opens it, and by nobody who asks for something of a shop. That its
// own is reached by no one, the compiler sees to as long as the field is not exported.
func TestNobodyButTheServiceReachesTheStore(t *testing.T) {
	contract := []string{"Store", "Jobs", "Outbox", "Keys", "Transfer"}
	for _, s := range sources(t) {
		if layer, _ := layerOf(s.dir); s.harness() || slices.Contains([]string{"workflow", "workflow/store", "cmd"}, layer) {
			continue
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			if x, ok := n.(*ast.SelectorExpr); ok {
				if pkg, ok := x.X.(*ast.Ident); ok && pkg.Name == "workflow" {
					require.NotContains(t, contract, x.Sel.Name, "%s names a store; give workflow.Service what it asks for", s.name)
				}
			}
			return true
		})
	}
	service := reflect.TypeFor[workflow.Service]()
	for i := range service.NumField() {
		f := service.Field(i)
		require.False(t, f.IsExported() && f.Type.Implements(reflect.TypeFor[workflow.Outbox]()), "workflow.Service.%s is a way past the service", f.Name)
	}
}

// Everything of the day comes from outside: the time, chance, files, the network.
func TestTheDomainReadsNoClock(t *testing.T) {
	for _, s := range sources(t) {
		layer, _ := layerOf(s.dir)
		if s.test || !slices.Contains(pure, layer) || s.file.Name.Name == "main" {
			continue
		}
		for _, i := range s.imports {
			if i == "net/netip" || i == "net/url" {
				continue // they take addresses apart, and nothing goes out
			}
			require.NotRegexp(t, `^(os|os/.*|net|net/.*|database/.*|crypto/rand|log|syscall)$`, i, s.name)
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			if call, ok := n.(*ast.SelectorExpr); ok {
				if pkg, ok := call.X.(*ast.Ident); ok && pkg.Name == "time" {
					require.NotContains(t, []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}, call.Sel.Name, "%s reads the clock", s.name)
				}
			}
			return true
		})
	}
}

func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	comments := make(map[string]string)
	for _, s := range sources(t) {
		if !s.test && !ignored(s.file) {
			comments[s.dir] += s.file.Doc.Text()
		}
	}
	for dir, text := range comments {
		name := path.Base(dir)
		require.Regexp(t, `^(Package|Command) `+regexp.QuoteMeta(name)+`\b`, text, "%s needs one package comment that starts with Package %s", dir, name)
		require.Greater(t, len(strings.Fields(text)), 8, "the package comment of %s says nothing", dir)
	}
}

// ignored reports whether a file is left out of every build.
func ignored(f *ast.File) bool {
	for _, g := range f.Comments {
		for _, c := range g.List {
			if c.Text == "//go:build ignore" {
				return true
			}
		}
	}
	return false
}

// modules returns the module of each imported package, by the longest path that go.mod requires.
func modules(t *testing.T) func(imported string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, "go.mod"))
	require.NoError(t, err)
	var required []string
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(strings.TrimPrefix(strings.TrimSpace(line), "require "))
		if len(f) >= 2 && strings.Contains(f[0], ".") && strings.HasPrefix(f[1], "v") {
			required = append(required, f[0])
		}
	}
	require.NotEmpty(t, required)
	return func(imported string) string {
		if first, _, _ := strings.Cut(imported, "/"); !strings.Contains(first, ".") {
			return "" // the standard library, or ours
		}
		best := ""
		for _, m := range required {
			if (imported == m || strings.HasPrefix(imported, m+"/")) && len(m) > len(best) {
				best = m
			}
		}
		require.NotEmpty(t, best, "go.mod requires no module for %s", imported)
		return best
	}
}

// The allowed modules are those that go.mod gives a reason for, behind their line:
//
//	github.com/gowebpki/jcs v1.0.2 // canonical JSON (RFC 8785), over which events and quotes are hashed
func TestEveryModuleHasItsReason(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "go.mod"))
	require.NoError(t, err)
	reasons := make(map[string]string)
	for _, row := range regexp.MustCompile(`(?m)^\t?(?:require )?(\S+\.\S+) v\S+(?: // (.*))?$`).FindAllStringSubmatch(string(text), -1) {
		if row[2] != "indirect" {
			reasons[row[1]] = row[2]
		}
	}
	require.NotEmpty(t, reasons)
	moduleOf := modules(t)
	used, shipped := make(map[string]bool), make(map[string]bool)
	for _, s := range sources(t) {
		layer, _ := layerOf(s.dir)
		for _, i := range s.imports {
			m := moduleOf(i)
			if m == "" {
				continue
			}
			used[m] = true
			if s.harness() {
				continue
			}
			shipped[m] = true
			if where, ok := onlyIn[m]; ok {
				require.Contains(t, where, layer, "%s may not use %s", s.name, m)
			}
		}
	}
	for m := range used {
		require.GreaterOrEqual(t, len(strings.Fields(reasons[m])), 3, "%s is imported, but go.mod gives no reason for it behind its line", m)
		require.Equal(t, shipped[m], !strings.Contains(reasons[m], "(tests only") && m != "github.com/stretchr/testify", "%s: whether it is for tests only is told wrongly in go.mod", m)
	}
	for m := range reasons {
		require.True(t, used[m], "go.mod gives a reason for %s, but nothing imports it", m)
	}
}

// named are the packages that secrets and walls rest on, each with the folder that may import it ("*": any) and what for.
// They are the inventory of cryptography, too (ASVS 5.0 V11.1.2). What is not in it is not there: no MD5 or SHA-1, no
// cipher but one, no reader of gob or XML, no memory of one's own, no shell.
var named = map[string]string{
	"crypto/sha256 *":                   "digests of events, quotes and photos; what is kept of tokens and sessions",
	"crypto/hmac *":                     "links, hidden fields, signed cookies, webhooks: with SHA-256",
	"crypto/rand *":                     "keys, tokens, salts, ids: 160 bits, or 128",
	"crypto/subtle portal":              "compares hashes of passwords",
	"golang.org/x/crypto/argon2 portal": "hashes passwords",
	"crypto/tls notify/mail":            "TLS 1.2 or later to the mail server",
	"crypto/tls notify/inbox":           "the same to the mailbox",
	"crypto/tls workflow/store/redis":   "the same to Redis",
	"crypto notify/mail":                "DKIM (RFC 6376, RFC 8463)",
	"crypto/ed25519 notify/mail":        "DKIM",
	"crypto/rsa notify/mail":            "DKIM with 2048 bits or more: RSASSA-PKCS1-v1_5 with SHA-256, as RFC 8301 wants it",
	"crypto/ed25519 notify/hook":        "webhooks signed by a key pair",
	"crypto/aes notify/push":            "pushes are sealed: AES-128-GCM (RFC 8188, RFC 8291)",
	"crypto/cipher notify/push":         "the same",
	"crypto/aes workflow/link":          "passcodes are locked: AES-256-GCM (NIST SP 800-38D)",
	"crypto/cipher workflow/link":       "the same",
	"crypto/hkdf notify/push":           "the same",
	"crypto/ecdh notify/push":           "the same, with P-256",
	"crypto/ecdsa notify/push":          "signs for the push service: ES256 (RFC 8292)",
	"crypto/elliptic notify/push":       "the same",
	"encoding/xml portal":               "writes the feed",
	"math/rand/v2 cmd/benchword":        "the demo's invented past",
	"math/rand/v2 workflow/forecast":    "simulated ways, the same each time",
	"os/exec workflow/evidence":         "starts this program again, to decode pictures",
	"syscall cmd/benchword":             "signals",
	"syscall notify/outside":            "looks at an address when it is connected to",
	"syscall workflow/evidence":         "limits of the process that decodes pictures",
	"text/template templates":           "the text half of emails, from embedded files",
}

func TestEveryDangerousPackageIsNamed(t *testing.T) {
	weak := []string{"InsecureSkipVerify", "CipherSuites", "VersionTLS10", "VersionTLS11", "VersionSSL30"}
	dangerous := regexp.MustCompile(`^(crypto(/.*)?|golang\.org/x/crypto/.*|encoding/(gob|xml)|math/rand(/v2)?|os/exec|plugin|syscall|text/template|unsafe|net/(rpc|smtp)(/.*)?)$`)
	seen := map[string]bool{}
	for _, s := range sources(t) {
		if s.harness() || s.dir == "workflow/longtest" || ignored(s.file) {
			continue
		}
		for _, i := range s.imports {
			if !dangerous.MatchString(i) {
				continue
			}
			row := i + " *"
			if named[row] == "" {
				row = i + " " + s.dir
			}
			require.NotEmpty(t, named[row], "%s imports %s: say in named what for", s.name, i)
			seen[row] = true
		}
		ast.Inspect(s.file, func(n ast.Node) bool {
			if x, ok := n.(*ast.Ident); ok {
				require.NotContains(t, weak, x.Name, "%s weakens an encrypted line", s.name)
			}
			return true
		})
	}
	for row := range named {
		require.True(t, seen[row], "%s is not imported", row)
	}
}

// Of testify only require is used: a test that went on after a failure says less.
func TestOnlyRequire(t *testing.T) {
	for _, s := range sources(t) {
		for _, i := range s.imports {
			if strings.HasPrefix(i, "github.com/stretchr/testify/") {
				require.Equal(t, "github.com/stretchr/testify/require", i, s.name)
			}
		}
	}
}

// What is only true on one machine does not belong into the repository.
func TestNoPlaceOfOneMachine(t *testing.T) {
	private := regexp.MustCompile(`/work` + `/(main|shared|\.)|/tmp/` + `bash|/root/` + `go\b`)
	texts := []string{".go", ".md", ".json", ".toml", ".html", ".css", ".js", ".txt", ".txtar", ".csv", ".eml", ".yaml", ".sh", ".pov", ".mod", ".sum", ""}
	for _, p := range ourFiles(t) {
		if !slices.Contains(texts, path.Ext(p)) && path.Base(p) != ".npmrc" {
			continue
		}
		b, err := os.ReadFile(filepath.Join(root, p))
		require.NoError(t, err)
		lines := bufio.NewScanner(bytes.NewReader(b))
		lines.Buffer(nil, len(b)+1)
		for n := 1; lines.Scan(); n++ {
			require.False(t, private.Match(lines.Bytes()), "%s:%d names a place of one machine: %s", p, n, lines.Text())
		}
		require.NoError(t, lines.Err(), p)
	}
}

// What stands at the top level is fixed.
func TestTopLevelIsFixed(t *testing.T) {
	entries, err := os.ReadDir(root)
	require.NoError(t, err)
	var there []string
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			there = append(there, e.Name())
		}
	}
	require.ElementsMatch(t, []string{
		"cmd", "portal", "notify", "workflow", "templates", "testdata", "README.md", "DEVELOPERS.md", "go.mod", "go.sum", "Dockerfile", "LICENSE",
	}, there)
}
