package main

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"

	"benchword/portal"
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/calendar"
	"benchword/workflow/catalogue"
	"benchword/workflow/evidence/bucket"
	"benchword/workflow/money"
	"benchword/workflow/store/redis"

	"github.com/BurntSushi/toml"
	"github.com/go-playground/validator/v10"
)

// Settings is shop.toml. Every key has a usual value ([usualSettings]) except those marked required; the file
// that init prints says what each is for.
type Settings struct {
	Shop     ShopSettings      `toml:"shop" validate:"required"`
	Hours    calendar.Spec     `toml:"calendar"`
	Money    MoneySettings     `toml:"money"`
	Promise  PromiseSettings   `toml:"promise"`
	Proof    ProofSettings     `toml:"proof"`
	Carriers []CarrierSettings `toml:"carriers" validate:"max=30,dive"`
	Levels   []LevelSettings   `toml:"levels"`
	Quote    QuoteSettings     `toml:"quote"`
	Papers   PaperSettings     `toml:"papers"`
	// Uncollected are in order of AfterDays.
	Uncollected []UncollectedSettings `toml:"uncollected" validate:"max=10,dive"`
	Mail        MailSettings          `toml:"mail"`
	Inbox       InboxSettings         `toml:"inbox"`
	Hooks       []HookSettings        `toml:"hooks" validate:"max=10,dive"`
	Booking     BookingSettings       `toml:"booking"`
	Web         WebSettings           `toml:"web"`
	Staff       StaffSettings         `toml:"staff"`
	Privacy     PrivacySettings       `toml:"privacy"`
	Store       StoreSettings         `toml:"store"`
	// Words are texts in the shop's own words: language to key to text; see runWords.
	Words wordings `toml:"words" validate:"-"`

	// reached says that the table [web] is there.
	reached bool
	own     *locale.Set
	trade   *catalogue.Catalogue
	face    workflow.Look
}

// countryOf is the usual country of a shop that charges in a currency.
var countryOf = map[string]string{"CAD": "CA", "CHF": "CH", "GBP": "GB", "MXN": "MX", "USD": "US"}

// ShopSettings says who the shop is.
type ShopSettings struct {
	ID      string   `toml:"id" validate:"required,shopid" example:"harbour"`
	Name    string   `toml:"name" validate:"required,max=80" example:"Harbour Bench"`
	BaseURL string   `toml:"base_url" validate:"required,baseurl" example:"https://status.harbour.example"`
	Address []string `toml:"address" validate:"required,min=1,max=8" example:"[\"Harbour Bench\", \"1 Dock Street\"]"`
	Email   string   `toml:"email" validate:"required,email" example:"bench@harbour.example"`
	Phone   string   `toml:"phone" validate:"max=40" example:"+1 902 555 0100"`
	About   string   `toml:"about" validate:"max=200"`
	// TaxNumber stands on papers; Country says how sums and numbers are written there.
	TaxNumber string `toml:"tax_number" validate:"max=60" example:"123456789 RT0001"`
	Country   string `toml:"country" validate:"omitempty,iso3166_1_alpha2" example:"CA"`
	Paper     string `toml:"paper" validate:"omitempty,oneof=a4 letter"`
	// LogoFile names a picture beside this file. Colour fills buttons, ColourBehind lies behind the paper; see look.
	LogoFile     string `toml:"logo_file" validate:"max=500" example:"logo.png"`
	Colour       string `toml:"colour" validate:"omitempty,colour" example:"#1a5147"`
	ColourBehind string `toml:"colour_behind" validate:"omitempty,colour" example:"#d9dfd8"`
	// PrivacyURL, TermsURL and ImprintURL are linked on every customer's page.
	PrivacyURL string `toml:"privacy_url" validate:"omitempty,payurl" example:"https://harbour.example/privacy"`
	TermsURL   string `toml:"terms_url" validate:"omitempty,payurl" example:"https://harbour.example/terms"`
	ImprintURL string `toml:"imprint_url" validate:"omitempty,payurl" example:"https://harbour.example/imprint"`
	// WordsFile names a file with more of the shop's own words, beside this one.
	WordsFile string `toml:"words_file" validate:"max=500" example:"words.toml"`
	// CatalogueFile names a file with the shop's own findings and duties, beside this one.
	CatalogueFile string   `toml:"catalogue_file" validate:"max=500" example:"findings.toml"`
	Languages     []string `toml:"languages" validate:"dive,oneof=en fr de es" example:"[\"en\"]"`
}

