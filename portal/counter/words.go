package counter

import (
	"errors"
	"net/url"
	"slices"
	"strings"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/link"

	"github.com/gofiber/fiber/v2"
)

// wordsPage is the owner's page of the texts that customers read: a list, or one of them as it is tried.
type wordsPage struct {
	templates.Page
	// Lang and Find are what the list is of; Languages lead to the others.
	Lang, Find string
	Languages  []stageFilter
	Texts      []wordRow
	// Cut says that there are more.
	Cut bool

	// Key is the text that is looked at, "" for the list.
	Key    string
	Fields []wordField
	// Wrong says why the text as typed can't be used.
	Wrong string
	// Usual is the text as it is for every shop; Line what to put into the settings.
	Usual, Line string
	Changed     bool
	// Kind is the mail that it is shown in, of Kinds.
	Kind  string
	Kinds []choice
	// The addresses of the samples, "" for none, and the mail's text part.
	PageURL, MailURL, MailText string
}

func (*wordsPage) Template() string { return "words.html" }

// wordRow is a text in the list.
type wordRow struct {
	Key, Text, URL string
	// Own marks the shop's own words.
	Own bool
}

// wordField is a text, or one of its plural forms, as it is typed.
type wordField struct{ Name, Label, Text string }

// wordsShown is how many texts stand on the page of words.
const wordsShown = 60

// tried is a text that is being looked at, in the words that are typed.
type tried struct {
	lang, key string
	typed     locale.Wording
	set       *locale.Set
	wrong     *locale.WordingError
}

// try reads which text is looked at, and how it would be said. Nothing is kept: what is to stay goes into
// the settings.
func (x *counter) try(c *fiber.Ctx) *tried {
	t := &tried{lang: c.Query("lang"), key: c.Query("key"), set: x.s.Words()}
	if !slices.Contains(locale.Languages, t.lang) {
		t.lang = x.s.Shop().Languages[0]
	}
	w := t.set.For(t.lang)
	if !w.Has(t.key) || t.key == "" {
		t.key = ""
		return t
	}
	t.typed = w.Wording(t.key)
	if c.Query("try") == "" {
		return t
	}
	typed := locale.Wording{Text: c.Query("text"), By: t.typed.By}
	if t.typed.Forms != nil {
		typed.Text, typed.Forms = "", map[string]string{}
		for form := range t.typed.Forms {
			typed.Forms[form] = c.Query("text-" + form)
		}
	}
	t.typed = typed
	set, err := t.set.With(t.lang, t.key, typed)
	if !errors.As(err, &t.wrong) {
		t.set = set
	}
	return t
}

// query is the address of a look at the text as it is typed.
func (t *tried) query() string {
	v := url.Values{"lang": {t.lang}, "key": {t.key}, "try": {"yes"}}
	if t.typed.Forms == nil {
		v.Set("text", t.typed.Text)
	}
	for form, s := range t.typed.Forms {
		v.Set("text-"+form, s)
	}
	return v.Encode()
}

// sampleMails are the mails whose words begin so; others are looked at in the first of the list.
var sampleMails = map[string]workflow.NoticeKind{
	"mail.report": workflow.NoticeFindings, "mail.findings": workflow.NoticeFindings, "mail.booked": workflow.NoticeBooked, "mail.received": workflow.NoticeReceived,
	"mail.contents": workflow.NoticeReceived, "mail.further": workflow.NoticeFurtherQuote, "mail.reminder": workflow.NoticeReminder,
	"mail.taken_back": workflow.NoticeQuoteWithdrawn, "mail.expired": workflow.NoticeExpired, "mail.approved": workflow.NoticeDecision, "mail.decision": workflow.NoticeDecision,
	"mail.ready": workflow.NoticeReady, "mail.work": workflow.NoticeReady, "mail.tests": workflow.NoticeReady, "mail.shipped": workflow.NoticeShipped,
	"mail.cancelled": workflow.NoticeWithdrawn, "mail.withdrawn": workflow.NoticeWithdrawn, "mail.moved": workflow.NoticePromiseMoved, "mail.breach": workflow.NoticeBreach,
	"mail.question": workflow.NoticeMessage, "mail.message": workflow.NoticeMessage, "mail.link": workflow.NoticeLink,
}

// sampleKinds are the mails that can be looked at, in the order in which a job sends them.
var sampleKinds = []workflow.NoticeKind{
	workflow.NoticeFindings, workflow.NoticeBooked, workflow.NoticeReceived, workflow.NoticeMessage, workflow.NoticeReminder, workflow.NoticeDecision,
	workflow.NoticeFurtherQuote, workflow.NoticeQuoteWithdrawn, workflow.NoticeExpired, workflow.NoticePromiseMoved, workflow.NoticeBreach, workflow.NoticeReady,
	workflow.NoticeShipped, workflow.NoticeWithdrawn, workflow.NoticeLink,
}

