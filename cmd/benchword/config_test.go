package main

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/notify/inbox"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// line is one setting as the file of init has it.
type line struct {
	n          int    // its place, from 0
	table, key string // where it stands
	list, off  bool   // in a list of tables; behind a "#"
	block      int    // the place of the header of its table, if that is off; else -1
	remark     string
}

// settingLines reads what is in the file of init: "#key" is a setting that is off, "# words" are words.
func settingLines(text string) (all []line) {
	at := line{block: -1}
	for n, l := range strings.Split(text, "\n") {
		code, off := strings.CutPrefix(l, "#")
		if code == "" || off && code[0] == ' ' {
			continue
		}
		if strings.HasPrefix(code, "[") {
			at = line{table: header(code), list: strings.HasPrefix(code, "[["), block: -1}
			if off {
				at.block = n
			}
			continue
		}
		key, rest, _ := strings.Cut(code, " = ")
		x := at
		x.n, x.key, x.off = n, key, off
		if i := strings.LastIndex(rest, " # "); i >= 0 {
			x.remark = rest[i+3:]
		}
		all = append(all, x)
	}
	return all
}

// switched returns the file of init with some lines on that are off, and some left out.
func switched(text string, on, out func(n int) bool) string {
	lines := strings.Split(text, "\n")
	for n, l := range lines {
		if out(n) {
			lines[n] = ""
		} else if on(n) {
			lines[n] = strings.TrimPrefix(l, "#")
		}
	}
	text = strings.Join(lines, "\n")
	// The files of passwords, keys and mails are not on this machine.
	text = regexp.MustCompile(`/run/secrets/[\w.]+`).ReplaceAllString(text, "config_test.go")
	return strings.Replace(text, "/var/mail/bench", ".", 1)
}

// allSettings returns the file of init with every setting on, the second of two that exclude each other left off.
func allSettings() string {
	seen, skip := map[string]bool{}, map[int]bool{}
	on := map[int]bool{}
	for _, x := range settingLines(settingsText) {
		name := x.table + "." + x.key
		if !x.list && seen[name] || name == "inbox.maildir" {
			skip[x.n], skip[x.block] = true, true
			continue
		}
		seen[name], on[x.n], on[x.block] = true, true, true
	}
	return switched(settingsText, func(n int) bool { return on[n] }, func(n int) bool { return skip[n] })
}

// starts reports whether a shop could be served with these settings, which lie in a folder with the files
// that they name.
func starts(t testing.TB, text string) (*Settings, error) {
	t.Helper()
	dir := t.TempDir()
	for _, f := range []string{"words.toml", "findings.toml"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, f), nil, 0o600))
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "logo.png"), logoPNG(t), 0o600))
	path := filepath.Join(dir, settingsName)
	s, err := ParseSettings(path, []byte(text))
	if err == nil {
		_, err = s.parts(path, roles{true, true})
	}
	return s, err
}

// fieldAt returns a setting by its path; of a list that of its first table, the zero value if there is none.
func fieldAt(v reflect.Value, path string) reflect.Value {
	for part := range strings.SplitSeq(path, ".") {
		if v.Kind() == reflect.Slice {
			if v.Len() == 0 {
				v = reflect.Zero(v.Type().Elem())
			} else {
				v = v.Index(0)
			}
		}
		if v.Kind() == reflect.Pointer {
			if v.IsNil() {
				v = reflect.Zero(v.Type().Elem())
			} else {
				v = v.Elem()
			}
		}
		if v.Kind() != reflect.Struct {
			return v // a table of the shop's own keys
		}
		for i := range v.NumField() {
			if v.Type().Field(i).Tag.Get("toml") == part {
				v = v.Field(i)
				break
			}
		}
	}
	return v
}