// MoneySettings says what prices are in.
type MoneySettings struct {
	Currency string            `toml:"currency" validate:"required,currency" example:"CAD"`
	Prices   string            `toml:"prices" validate:"omitempty,oneof=before_tax with_tax" example:"before_tax"`
	Taxes    map[string]string `toml:"taxes" validate:"dive,percent" example:"{ hst = \"15\" }"`
	// SettleFirst demands payment before shipping.
	SettleFirst bool `toml:"settle_first"`
	// PayURL is where a balance can be paid: {job}, {amount} and {currency} are filled in.
	PayURL string `toml:"pay_url" validate:"omitempty,payurl" example:"https://pay.example.net/{job}?amount={amount}&currency={currency}"`
	// PayWords say how else to pay, in the shop's own words.
	PayWords map[string]string `toml:"pay_words" validate:"omitempty,dive,keys,oneof=en fr de es,endkeys,required,max=1000" example:"{ en = \"By transfer to …, or at the counter.\" }"`
	// Fee is charged for finding the cause, and announced on booking; FeeCredited lets it count towards a
	// repair.
	Fee         string `toml:"diagnostic_fee" validate:"max=20" example:"35.00"`
	FeeCredited bool   `toml:"diagnostic_fee_credited"`
}

// PromiseSettings says what is promised.
type PromiseSettings struct {
	WorkingDays int             `toml:"working_days" validate:"min=0,max=365" example:"10"`
	Pauses      map[string]bool `toml:"pauses" validate:"dive,keys,oneof=parts customer carrier payment insurer documents,endkeys" example:"{ carrier = false }"`
	Tests       []string        `toml:"tests" validate:"max=20,dive,max=80" example:"[\"Function\", \"Electrical safety\"]"`
	Warranty    int             `toml:"warranty_days" validate:"min=0,max=3650" example:"90"`
	// WarnAt are shares of the promised time, in percent, at which the counter is warned; RiskAt is how
	// probable a miss must be for the forecast to warn.
	WarnAt []int `toml:"warn_at_percent" validate:"max=5,dive,min=1,max=99" example:"[50, 80]"`
	RiskAt int   `toml:"risk_at_percent" validate:"min=0,max=99" example:"50"`
	// Unanswered says what no answer about a missed date means, and after how long.
	Unanswered     string `toml:"unanswered_means" validate:"omitempty,oneof=agree return agree_once" example:"agree"`
	UnansweredDays int    `toml:"unanswered_after_working_days" validate:"min=0,max=60" example:"5"`
}

// ProofSettings say what a test proves itself by.
type ProofSettings struct {
	// Practice is what the shop says that its electrical safety test goes by; it is printed with the test.
	Practice string `toml:"practice" validate:"max=120" example:"EN 50678"`
	// Names are what tests are called in other languages, by their name in promise.tests; Steps are the steps that
	// one is made of.
	Names map[string]map[string]string `toml:"names" validate:"max=40,dive,dive,keys,oneof=en fr de es,endkeys,required,max=80" example:"{ \"Function\" = { de = \"Funktion\" } }"`
	Steps map[string][]string          `toml:"steps" validate:"max=40,dive,max=40,dive,required,max=120" example:"{ \"Function\" = [\"Two hours at full load\"] }"`
	// TellDays are how many days after arrival carriers want to be told of damage, by the carrier's name.
	TellDays map[string]int `toml:"tell_carrier_days" validate:"max=40,dive,keys,required,max=80,endkeys,min=0,max=365" example:"{ \"Coast Parcel\" = 7 }"`
	// Limits are what steps are measured in and against, by test and step.
	Limits      map[string]map[string]string `toml:"limits" validate:"max=40,dive,max=40,dive,required,max=60" example:"{ \"Function\" = { \"Ripple\" = \"0 to 20 mV\" } }"`
	Instruments []struct {
		Name       string `toml:"name" validate:"required,max=80" example:"Tester 1"`
		Serial     string `toml:"serial" validate:"max=80"`
		Calibrated string `toml:"calibrated" validate:"omitempty,datetime=2006-01-02" example:"2026-03-01"`
		Due        string `toml:"due" validate:"omitempty,datetime=2006-01-02" example:"2027-03-01"`
	} `toml:"instruments" validate:"max=50,dive"`
}

