package workflow

import (
	"reflect"
	"slices"
	"testing"

	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// told returns where a value holds words that are sealed, as "Customer.Name".
func told(v reflect.Value, at string) (out []string) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			return told(v.Elem(), at)
		}
	case reflect.Slice:
		for i := range v.Len() {
			out = append(out, told(v.Index(i), at)...)
		}
	case reflect.Map:
		for _, k := range v.MapKeys() {
			out = append(out, told(v.MapIndex(k), at)...)
		}
	case reflect.Struct:
		if f := v.FieldByName("Text"); f.IsValid() && (v.Type() == reflect.TypeFor[Sealed]() || v.Type() == reflect.TypeFor[Words]()) {
			if f.String() != "" {
				out = append(out, at)
			}
			return out
		}
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() {
				out = append(out, told(v.Field(i), at+"."+f.Name)...)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Whoever a page was shared with sees what was found and done, and nothing of the customer (ASVS 5.0 V8.2.3): a new field
// that is sealed has to be put here, or out of Seen.
func TestASharedJobHoldsNoPerson(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.do(b.byLink(link.Own), Subscribe{Endpoint: "https://push.example/a", Key: browserKey, Auth: browserAuth}, SendMessage{Text: "Send it to 9 Other Street."})
	j := b.approve()
	for _, at := range []string{"Customer.Name", "Customer.Email", "Messages.Text", "Decisions.Name", "Subscriptions.Endpoint"} {
		require.Contains(t, told(reflect.ValueOf(j), ""), "."+at)
	}
	require.Same(t, j, j.Seen(link.Own))
	for _, p := range []link.Purpose{link.Share, link.Look} {
		require.Equal(t, []string{".Condition", ".Device.Maker", ".Device.Model", ".Device.Serial", ".Fault", ".Photos.Alt", ".Photos.Caption", ".Reproduction.Note"},
			told(reflect.ValueOf(j.Seen(p)), ""), p)
	}
}