// TestInitPrintsEverySetting: what init prints works as it is; it holds every setting that there is and no
// other; each that is off can be switched on, and shows its usual value or names it; each that is marked as
// needed is.
func TestInitPrintsEverySetting(t *testing.T) {
	code, out := benchword(t, "init")
	require.Equal(t, 0, code)
	require.Equal(t, settingsText, out)
	usual, err := starts(t, switched(out, none, none))
	require.NoError(t, err)

	there := map[string]bool{}
	for _, x := range settingLines(out) {
		name := x.table + "." + x.key
		there[name], there[x.table] = true, true // a table whose keys are the shop's own is met by its name
		on := func(n int) bool { return n == x.n || n == x.block }
		if x.block >= 0 {
			on = func(n int) bool {
				return n == x.block || slices.ContainsFunc(settingLines(out), func(o line) bool { return o.n == n && o.block == x.block })
			}
		}
		s, err := starts(t, switched(out, on, none))
		require.NoError(t, err, name)
		if strings.HasPrefix(x.remark, "needed") {
			_, err := starts(t, switched(out, on, func(n int) bool { return n == x.n }))
			require.Error(t, err, "%s is not needed", name)
			continue
		}
		if !x.off {
			continue
		}
		want, got := fieldAt(reflect.ValueOf(usual).Elem(), name), fieldAt(reflect.ValueOf(s).Elem(), name)
		says, marked := strings.CutPrefix(x.remark, "usual: ")
		value := regexp.MustCompile(`^(\[.*?\]|"[^"]*"|\d+|true|false)(\W|$)`).FindStringSubmatch(says)
		switch {
		case !marked:
			require.Equal(t, want.Interface(), got.Interface(), "%s shows another value than the usual one", name)
		case value != nil:
			require.Equal(t, strings.Trim(value[1], `[]"`), strings.Trim(fmt.Sprint(want.Interface()), "[]"), "%s", name)
		default:
			require.Regexp(t, "^(none|all|by the currency|benchword's own)", says, name)
			require.True(t, want.IsZero(), "%s has a usual value: %v", name, want)
		}
		if marked {
			require.NotEqual(t, want.Interface(), got.Interface(), "%s shows the usual value, and says usual", name)
		}
	}

	var all func(prefix string, s reflect.Type) []string
	all = func(prefix string, s reflect.Type) (names []string) {
		for s.Kind() == reflect.Pointer || s.Kind() == reflect.Slice {
			s = s.Elem()
		}
		for i := range s.NumField() {
			f := s.Field(i)
			name := strings.TrimPrefix(prefix+"."+f.Tag.Get("toml"), ".")
			inner := f.Type
			for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
				inner = inner.Elem()
			}
			switch {
			case f.Tag.Get("toml") == "":
			case inner.Kind() == reflect.Struct && inner.NumField() > 0 && inner.Field(0).Tag.Get("toml") != "":
				names = append(names, all(name, inner)...)
			default:
				names = append(names, name)
			}
		}
		return names
	}
	names := all("", reflect.TypeFor[Settings]())
	require.Greater(t, len(names), 80)
	for _, name := range names {
		if name == "words" {
			name = "words.en"
		}
		require.True(t, there[name], "init does not print %s", name)
	}
	_, err = starts(t, allSettings())
	require.NoError(t, err)
}

// TestSettingsTakeHold: what the file says is what the shop gets.
func TestSettingsTakeHold(t *testing.T) {
	s, err := starts(t, allSettings())
	require.NoError(t, err)
	shop, err := s.shop()
	require.NoError(t, err)
	require.Equal(t, "America/Halifax", shop.Calendar.Location().String())
	require.Equal(t, []int{2, 5}, shop.RemindDays)
	require.Equal(t, 3*time.Minute, shop.Gather)
	require.Equal(t, workflow.Quiet{From: 21 * 60, To: 8 * 60}, shop.Quiet)
	box, err := s.Inbox.inbox()
	require.NoError(t, err)
	require.Equal(t, 993, box.Box.(*inbox.IMAP).Port)
	_, err = s.Mail.signers()
	require.ErrorContains(t, err, "config_test.go", "it is no key")
	require.Equal(t, []int{50, 80}, shop.WarnAt)
	require.Equal(t, workflow.SilenceAgrees, shop.Silence)
	require.Len(t, shop.Levels, 3)
	x := shop.Level("express")
	require.Equal(t, "24", x.Promise.WorkingHours.String())
	require.Equal(t, "16", shop.Levels[0].Look.WorkingHours.String())
	require.Equal(t, "35.00", x.Fee.UnitPrice.String())
	require.Equal(t, "hst", x.Fee.Tax)
	require.True(t, shop.Levels[2].ByDate)
	require.Equal(t, []any{"EN 50678", "Funktion"}, []any{shop.Practice, shop.TestNames["Function"]["de"]})
	require.Equal(t, []any{"CA", []workflow.Carrier{{Name: "Sea and Land Post", Days: 5, Abroad: map[string]int{"US": 10, "FR": 14}}}}, []any{shop.Country, shop.Carriers})
	require.Equal(t, []workflow.Instrument{{Name: "Tester 1", Serial: "T-88", Calibrated: "2026-03-01", Due: "2027-03-01"}}, shop.Instruments)
	require.Equal(t, []string{"Two hours at full load", "Every input"}, shop.TestSteps["Function"])
	require.Equal(t, map[string]int{"Coast Parcel": 7}, shop.TellDays)
	require.Equal(t, "20", shop.Limit("function", "every INPUT").High.String())

	text := strings.Replace(allSettings(), "pauses = { parts = true, customer = true, carrier = true, payment = true, insurer = true, documents = true }", "pauses = { carrier = false }", 1)
	s, err = starts(t, strings.NewReplacer("gather_minutes = 3", "gather_minutes = 0", `quiet = "21:00-08:00"`, `quiet = ""`).Replace(text))
	require.NoError(t, err)
	shop, err = s.shop()
	require.NoError(t, err)
	require.Equal(t, map[workflow.HoldReason]bool{"parts": true, "customer": true, "carrier": false, "payment": true, "insurer": true, "documents": true}, shop.PauseFor)
	require.Zero(t, shop.Gather)
	require.Zero(t, shop.Quiet)
}