// CarrierSettings is one [[carriers]]: how long its parcels usually take, in calendar days after posting.
type CarrierSettings struct {
	// Name is as it is written at packing; "" stands for every other carrier.
	Name   string         `toml:"name" validate:"max=80" example:"Sea and Land Post"`
	Days   int            `toml:"days" validate:"min=0,max=180" example:"5"`
	Abroad map[string]int `toml:"abroad" validate:"max=250,dive,keys,iso3166_1_alpha2,endkeys,min=1,max=180" example:"{ US = 10, FR = 14 }"`
}

// QuoteSettings says how long a quote stands and when it is followed up.
type QuoteSettings struct {
	Days   int   `toml:"days" validate:"min=0,max=365" example:"14"`
	Remind []int `toml:"remind_after_working_days" validate:"max=5,dive,min=1,max=60" example:"[2, 5]"`
	// Last is how many working days before it runs out the last notice goes out, 0 for none.
	Last int `toml:"last_notice_working_days" validate:"min=0,max=60" example:"1"`
	// Undo is how many minutes consent to recycling waits before it takes effect. With 0 no answer can be taken
	// back; else each can until the bench begins.
	Undo int `toml:"undo_minutes" validate:"min=0,max=1440" example:"30"`
}

// PaperSettings are the papers that a quote can be had as, besides the plain one.
type PaperSettings struct {
	Estimate *struct {
		Registration string `toml:"registration" validate:"max=80"`
		Notice       string `toml:"notice" validate:"max=4000"`
	} `toml:"written_estimate"`
	RepairForm *struct {
		Replacement string `toml:"replacement" validate:"max=400"`
		Place       string `toml:"place" validate:"max=400"`
	} `toml:"repair_form"`
}

// UncollectedSettings is a notice about goods that nobody collects: the shop sets what local law asks for.
type UncollectedSettings struct {
	// After is in calendar days after the goods were ready, Give how many calendar days the notice gives.
	After int               `toml:"after_days" validate:"min=1,max=3650" example:"30"`
	Give  int               `toml:"give_days" validate:"min=0,max=3650" example:"14"`
	Text  map[string]string `toml:"text" validate:"required,min=1,dive,keys,oneof=en fr de es,endkeys,required,max=4000" example:"{ en = \"Please collect your device.\" }"`
}

// MailSettings says how mail is sent.
type MailSettings struct {
	Host string `toml:"host" validate:"omitempty,hostname|ip" example:"smtp.example.net"`
	Port int    `toml:"port" validate:"min=0,max=65535" example:"587"`
	// Security is starttls (usual), tls, or none.
	Security string `toml:"security" validate:"omitempty,oneof=starttls tls none" example:"starttls"`
	User     string `toml:"user"`
	// PasswordFile holds the password, so that it is in no settings file.
	PasswordFile string `toml:"password_file" validate:"omitempty,file" example:"/run/secrets/smtp"`
	From         string `toml:"from" validate:"omitempty,email" example:"bench@harbour.example"`
	// Gather is how many minutes a notice waits for more steps of its job.
	Gather int `toml:"gather_minutes" validate:"min=0,max=60" example:"3"`
	// Quiet are the hours of the customer's night, "" for none.
	Quiet string `toml:"quiet" validate:"quiet" example:"21:00-08:00"`
	// PerMinute and PerDomain bound how many mails begin in a minute, in all and to one domain.
	PerMinute int `toml:"per_minute" validate:"min=0,max=100000" example:"120"`
	PerDomain int `toml:"per_domain_minute" validate:"min=0,max=100000" example:"30"`
	// DKIM signs every mail, once for each of these.
	DKIM []DKIMSettings `toml:"dkim" validate:"max=4,dive"`
}

