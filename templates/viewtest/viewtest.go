// Package viewtest holds the views of a set of templates to what every page keeps.
package viewtest

import (
	"bytes"
	"html/template"
	"io"
	"reflect"
	"slices"
	"strings"
	"testing"

	"benchword/templates/locale"

	"github.com/stretchr/testify/require"
)

// Hostile are the texts that stand in every field: one that would end an attribute and begin a script, and one
// that would be a script as an address.
var Hostile = []string{`"><script>alert(1)</script>'&{{.}}` + "\u202e", "javascript:alert(2)"}

// View is [templates.View], which this package can't name: it serves that package's own tests.
type View interface{ Template() string }

// Set is what renders views of type V.
type Set[V View] interface {
	Names() []string
	Render(w io.Writer, v V) error
}

// Check renders each of the views that list returns, all in English: empty, and with hostile texts in every
// field, with its switches on and off. No text may become anything else. Every page of the set whose name
// begins with under must be shown by one of them.
func Check[V View](t *testing.T, set Set[V], under string, list func() []V) {
	t.Helper()
	render := func(v V) string {
		t.Helper()
		var b bytes.Buffer
		reflect.ValueOf(v).Elem().FieldByName("Lang").SetString("en")
		require.NoError(t, set.Render(&b, v), v.Template())
		return b.String()
	}
	var shown []string
	for _, v := range list() {
		shown = append(shown, v.Template())
		each(reflect.ValueOf(v).Elem(), func(f reflect.Value) {
			if f.Type() == reflect.TypeFor[*locale.Words]() {
				f.Set(reflect.ValueOf(locale.For("en")))
			}
		})
		require.NotEmpty(t, render(v), v.Template())
	}
	for _, name := range set.Names() {
		if strings.HasPrefix(name, under) {
			require.True(t, slices.Contains(shown, name), "%s is shown by no view of the list", name)
		}
	}
	for _, text := range Hostile {
		for _, v := range list() {
			Fill(v, text)
			for range 2 {
				page := render(v)
				for _, never := range []string{"<script>", `"><script`, `'&{{`, `{{.}}"`, "<no value>"} {
					require.NotContains(t, page, never, v.Template())
				}
				require.NotRegexp(t, `(href|src|action|srcset)="\s*javascript:`, page, v.Template())
				each(reflect.ValueOf(v).Elem(), func(f reflect.Value) { // the other branch of what is shown in one case only
					if f.Kind() == reflect.Bool {
						f.SetBool(false)
					}
				})
			}
		}
	}
}

// each calls do with every field of a struct that can be set, also of the structs in it.
func each(v reflect.Value, do func(reflect.Value)) {
	for i := range v.NumField() {
		if f := v.Field(i); f.Kind() == reflect.Struct {
			each(f, do)
		} else if f.CanSet() {
			do(f)
		}
	}
}

// Fill puts a text into every string of what v points to, one element into every list, and something behind
// every pointer.
func Fill(v any, text string) { fill(reflect.ValueOf(v).Elem(), text, 0) }

func fill(v reflect.Value, text string, depth int) {
	if depth > 8 {
		return
	}
	switch v.Kind() {
	case reflect.String:
		if v.Type() != reflect.TypeFor[template.URL]() { // is an address of our own making
			v.SetString(text)
		}
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int64:
		v.SetInt(2)
	case reflect.Pointer:
		if v.Type() == reflect.TypeFor[*locale.Words]() {
			v.Set(reflect.ValueOf(locale.For("en")))
			return
		}
		if v.Type() == reflect.TypeFor[*locale.Set]() {
			return // nil is the usual texts
		}
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), text, depth+1)
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0), text, depth+1)
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() || f.Anonymous {
				fill(v.Field(i), text, depth+1)
			}
		}
	}
}