// TestSettingsInReadmeWork: the shortest shop, which README shows, can be served.
func TestSettingsInReadmeWork(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	_, after, ok := strings.Cut(string(text), "```toml\n")
	require.True(t, ok)
	settings, _, ok := strings.Cut(after, "```")
	require.True(t, ok)
	_, err = starts(t, settings)
	require.NoError(t, err)
}

// TestWrongSettingsAreNamed: a wrong setting is named with its line, what is wrong, and an example. {} is the
// line of the change.
func TestWrongSettingsAreNamed(t *testing.T) {
	good := allSettings()
	const hook = "[[hooks]]\nname = \"%s\"\nurl = \"%s\"\nsecret_files = [\"/dev/null\"]\n"
	for _, c := range []struct{ from, to, want string }{
		{`id = "harbour"`, `id = "Harbour Bench"`, `line {}: shop.id may hold only a-z`},
		{`base_url = "https://status.harbour.example"`, `base_url = "status.harbour.example"`, `line {}: shop.base_url must be the address of the portal`},
		{`email = "bench@harbour.example"`, `email = "bench"`, `line {}: shop.email is not a complete email address`},
		{`currency = "CAD"`, `currency = "CAN"`, `line {}: money.currency is not an ISO 4217 currency code. Example: currency = "CAD"`},
		{`hst = "15"`, `hst = "150"`, `money.taxes is not a percentage`},
		{`working_days = 10 `, `working_days = 1000 `, `line {}: promise.working_days is too large`},
		{`security = "starttls"`, `security = "ssl"`, `line {}: mail.security must be one of: starttls, tls, none. Example: security = "starttls"`},
		{`time_zone = "America/Halifax"`, `time_zone = "Atlantic/Halifax"`, `calendar: `},
		{`"09:00-12:30", "13:00-17:00"`, `"09:00-13:30", "13:00-17:00"`, `calendar: `},
		{`quiet = "21:00-08:00"`, `quiet = "night"`, `line {}: mail.quiet must be hours like 21:00-08:00`},
		{`domain = "harbour.example"`, `domain = ""`, `line {}: mail.dkim.domain is missing. Example: domain = "harbour.example"`},
		{`days = 14`, "daze = 3", `line {}: there is no setting called quote.daze`},
		{`photos = "s3+https:`, `photos = "https:`, `line {}: store.photos is no place of a bucket. Example: photos = "s3+https://s3.example.net/photos"`},
		{`photos_key = "benchword"`, ``, `store.photos_key is missing, and the bucket of the photos needs it`},
		{`settle_first = false`, `settle_first = "no"`, `line `},
		{`days = 14`, `days = `, `line {}`},
		{`carrier = true`, `carier = true`, `line {}: promise.pauses`},
		{`warn_at_percent = [50, 80]`, `warn_at_percent = [0.5]`, `line `},
		{`warn_at_percent = [50, 80]`, `warn_at_percent = [120]`, `line {}: promise.warn_at_percent is too large or too long (at most 99). Example: warn_at_percent = [50, 80]`},
		{`unanswered_means = "agree"`, `unanswered_means = "sell"`, `line {}: promise.unanswered_means must be one of: agree, return, agree_once`},
		{"[[levels]]\nkey = \"express\"", "[[levels]]\nkey = \"Express!\"", `line {}: level of service "Express": key may hold only a-z`},
		{"[[levels]]\nkey = \"express\"", "[[levels]]\nkey = \"standard\"", `line {}: level of service "Express": key = "standard" stands at an earlier level`},
		{`working_hours = 24 `, "working_hours = 24\ndate = true #", `level of service "Express": it promises working_days, working_hours or a date`},
		{"price = \"35.00\"", `price = "cheap"`, `price = "cheap" is not an amount in CAD`},
		{`tax = "hst"`, `tax = "vat"`, `there is no tax called "vat"`},
		{`names = { fr = "Normal" }`, `names = { xx = "Normal" }`, `"xx" is none of en, fr, de, es`},
		{`diagnostic_fee = "35.00"`, `diagnostic_fee = "some"`, `line {}: money.diagnostic_fee = "some" is not an amount in CAD. Example: diagnostic_fee = "35.00"`},
		{"host = \"imap.example.net\"", "maildir = \".\"\nhost = \"imap.example.net\"", `inbox names a maildir and a host; keep one of them`},
		{`first_look_within_hours = 16`, `first_look_within_hours = "soon"`, `line `},
		{`[web]`, fmt.Sprintf(hook, "till", "https://till.example/hook") + "[web]", `line {}: hooks.name = "till" stands there twice`},
		{`[web]`, fmt.Sprintf(hook, "books", "books.example") + "[web]", `line {}: hooks.url = "books.example" is no address`},
	} {
		before, after, ok := strings.Cut(good, c.from)
		require.True(t, ok, c.from)
		_, err := starts(t, before+c.to+after)
		at := fmt.Sprint(1 + strings.Count(before, "\n"))
		require.ErrorContains(t, err, strings.Replace(c.want, "{}", at, 1), c.to)
		require.ErrorContains(t, err, settingsName)
	}
}