// DKIMSettings is a key that signs mails (RFC 6376, 8463).
type DKIMSettings struct {
	Domain   string `toml:"domain" validate:"required,fqdn" example:"harbour.example"`
	Selector string `toml:"selector" validate:"required,max=60" example:"bench2026"`
	KeyFile  string `toml:"key_file" validate:"required,file" example:"/run/secrets/dkim.pem"`
}

// WebSettings says how the portal is reached.
type WebSettings struct {
	Listen  string   `toml:"listen" example:"127.0.0.1:8080"`
	Proxies []string `toml:"trusted_proxies" validate:"dive,ip|cidr" example:"[\"127.0.0.1\"]"`
	// Metrics is where Prometheus reads figures about mails, "" for nowhere. It is internal: never make it
	// public.
	Metrics string `toml:"metrics" validate:"omitempty,hostname_port" example:"127.0.0.1:9464"`
}

// StaffSettings say how staff sign in.
type StaffSettings struct {
	// SecondFactor says of whom one is demanded.
	SecondFactor string `toml:"second_factor" validate:"omitempty,oneof=owner everybody nobody" example:"owner"`
}

// BookingSettings bound what strangers can have the shop send by booking on the web, within an hour; 0 is no limit.
type BookingSettings struct {
	PerAddress int `toml:"per_address_hour" validate:"min=0,max=100000" example:"5"`
	PerDomain  int `toml:"per_domain_hour" validate:"min=0,max=100000" example:"30"`
	PerHour    int `toml:"per_hour" validate:"min=0,max=100000" example:"60"`
	// Confirm keeps a booking off the board until its email address is confirmed.
	Confirm bool `toml:"confirm_address"`
}

// PrivacySettings say how long people are kept.
type PrivacySettings struct {
	// EraseAfter is how many months after the end of a job its person is erased, 0 for never.
	EraseAfter int `toml:"erase_after_months" validate:"min=0,max=1200" example:"24"`
	// ErasedList names the file that lists who was erased, "" for one in the data folder.
	ErasedList string `toml:"erased_list" validate:"max=500" example:"/srv/apart/erased.list"`
}

// InboxSettings say where bounces and replies come in: a Maildir, or a mailbox on a server.
type InboxSettings struct {
	Maildir string `toml:"maildir" validate:"omitempty,dir" example:"/var/mail/bench"`
	Host    string `toml:"host" validate:"omitempty,hostname|ip" example:"imap.example.net"`
	Port    int    `toml:"port" validate:"min=0,max=65535" example:"993"`
	// Security is tls (usual), starttls, or none.
	Security     string `toml:"security" validate:"omitempty,oneof=starttls tls none" example:"tls"`
	User         string `toml:"user" example:"bench@harbour.example"`
	PasswordFile string `toml:"password_file" validate:"omitempty,file" example:"/run/secrets/imap"`
	Folder       string `toml:"folder" validate:"max=200" example:"INBOX"`
	// Authority names the server that is believed about senders.
	Authority string `toml:"authserv_id" validate:"omitempty,fqdn" example:"mx.example.net"`
}

// ReadSettings reads and checks shop.toml. A wrong setting is named with its line, what is wrong with
// it, and an example.
func ReadSettings(path string) (*Settings, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the settings file can't be read: %w", err)
	}
	return ParseSettings(path, text)
}

