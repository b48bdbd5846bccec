package portal

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// reasons finds every reason that the sources give, with how many values go with it.
func reasons(t *testing.T) map[string]int {
	out := map[string]int{}
	var files []string
	for _, dir := range []string{".", "../workflow", "../workflow/evidence"} {
		m, err := filepath.Glob(filepath.Join(dir, "*.go"))
		require.NoError(t, err)
		files = append(files, m...)
	}
	text := func(e ast.Expr) string {
		if l, ok := e.(*ast.BasicLit); ok && l.Kind == token.STRING {
			s, err := strconv.Unquote(l.Value)
			require.NoError(t, err)
			return s
		}
		return ""
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		ast.Inspect(f, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.CallExpr:
				name := ""
				switch f := x.Fun.(type) {
				case *ast.SelectorExpr:
					name = f.Sel.Name
				case *ast.Ident:
					name = f.Name
				}
				if (name == "because" || name == "notFound") && len(x.Args) > 0 {
					values := len(x.Args) - 1
					if name == "notFound" {
						values = 0
					}
					out[text(x.Args[0])] = values
				}
			case *ast.CompositeLit:
				var kind string
				switch f := x.Type.(type) {
				case *ast.SelectorExpr:
					kind = f.Sel.Name
				case *ast.Ident:
					kind = f.Name
				}
				if kind != "Error" && kind != "StatusError" {
					return true // other things have reasons of their own
				}
				reason, values := "", 0
				for _, e := range x.Elts {
					kv, ok := e.(*ast.KeyValueExpr)
					if !ok {
						continue
					}
					switch kv.Key.(*ast.Ident).Name {
					case "Reason":
						reason = text(kv.Value)
					case "Values":
						values = len(kv.Value.(*ast.CompositeLit).Elts)
					}
				}
				out[reason] = values
			}
			return true
		})
	}
	delete(out, "")
	delete(out, "look") // error.look, which the quote page has as well
	return out
}

// Every refusal that has a reason has its sentence, with no more places than values; and the other way
// round.
func TestReasonsHaveSentences(t *testing.T) {
	b, err := os.ReadFile("errors.go")
	require.NoError(t, err)
	given := reasons(t)
	require.Greater(t, len(given), 25)
	w := locale.For("en")
	for reason, values := range given {
		x := w.Wording("refusal." + reason)
		require.NotEmpty(t, x.Text, "there is no sentence refusal.%s", reason)
		for n := values; n < 10; n++ {
			require.NotContains(t, x.Text, "{"+strconv.Itoa(n)+"}", reason)
		}
	}
	for _, key := range locale.Keys() {
		reason, ok := strings.CutPrefix(key, "refusal.")
		if !ok || strings.HasPrefix(reason, "code.") || strings.HasPrefix(reason, "title.") {
			continue
		}
		_, used := given[reason]
		require.True(t, used || strings.Contains(string(b), `"`+reason+`"`), "nothing refuses with %s", key)
	}
	for _, code := range []workflow.Code{workflow.CodeInvalid, workflow.CodeRefused, workflow.CodeConflict, workflow.CodeNotFound, workflow.CodeForbidden, workflow.CodeGone, workflow.CodeInternal} {
		require.True(t, w.Has("refusal.code."+string(code)))
		fr := locale.For("fr")
		require.Equal(t, fr.T("refusal.code."+string(code)), say(fr, &workflow.Error{Code: code, Message: "in English only"}))
	}
}