// showWords lists the texts that customers read, and shows one where they read it, also in words that are
// only being tried.
func (x *counter) showWords(c *fiber.Ctx) error {
	t := x.try(c)
	w := t.set.For(t.lang)
	v := &wordsPage{Page: x.s.Page(c, "Words"), Lang: t.lang, Find: c.Query("find"), Key: t.key}
	for _, l := range locale.Languages {
		v.Languages = append(v.Languages, stageFilter{
			Words: locale.For(l).T("language"), Here: l == t.lang, URL: "/counter/words?" + url.Values{"lang": {l}, "find": {v.Find}, "key": {t.key}}.Encode(),
		})
	}
	if t.key == "" {
		own, find := x.s.Words().For(t.lang), strings.ToLower(strings.TrimSpace(v.Find))
		for _, key := range locale.Keys() {
			text := own.Wording(key).String()
			mine := text != locale.For(t.lang).Wording(key).String()
			if find == "" && !mine || !strings.Contains(key, find) && !strings.Contains(strings.ToLower(text), find) {
				continue
			}
			if len(v.Texts) == wordsShown {
				v.Cut = true
				break
			}
			v.Texts = append(v.Texts, wordRow{Key: key, Text: text, Own: mine, URL: "/counter/words?" + url.Values{"lang": {t.lang}, "key": {key}}.Encode()})
		}
		return x.render(c, fiber.StatusOK, v)
	}
	v.Title = "Words: " + t.key
	usual := locale.For(t.lang).Wording(t.key)
	v.Usual = usual.String()
	if t.typed.Forms == nil {
		v.Fields = []wordField{{Name: "text", Label: "The text", Text: t.typed.Text}}
	} else {
		for _, form := range t.typed.FormNames() {
			v.Fields = append(v.Fields, wordField{Name: "text-" + form, Label: "The form “" + form + "”", Text: t.typed.Forms[form]})
		}
	}
	status := fiber.StatusOK
	if t.wrong != nil {
		v.Wrong, status = strings.ToUpper(t.wrong.Wrong[:1])+t.wrong.Wrong[1:], fiber.StatusUnprocessableEntity
	} else {
		v.Line = "[words." + t.lang + "]\n\"" + t.key + "\" = " + w.Wording(t.key).String()
		v.Changed = w.Wording(t.key).String() != usual.String()
	}
	if x.cfg.SampleMail == nil || t.wrong != nil {
		return x.render(c, status, v)
	}
	kind := workflow.NoticeKind(c.Query("kind"))
	if !slices.Contains(sampleKinds, kind) {
		kind = sampleKinds[0]
		for prefix, k := range sampleMails {
			if strings.HasPrefix(t.key, prefix+".") {
				kind = k
			}
		}
	}
	v.Kind = string(kind)
	for _, k := range sampleKinds {
		v.Kinds = append(v.Kinds, choice{Value: string(k), Words: noticeName(k)})
	}
	v.MailURL = "/counter/words/mail?" + t.query() + "&kind=" + v.Kind
	if !strings.HasPrefix(t.key, "mail.") {
		v.PageURL = "/counter/words/page?" + t.query()
	}
	if _, text, err := x.cfg.SampleMail(c.UserContext(), t.set, t.lang, kind); err == nil {
		v.MailText = string(text)
	} else {
		v.MailURL = ""
	}
	return x.render(c, status, v)
}

// wordsMail is the sample mail inside the page of words.
func (x *counter) wordsMail(c *fiber.Ctx) error {
	t := x.try(c)
	if x.cfg.SampleMail == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "This server shows no emails."}
	}
	html, _, err := x.cfg.SampleMail(c.UserContext(), t.set, t.lang, workflow.NoticeKind(c.Query("kind")))
	if err != nil {
		return err
	}
	return sendMail(c, html)
}

// wordsPage is the sample of the page on which a text stands, inside the page of words.
func (x *counter) wordsPage(c *fiber.Ctx) error {
	t := x.try(c)
	if x.cfg.SampleJob == nil {
		return &workflow.Error{Code: workflow.CodeNotFound, Message: "This server shows no samples."}
	}
	j, err := x.cfg.SampleJob(c.UserContext(), t.set, t.lang)
	if err != nil {
		return err
	}
	shop, now, w := x.s.Shop(), x.s.Now(), t.set.For(t.lang)
	page := templates.Page{Lang: t.lang, Catalogue: t.set, Title: shop.Name, Path: c.Path(), Shop: templates.ShopOf(shop)}
	page.Shop.Zone = w.Zone(shop.Calendar.Location())
	nowhere := func(*workflow.Photo, string) string { return "" }
	part, _, _ := strings.Cut(t.key, ".")
	var v templates.View
	switch part {
	case "home":
		v = &templates.Home{Page: page, Days: shop.UsualDays()}
	case "find":
		v = &templates.Find{Page: page}
	case "book":
		v = &templates.BookForm{Page: page, Currency: string(shop.Currency), Days: shop.UsualDays()}
	case "booked":
		v = &templates.Booked{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Fault: j.Fault.Text, Track: "#", TrackFull: shop.BaseURL + "/j/…"}
	case "packing":
		v = &templates.Packing{Page: page}
	case "share":
		v = &templates.SharePage{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Base: "#"}
	case "quote", "option", "line", "tax":
		v = &templates.QuotePage{Page: page, Number: j.Number.Shown(), Device: j.Device.Name(), Quote: templates.QuoteOf(j, j.Quote(), shop, now, w), Act: "#", Track: "#"}
	case "review", "next", "consent":
		v = templates.ReviewOf(page, j, j.Quote(), shop, now, workflow.VerdictApprove, "A", w)
	case "report", "caution", "origin", "weight", "certainty", "cause", "tried", "verdict", "check", "duty":
		v = &templates.ReportPage{Page: page, Report: templates.ReportOf(j, &j.Reports[0], shop, now, w, nowhere), Track: "#"}
	default:
		v = templates.TrackOf(page, j, shop, now, templates.TrackLink{Token: "sample", Purpose: link.Own, Until: now.Add(shop.LinkFor)})
	}
	framed(c, "'self'")
	return x.s.Render(c, fiber.StatusOK, v)
}