// ParseSettings is ReadSettings on a text.
func ParseSettings(path string, text []byte) (*Settings, error) {
	s := usualSettings()
	meta, err := checked(path, text, s)
	if err != nil {
		return nil, err
	}
	s.reached = meta.IsDefined("web")
	if len(s.Shop.Languages) == 0 {
		s.Shop.Languages = []string{"en"}
	}
	if s.Mail.From == "" {
		s.Mail.From = s.Shop.Email
	}
	if s.Inbox.Maildir != "" && s.Inbox.Host != "" {
		return nil, fmt.Errorf("%s, line %d: inbox names a maildir and a host; keep one of them", path, lineOf(text, "inbox.host"))
	}
	if s.own, err = s.ownWords(path, text); err != nil {
		return nil, err
	}
	s.own = s.own.In(cmp.Or(s.Shop.Country, countryOf[s.Money.Currency]))
	if s.trade, err = s.ownCatalogue(path); err != nil {
		return nil, err
	}
	var in *settingError
	if s.face, err = s.look(path); errors.As(err, &in) {
		return nil, fmt.Errorf("%s, line %d: %w", path, in.line(text), err)
	}
	if _, err := s.shop(); errors.As(err, &in) {
		return nil, fmt.Errorf("%s, line %d: %w", path, in.line(text), err)
	} else if err != nil {
		return nil, fmt.Errorf("%s, line %d: %w", path, lineOf(text, "calendar"), err)
	}
	return s, nil
}

// usualSettings returns what holds where the file says nothing.
func usualSettings() *Settings {
	return &Settings{
		Money: MoneySettings{Prices: "before_tax"},
		Promise: PromiseSettings{
			WorkingDays: 10, Warranty: 90, Tests: []string{"Function"}, WarnAt: []int{80}, RiskAt: 50, Unanswered: "agree", UnansweredDays: 5,
			Pauses: map[string]bool{"parts": true, "customer": true, "carrier": true, "payment": true, "insurer": true, "documents": true},
		},
		Quote:   QuoteSettings{Days: 14, Remind: []int{2, 5}, Last: 1, Undo: 30},
		Mail:    MailSettings{Port: 587, Security: "starttls", Gather: 3, Quiet: "21:00-08:00"},
		Inbox:   InboxSettings{Security: "tls", Folder: "INBOX"},
		Booking: BookingSettings{PerAddress: 5, PerDomain: 30, PerHour: 60},
		Web:     usualWeb,
		Staff:   StaffSettings{SecondFactor: portal.FactorOwner},
		Store:   StoreSettings{Within: 1000, PackDays: 90},
	}
}

// usualWeb is how a portal is reached that says nothing about it.
var usualWeb = WebSettings{Listen: "127.0.0.1:8080"}

// checked reads a settings file and holds it to the checks of its fields.
func checked(path string, text []byte, into any) (toml.MetaData, error) {
	meta, err := toml.NewDecoder(bytes.NewReader(text)).Decode(into)
	if err != nil {
		return meta, tomlError(path, err)
	}
	if unknown := meta.Undecoded(); len(unknown) > 0 {
		key := unknown[0].String()
		return meta, fmt.Errorf("%s, line %d: there is no setting called %s; check its spelling against what benchword init prints", path, lineOf(text, key), key)
	}
	if err := checker().Struct(into); err != nil {
		var list validator.ValidationErrors
		if !errors.As(err, &list) {
			return meta, fmt.Errorf("%s: %w", path, err)
		}
		e := list[0]
		key := keyOf(e.Namespace())
		return meta, fmt.Errorf("%s, line %d: %s %s. Example: %s = %s", path, lineOf(text, key), key, wrong(e), lastPart(key), exampleOf(key))
	}
	return meta, nil
}