// Whatever a customer does wrong, or too late, is answered in their language: what the domain says in
// English stays with staff, programs and the log.
func TestRefusalsSpeakTheCustomersLanguage(t *testing.T) {
	for _, lang := range []string{"fr", "de", "es"} {
		w := locale.For(lang)
		holds := func(r got, status int, key string, values ...any) {
			t.Helper()
			require.Equal(t, status, r.StatusCode, "%s: %.200s", key, r.body)
			require.Contains(t, r.body, `<html lang="`+lang+`"`)
			require.Contains(t, r.body, strings.ReplaceAll(w.T(key, values...), `"`, "&#34;"))
			for _, english := range []string{"is missing", "is too long", "This link", "This quote", "There is no", "Please"} {
				require.NotContains(t, r.body, english)
			}
		}
		made := func() *desk {
			d := newDesk(t)
			d.svc.Shop.Languages = []string{"en", lang}
			return d
		}
		speaks := func(d *desk) {
			j := d.job()
			d.do(staff, workflow.ChangeCustomer{Person: workflow.Person{Name: j.Customer.Name.Text, Email: j.Customer.Email.Text, Language: lang}})
		}
		d := made()
		at := d.toAwaiting()
		speaks(d)
		look, decide := "/j/"+d.token(link.Own), "/d/"+d.token(link.Decide)
		require.Equal(t, at, decide)
		digest := d.job().Quote().Digest

		// Letters and answers that can't be taken.
		holds(d.post(look+"/message", "text", " "), 422, "letter.missing")
		holds(d.post(look+"/message", "text", strings.Repeat("ä", workflow.MaxText+1)), 422, "refusal.too_long", workflow.MaxText)
		holds(d.post(look+"/message", "text", "a\x00b"), 422, "refusal.control")
		holds(d.post(decide, "verdict", "approve", "digest", digest, "option", "A", "name", strings.Repeat("n", 201), "sum", d.sum("A"), "confirm", "yes"), 422, "refusal.too_long", workflow.MaxLine)
		holds(d.post(decide, "verdict", "approve", "digest", digest, "option", "A", "name", "a\nb", "sum", d.sum("A"), "confirm", "yes"), 422, "refusal.one_line")
		holds(d.post(decide, "verdict", "ask", "digest", digest, "words", "a\x01b"), 422, "refusal.control")
		holds(d.post(decide, "verdict", "approve", "digest", "other", "option", "A", "name", "M", "sum", d.sum("A"), "confirm", "yes"), 409, "error.changed")

		// What is not there, or not for this link.
		holds(d.get("/d/"+d.token(link.Own)), 403, "error.look")
		holds(d.get(look+"/report/99", "Accept-Language", lang), 404, "refusal.no_report")
		holds(d.get(look+"/photo/99/large.jpg", "Accept-Language", lang), 404, "refusal.no_photo")
		holds(d.get("/j/aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa", "Accept-Language", lang), 404, "refusal.link_unknown")
		holds(d.get("/nowhere", "Accept-Language", lang), 404, "refusal.no_page")
		holds(d.get(look+"/message", "Accept-Language", lang), 405, "refusal.method")
		require.Contains(t, d.get("/nowhere", "Accept-Language", lang).body, w.T("refusal.title.404"))

		// Answered twice, in two ways.
		yes := []string{"verdict", "approve", "digest", digest, "option", "A", "name", "Mira", "sum", d.sum("A"), "confirm", "yes"}
		require.Equal(t, 303, d.post(decide, yes...).StatusCode)
		again := d.post(decide, "verdict", "decline", "digest", digest, "name", "Mira", "confirm", "yes")
		holds(again, 409, "refusal.quote_answered")

		// Too late.
		d = made()
		d.toAwaiting()
		speaks(d)
		decide = "/d/" + d.token(link.Decide)
		d.now = d.now.Add(15 * 24 * time.Hour)
		holds(d.get(decide), 410, "ended.expired")
		look = "/j/" + d.token(link.Own)
		d.now = d.now.Add(2 * 365 * 24 * time.Hour)
		holds(d.get(look), 410, "refusal.link_ended")
		d = made()
		d.toAwaiting()
		speaks(d)
		decide = "/d/" + d.token(link.Decide)
		d.do(staff, workflow.WithdrawQuote{Reason: "x"})
		holds(d.get(decide), 410, "ended.withdrawn")

		// Booking.
		book := func(fields ...string) got {
			return d.post("/book", append(fields, "cell", "no", "kind", "Scanner", "fault", "x", "name", "N")...)
		}
		d.s.Shop().Languages = []string{lang}
		holds(book("email", "not an address"), 422, "refusal.email", "not an address")
		holds(book("email", "n@x.example", "maker", strings.Repeat("m", 201)), 422, "refusal.too_long", workflow.MaxLine)
		holds(book("email", "n@x.example", "limit", "many"), 422, "book.error.limit")
	}
}
