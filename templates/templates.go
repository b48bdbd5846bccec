// Package templates is what a page or mail looks like, and every word on it: typed views, the embedded
// templates that show them, and the style sheets and scripts that go with them.
//
// Contract: each template shows exactly one Go struct, a [View]; a test executes every one of them with a
// hostile text in every field. Views hold finished words: templates choose and order, they do not
// compute. Nothing here reads a clock or a store, and no page loads anything from another host or holds
// inline style or script, so that a strict Content-Security-Policy can stand.
//
// Files: folder/page.html is a page; it defines "main" and is shown within the layout that folder/base.html
// defines as "layout", if there is one. What parts/*.html define is there for every page. Files ending in
// .txt are plain text, under the same rules. The counter's pages are beside its handlers; it parses them
// with [Parse]. The views of emails are in package mail, beside their templates.
//
// # Decisions
//
//   - 2026-11-25: A working day that was added to a promise is one that a pause covers from opening to
//     closing; a rest that comes to at least the day on which it ends is one more (Monday 15:00 to Wednesday
//     15:00 is two). Rejected: dividing by a usual day's hours, which tells a shop with short Fridays
//     fractions that nobody can check.
//   - 2026-11-25: The calendar file carries no link to the job: calendars are shared more lightly than
//     emails.
//   - 2026-11-25: Papers after a law are marked. The written estimate (16 CCR 2721-2723) and the European
//     form (Directive (EU) 2024/1799) say "check against the official text" until somebody has; prescribed
//     notices are the shop's setting. With the European form quotes stand for 30 days at least; withdrawing
//     one earlier is left to the shop's own judgement.
package templates

import (
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"mime"
	"path"
	"slices"
	"strings"
	"sync"
	texttemplate "text/template"

	"benchword/templates/locale"
	"benchword/workflow"
)

//go:embed */*.html */*.txt
var pages embed.FS

//go:embed assets
var assets embed.FS

// View is what one template shows.
type View interface {
	// Template is the path of its file: "customer/track.html".
	Template() string
}

// Set is every template, parsed. It is safe for concurrent use.
type Set struct {
	html map[string]*template.Template
	text map[string]*texttemplate.Template
}

// layout is the name under which a folder's layout is defined.
const layout = "layout"

// Load returns the templates of customers' pages, mails and archives, which it parses once. An error names
// the file.
var Load = sync.OnceValues(func() (*Set, error) { return Parse(pages) })

// Parse parses the pages of files, by the rules of this package: they may use what its parts define, and what
// the named ones among the files do. An error names the file.
func Parse(files fs.FS, parts ...string) (*Set, error) {
	s := &Set{html: map[string]*template.Template{}, text: map[string]*texttemplate.Template{}}
	shared, err := template.New("").Funcs(template.FuncMap(funcs)).ParseFS(pages, "parts/*.html")
	if err == nil && len(parts) > 0 {
		shared, err = shared.ParseFS(files, parts...)
	}
	if err != nil {
		return nil, fmt.Errorf("parts of templates: %w", err)
	}
	err = fs.WalkDir(files, ".", func(f string, d fs.DirEntry, err error) error {
		dir, name, ext := path.Dir(f), path.Base(f), path.Ext(f)
		if err != nil || d.IsDir() || dir == "parts" || name == "base"+ext || slices.Contains(parts, f) {
			return err
		}
		with := []string{f}
		if base := path.Join(dir, "base"+ext); exists(files, base) {
			with = []string{base, f}
		}
		if ext == ".txt" {
			s.text[f], err = texttemplate.New(name).Funcs(texttemplate.FuncMap(funcs)).ParseFS(files, with...)
		} else if t, cerr := shared.Clone(); cerr != nil {
			err = cerr
		} else if t, err = t.ParseFS(files, with...); err == nil {
			s.html[f] = t.Lookup(name)
		}
		if err != nil {
			return fmt.Errorf("template %s: %w", f, err)
		}
		return nil
	})
	return s, err
}