// shop turns settings into the domain's shop.
func (s *Settings) shop() (*workflow.Shop, error) {
	cal, err := calendar.New(s.Hours)
	if err != nil {
		return nil, fmt.Errorf("calendar: %w", err)
	}
	out := &workflow.Shop{
		ID: workflow.ShopID(s.Shop.ID), Name: s.Shop.Name, BaseURL: strings.TrimRight(s.Shop.BaseURL, "/"),
		Address: strings.Join(s.Shop.Address, "\n"), Email: s.Shop.Email, Phone: s.Shop.Phone, About: s.Shop.About, Paper: s.Shop.Paper, TaxNumber: s.Shop.TaxNumber,
		Catalogue: s.trade, Look: s.face,
		Calendar: cal, Currency: money.Currency(s.Money.Currency), Prices: money.Prices(s.Money.Prices), Taxes: map[string]money.Tax{},
		Languages: s.Shop.Languages, PromiseDays: s.Promise.WorkingDays, QuoteDays: s.Quote.Days, RemindDays: slices.Sorted(slices.Values(s.Quote.Remind)),
		WarrantyDays: s.Promise.Warranty, Tests: s.Promise.Tests, SettleFirst: s.Money.SettleFirst,
		PauseFor: map[workflow.HoldReason]bool{}, LinkFor: 365 * 24 * time.Hour,
		LastNoticeDays: s.Quote.Last, UndoFor: time.Duration(s.Quote.Undo) * time.Minute, Consent: templates.Consent(s.own, s.Shop.Languages, "words"), ConsentRecycle: templates.Consent(s.own, s.Shop.Languages, "recycle"),
		FeeCredited: s.Money.FeeCredited, PayURL: s.Money.PayURL, PayWords: s.Money.PayWords, EraseMonths: s.Privacy.EraseAfter,
		BookLimits: workflow.BookLimits{Address: s.Booking.PerAddress, Domain: s.Booking.PerDomain, All: s.Booking.PerHour}, ConfirmBookings: s.Booking.Confirm,
	}
	if e := s.Papers.Estimate; e != nil {
		out.Estimate = &workflow.EstimatePaper{Registration: e.Registration, Notice: e.Notice}
	}
	if f := s.Papers.RepairForm; f != nil {
		out.RepairForm = &workflow.RepairForm{Replacement: f.Replacement, Place: f.Place}
	}
	if s.Money.Fee != "" {
		a, err := money.Parse(s.Money.Fee, out.Currency)
		if err != nil || a.Minor < 0 {
			const key = "money.diagnostic_fee"
			return nil, &settingError{key, alone, fmt.Errorf("%s = %q is not an amount in %s. Example: diagnostic_fee = %s", key, s.Money.Fee, out.Currency, exampleOf(key))}
		}
		if a.Minor > 0 {
			out.Fee = &a
		}
	}
	for _, n := range slices.SortedStableFunc(slices.Values(s.Uncollected), func(a, b UncollectedSettings) int { return a.After - b.After }) {
		out.Uncollected = append(out.Uncollected, workflow.UncollectedNotice{AfterDays: n.After, GiveDays: n.Give, Text: n.Text})
	}
	out.Gather = time.Duration(s.Mail.Gather) * time.Minute
	out.Quiet, _ = parseQuiet(s.Mail.Quiet)
	for name, percent := range s.Money.Taxes {
		p, err := money.ParseDecimal(percent)
		if err != nil {
			return nil, fmt.Errorf("tax %s: %w", name, err)
		}
		out.Taxes[name] = money.Tax{Percent: p}
	}
	out.TellDays = s.Proof.TellDays
	out.Practice, out.TestNames, out.TestSteps = s.Proof.Practice, s.Proof.Names, s.Proof.Steps
	out.Country = cmp.Or(s.Shop.Country, countryOf[s.Money.Currency])
	for _, c := range s.Carriers {
		out.Carriers = append(out.Carriers, workflow.Carrier(c))
	}
	for test, steps := range s.Proof.Limits {
		for step, text := range steps {
			l, err := workflow.ParseLimit(text)
			if err != nil {
				const key = "proof.limits"
				return nil, &settingError{key, alone, fmt.Errorf("%s: %s, %s: %w. Example: limits = %s", key, test, step, err, exampleOf(key))}
			}
			if out.TestLimits == nil {
				out.TestLimits = map[string]map[string]workflow.Limit{}
			}
			if out.TestLimits[test] == nil {
				out.TestLimits[test] = map[string]workflow.Limit{}
			}
			out.TestLimits[test][step] = l
		}
	}
	for _, i := range s.Proof.Instruments {
		out.Instruments = append(out.Instruments, workflow.Instrument{Name: i.Name, Serial: i.Serial, Calibrated: i.Calibrated, Due: i.Due})
	}
	for r, on := range s.Promise.Pauses {
		out.PauseFor[workflow.HoldReason(r)] = on
	}
	if out.QuoteDays == 0 {
		out.QuoteDays = 14
	}
	if out.Hooks, err = s.hooks(); err != nil {
		return nil, err
	}
	out.WarnAt, out.RiskAt = slices.Compact(slices.Sorted(slices.Values(s.Promise.WarnAt))), s.Promise.RiskAt
	out.Silence, out.SilenceDays = workflow.SilencePolicy(s.Promise.Unanswered), s.Promise.UnansweredDays
	if err := s.levels(out); err != nil {
		return nil, err
	}
	return out, nil
}

// parseQuiet reads hours like "21:00-08:00", "" for none.
func parseQuiet(s string) (q workflow.Quiet, ok bool) {
	if s == "" {
		return q, true
	}
	from, to, found := strings.Cut(s, "-")
	a, err := time.Parse("15:04", strings.TrimSpace(from))
	b, err2 := time.Parse("15:04", strings.TrimSpace(to))
	if !found || err != nil || err2 != nil {
		return q, false
	}
	return workflow.Quiet{From: a.Hour()*60 + a.Minute(), To: b.Hour()*60 + b.Minute()}, true
}

func checker() *validator.Validate {
	v := validator.New(validator.WithRequiredStructEnabled())
	v.RegisterTagNameFunc(func(f reflect.StructField) string { return f.Tag.Get("toml") })
	must := func(err error) {
		if err != nil {
			panic(err)
		}
	}
	must(v.RegisterValidation("shopid", func(f validator.FieldLevel) bool { return workflow.ShopID(f.Field().String()).Valid() }))
	must(v.RegisterValidation("hookname", func(f validator.FieldLevel) bool { return workflow.ShopID(f.Field().String()).Valid() }))
	must(v.RegisterValidation("hookevent", func(f validator.FieldLevel) bool {
		return slices.Contains(workflow.HookEvents, workflow.EventKind(f.Field().String()))
	}))
	must(v.RegisterValidation("currency", func(f validator.FieldLevel) bool {
		_, err := money.ParseCurrency(f.Field().String())
		return err == nil
	}))
	must(v.RegisterValidation("percent", func(f validator.FieldLevel) bool {
		d, err := money.ParseDecimal(f.Field().String())
		return err == nil && d.Sign() >= 0 && d.Cmp(money.MustDecimal("100")) <= 0
	}))
	must(v.RegisterValidation("quiet", func(f validator.FieldLevel) bool {
		_, ok := parseQuiet(f.Field().String())
		return ok
	}))
	must(v.RegisterValidation("payurl", func(f validator.FieldLevel) bool {
		u, err := url.Parse(strings.NewReplacer("{job}", "J", "{amount}", "1", "{currency}", "EUR").Replace(f.Field().String()))
		return err == nil && u.Scheme == "https" && u.Host != "" && u.User == nil
	}))
	hex := regexp.MustCompile(`^#[0-9A-Fa-f]{6}$`)
	must(v.RegisterValidation("colour", func(f validator.FieldLevel) bool { return hex.MatchString(f.Field().String()) }))
	must(v.RegisterValidation("bucket", func(f validator.FieldLevel) bool {
		_, err := bucket.ParsePlace(f.Field().String())
		return err == nil
	}))
	must(v.RegisterValidation("baseurl", func(f validator.FieldLevel) bool {
		u, err := url.Parse(f.Field().String())
		return err == nil && (u.Scheme == "http" || u.Scheme == "https") && u.Host != "" && strings.Trim(u.Path, "/") == "" && u.RawQuery == "" && u.User == nil
	}))
	must(v.RegisterValidation("store", func(f validator.FieldLevel) bool { return redis.Options{URL: f.Field().String()}.Check() == nil }))
	return v
}