func exists(files fs.FS, name string) bool {
	_, err := fs.Stat(files, name)
	return err == nil
}

// Names lists every page template, in order.
func (s *Set) Names() []string {
	var out []string
	for n := range s.html {
		out = append(out, n)
	}
	for n := range s.text {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

// Render writes a view. Write to memory first: an error may come after half of it.
func (s *Set) Render(w io.Writer, v View) error {
	name := v.Template()
	if t := s.html[name]; t != nil {
		if t.Lookup(layout) != nil {
			return t.ExecuteTemplate(w, layout, v)
		}
		return t.Execute(w, v)
	}
	if t := s.text[name]; t != nil {
		if t.Lookup(layout) != nil {
			return t.ExecuteTemplate(w, layout, v)
		}
		return t.Execute(w, v)
	}
	return fmt.Errorf("there is no template %s", name)
}

// funcs is the closed set of functions that templates may call.
var funcs = map[string]any{
	"asset":      assetURL,
	"paragraphs": paragraphs,
	"lines":      Lines,
	"half":       half,
	"add":        func(a, b int) int { return a + b },
}

// paragraphs splits a text at its empty lines; each paragraph is a list of lines.
func paragraphs(s string) [][]string {
	var out [][]string
	var p []string
	for _, l := range append(strings.Split(strings.ReplaceAll(s, "\r\n", "\n"), "\n"), "") {
		if l = strings.TrimSpace(l); l != "" {
			p = append(p, l)
		} else if p != nil {
			out, p = append(out, p), nil
		}
	}
	return out
}

// Lines splits a text into its lines that are not empty.
func Lines(s string) []string {
	var out []string
	for _, p := range paragraphs(s) {
		out = append(out, p...)
	}
	return out
}

type asset struct {
	body              []byte
	contentType, etag string
	url               string
}

var assetOf = func() map[string]asset {
	out := map[string]asset{}
	err := fs.WalkDir(assets, "assets", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := assets.ReadFile(p)
		if err != nil {
			return err
		}
		name := strings.TrimPrefix(p, "assets/")
		tag := tagOf(b)
		out[name] = asset{b, typeOf(name), `"` + tag + `"`, "/assets/" + name + "?v=" + tag}
		return nil
	})
	if err != nil {
		panic("templates: " + err.Error())
	}
	return out
}()

// typeOf does not ask the machine, whose tables differ.
func typeOf(name string) string {
	switch path.Ext(name) {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	case ".txt":
		return "text/plain; charset=utf-8"
	case ".webmanifest":
		return "application/manifest+json"
	}
	return mime.TypeByExtension(path.Ext(name))
}

// Asset returns an embedded style sheet, script or picture by its name below assets/.
func Asset(name string) (body []byte, contentType, etag string, ok bool) {
	a, ok := assetOf[name]
	return a.body, a.contentType, a.etag, ok
}

// assetURL returns the address of an asset; it changes with the content, so it may be kept for ever. It
// panics on a name that does not exist: the template that holds it can't be right.
func assetURL(name string) string {
	a, ok := assetOf[name]
	if !ok {
		panic("templates: there is no asset " + name)
	}
	return a.url
}

// Page is what every page has in common.
type Page struct {
	// Lang is the BCP 47 tag of the page's words, Catalogue where they come from; see [locale.Set.For].
	Lang      string
	Catalogue *locale.Set
	// Title is in the window's title and, on most pages, over the page.
	Title string
	// Path is the address's path, to mark where one is.
	Path string
	Shop ShopView
	// CSRF is the hidden field of the forms of a signed-in person, "" for others.
	CSRF string
	// Staff is who is signed in, nil for nobody.
	Staff *StaffView
	// Flash is a sentence left by the step before; FlashBad marks that it failed.
	Flash    string
	FlashBad bool
}

// Words returns the catalogue of the page's language.
func (p Page) Words() *locale.Words { return p.Catalogue.For(p.Lang) }

// T returns a text of the page's language.
func (p Page) T(key string, args ...any) string { return p.Words().T(key, args...) }

// ShopView is what a page says about the shop.
type ShopView struct {
	Name, About, Email, Phone string
	// Address is the postal address, one line each.
	Address []string
	// Zone names the time zone that times are given in: "Halifax time".
	Zone string
	// Host is where its pages are: "status.harbour.example". Logo and Style are addresses, "" for none.
	Host, Logo, Style string
	// Legal are links to privacy notice, terms and imprint, their words as keys of the catalogue.
	Legal []Link
}

// ShopOf makes the view of a shop.
func ShopOf(shop *workflow.Shop) ShopView {
	lang := ""
	if len(shop.Languages) > 0 {
		lang = shop.Languages[0]
	}
	v := ShopView{
		Name: shop.Name, About: shop.About, Email: shop.Email, Phone: shop.Phone,
		Address: Lines(shop.Address), Zone: locale.For(lang).Zone(zoneOf(shop)),
	}
	_, v.Host, _ = strings.Cut(shop.BaseURL, "://")
	look := shop.Look
	if len(look.Logo) > 0 {
		v.Logo = "/look/logo?v=" + tagOf(look.Logo)
	}
	if css := StyleOf(look); css != "" {
		v.Style = "/look/style.css?v=" + tagOf([]byte(css))
	}
	for _, l := range []Link{{"base.privacy", look.Privacy}, {"base.terms", look.Terms}, {"base.imprint", look.Imprint}} {
		if l.URL != "" {
			v.Legal = append(v.Legal, l)
		}
	}
	return v
}

// StyleOf returns the style sheet that gives the pages a shop's colours, "" for none. In the dark they keep their own.
func StyleOf(l workflow.Look) string {
	out := ""
	if l.Colour != "" {
		out += "--accent: " + l.Colour + "; --accent-ink: " + l.On + "; "
	}
	if l.Behind != "" {
		out += "--mat: " + l.Behind + "; "
	}
	if out == "" {
		return ""
	}
	return "@media screen and (prefers-color-scheme: light) { :root { " + out + "} }\n"
}

func tagOf(b []byte) string {
	sum := sha256.Sum256(b)
	return base64.RawURLEncoding.EncodeToString(sum[:9])
}

// Signed returns the postal address headed by the shop's name, which stands once even where the address
// begins with it.
func (s ShopView) Signed() []string {
	if len(s.Address) > 0 && s.Address[0] == s.Name {
		return s.Address
	}
	return append([]string{s.Name}, s.Address...)
}

// PhoneURL returns the number as a tel: address (RFC 3966).
func (s ShopView) PhoneURL() template.URL {
	keep := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r == '+' {
			return r
		}
		return -1
	}, s.Phone)
	if keep == "" {
		return ""
	}
	return template.URL("tel:" + keep) // digits and plus signs only
}

// StaffView is who is signed in.
type StaffView struct {
	Login, Name string
	Role        workflow.Role
}

// Link is a link with its words.
type Link struct{ Words, URL string }

// Problem is the page of an error.
type Problem struct {
	Page
	Status  int
	Heading string
	// Message says what went wrong, why, and what to do.
	Message string
	// Missing lists what a refused step still needs; its first is often Message again.
	Missing []string
	// Request is what to name when asking about it, "" if nothing was logged.
	Request string
}

// Template implements [View].
func (*Problem) Template() string { return "customer/problem.html" }

// More lists what is missing beyond the message itself.
func (p *Problem) More() []string {
	return slices.DeleteFunc(slices.Clone(p.Missing), func(s string) bool { return s == p.Message })
}

// ShowFind reports whether asking for a fresh link may help.
func (p *Problem) ShowFind() bool { return p.Status == 404 || p.Status == 410 }