// wrong says in plain words which rule a setting breaks.
func wrong(e validator.FieldError) string {
	switch e.Tag() {
	case "required":
		return "is missing"
	case "max":
		return "is too large or too long (at most " + e.Param() + ")"
	case "min":
		return "is too small or too short (at least " + e.Param() + ")"
	case "oneof":
		return "must be one of: " + strings.ReplaceAll(e.Param(), " ", ", ")
	case "iso3166_1_alpha2":
		return "is not a country's code of two letters, like CA (ISO 3166)"
	case "email":
		return "is not a complete email address"
	case "shopid":
		return "may hold only a-z, 0-9 and -, at most 32 of them"
	case "hookname":
		return "may hold only a-z, 0-9 and -, at most 32 of them"
	case "hookevent":
		return "is no event that a hook is told of (deploy/webhooks.md lists them)"
	case "currency":
		return "is not an ISO 4217 currency code"
	case "percent":
		return "is not a percentage from 0 to 100, written as a text"
	case "baseurl":
		return "must be the address of the portal, starting with https:// (or http:// for a trial) and without a path"
	case "quiet":
		return "must be hours like 21:00-08:00, or empty for none"
	case "fqdn":
		return "is not the name of a domain"
	case "payurl":
		return "must be an address that starts with https://"
	case "colour":
		return "is not a colour written like #1a5147"
	case "dir":
		return "names a folder that is not there"
	case "hostname_port":
		return "is not an address with a port"
	case "bucket":
		return "is no place of a bucket"
	case "required_with":
		return "is missing, and the bucket of the photos needs it"
	case "file":
		return "names a file that is not there"
	case "store":
		return "must be an address like redis://host:6379/0, redis-sentinel://host:26379,host:26379/name/0 or redis-cluster://host:6379,host:6379 (rediss… with TLS)"
	case "ip|cidr":
		return "is not an address or a network"
	case "hostname|ip":
		return "is not the name of a host"
	}
	return "is not right"
}

// keyOf turns "Settings.shop.base_url" into "shop.base_url".
func keyOf(namespace string) string {
	_, key, _ := strings.Cut(namespace, ".")
	before, rest, ok := strings.Cut(key, "[") // taxes[hst], dkim[0].domain
	if !ok {
		return key
	}
	_, after, _ := strings.Cut(rest, "]")
	return before + after
}

func lastPart(key string) string { return key[strings.LastIndexByte(key, '.')+1:] }

// exampleOf finds the example tag of a key.
func exampleOf(key string) string {
	t := reflect.TypeFor[Settings]()
	var field reflect.StructField
	for part := range strings.SplitSeq(key, ".") {
		found := false
		for i := range t.NumField() {
			if f := t.Field(i); f.Tag.Get("toml") == part {
				field, found = f, true
			}
		}
		if !found {
			return "…"
		}
		if t = field.Type; t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			break
		}
	}
	example := field.Tag.Get("example")
	switch {
	case example == "":
		return "…"
	case field.Type.Kind() == reflect.String:
		return `"` + example + `"`
	}
	return example
}

// lineOf finds the line of a key in the text: its own, or its table's, or 1.
func lineOf(text []byte, key string) int {
	table, name := "", key
	if i := strings.LastIndexByte(key, '.'); i >= 0 {
		table, name = key[:i], key[i+1:]
	}
	in, at := "", 0
	n := 0
	for l := range strings.Lines(string(text)) {
		n++
		l = strings.TrimSpace(l)
		if strings.HasPrefix(l, "[") {
			in = header(l)
			if in == table || in == key {
				at = n
			}
			continue
		}
		k, _, ok := strings.Cut(l, "=")
		if ok && strings.TrimSpace(k) == name && in == table {
			return n
		}
	}
	if at == 0 {
		return 1
	}
	return at
}

// header returns the name of a table, or of a list's table, from the line that begins it.
func header(line string) string {
	name, _, _ := strings.Cut(line, "#")
	return strings.Trim(name, "[] \t")
}

// secretIn reads the secret that a file holds, "" if no file is named; what names it in an error.
func secretIn(file, what string) (string, error) {
	if file == "" {
		return "", nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("the file of %s can't be read: %w", what, err)
	}
	return strings.TrimSpace(string(text)), nil
}

// readNamed reads a file that a setting names; a relative name begins at the settings' own folder.
func readNamed(path, setting, file string) (name string, text []byte, err error) {
	if !filepath.IsAbs(file) {
		file = filepath.Join(filepath.Dir(path), file)
	}
	if text, err = os.ReadFile(file); err != nil {
		return "", nil, fmt.Errorf("the file that %s names can't be read: %w", setting, err)
	}
	return file, text, nil
}
