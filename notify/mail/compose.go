package mail

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	netmail "net/mail"
	"slices"
	"strings"
	"time"

	"benchword/notify"
	"benchword/templates"
	"benchword/templates/locale"
	mailview "benchword/templates/mail"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/link"
)

// What a mail may weigh. Mailboxes clip HTML at about 102 KB (many reports; no mailbox publishes it),
// and a mail of more than a few MB is slow on a telephone line.
const (
	MaxHTML = 96 << 10
	// photoBytes is what all photos of a mail may weigh before base64 adds its third: with text and HTML
	// the mail stays below 1.5 MB.
	photoBytes = 960 << 10
)

// Writer writes emails: it is the [Composer] of a running shop.
type Writer struct {
	Service   *workflow.Service
	Templates *templates.Set
	// Words are what customers read; nil means the usual texts.
	Words *locale.Set
	// Photos may be nil: then mails show none and say where they are.
	Photos evidence.Blobs
	// From is the address that mails come from; "" means the shop's. Answers go to the shop's.
	From string
	// Domain is the right side of Message-IDs; "" means that of From. It must never change for a shop,
	// or repeats of a mail could not be told.
	Domain  string
	Signers []*Signer
	Log     *slog.Logger
	// Copies, if set, are shared with other shops of the process.
	Copies *Copies

	copies Copies
}

var _ Composer = (*Writer)(nil)

func (m *Writer) from() string {
	if m.From != "" {
		return m.From
	}
	return m.Service.Shop.Email
}

// MessageDomain is the right side of the Message-IDs: what an answer names.
func (m *Writer) MessageDomain() (string, error) { return m.domain() }

func (m *Writer) domain() (string, error) {
	if m.Domain != "" {
		return m.Domain, nil
	}
	addr, _, err := EnvelopeAddress(m.from())
	if err != nil {
		return "", fmt.Errorf("the address that mails come from: %w", err)
	}
	return domainOf(addr), nil
}

// Compose implements [Composer].
func (m *Writer) Compose(ctx context.Context, j *workflow.Job, e *workflow.Entry) (*Message, error) {
	shop := m.Service.Shop
	domain, err := m.domain()
	if err != nil {
		return nil, err
	}
	w, err := m.write(ctx, j, e, domain)
	if err != nil {
		return nil, err
	}
	name, id := shop.Name, MessageName(m.Service, e.ID)
	p := Parts{
		ID: id + "@" + domain, Thread: string(j.Number) + ".job@" + domain,
		Date: e.MadeAt.In(shop.Calendar.Location()),
		From: netmail.Address{Name: name, Address: m.from()}, ReplyTo: shop.Email,
		To:      netmail.Address{Address: j.Customer.Email.Text},
		Subject: w.view.Subject, Lang: w.view.W.Lang, Text: w.text, HTML: w.html, Photos: w.inline,
	}
	if !j.Stranger() {
		p.To.Name = j.Customer.Name.Text
	}
	if w.optional && strings.HasPrefix(w.view.Choose, "https://") {
		// RFC 8058 asks for https. A mail that the customer needs in any case has no such button.
		p.Unsubscribe = w.view.Choose
	}
	if was, err := kept(e.Body); err == nil {
		p.Before, p.ID = replaced(id, was.ID, domain)
	}
	out, err := Build(p, m.Signers...)
	if err == nil {
		out.Holds = append(out.Holds, w.holds...)
	}
	return out, err
}

// written is a mail's contents, before it is built.
type written struct {
	view       *mailview.Mail
	html, text string
	inline     []Inline
	// holds are the links and photos that it holds, as [standing] names them.
	holds []string
	// optional: all that it tells is what the customer may do without.
	optional bool
}

// write renders a notice, with as much in it as a mailbox shows without clipping.
func (m *Writer) write(ctx context.Context, j *workflow.Job, e *workflow.Entry, domain string) (*written, error) {
	order, links, err := m.order(j, e)
	if err != nil {
		return nil, err
	}
	w := &written{optional: j.Choice() == workflow.TellEveryStep}
	for _, x := range append([]workflow.Entry{*order.Entry}, order.Also...) {
		w.optional = w.optional && j.Optional(m.Service.Shop, x.Kind, x.Quote)
	}
	for order.Brief = 0; ; order.Brief++ {
		w.view = mailview.Of(order)
		if w.inline, err = m.show(ctx, w.view, j, e, domain); err != nil {
			return nil, err
		}
		if w.html, err = m.render(w.view); err != nil {
			return nil, err
		}
		if len(w.html) <= MaxHTML || order.Brief >= 2 {
			break
		}
	}
	w.holds = links
	for _, i := range w.inline {
		w.holds = append(w.holds, photoHeld(i.photo))
	}
	w.text, err = m.render(w.view.Plain())
	return w, err
}

// Subject returns what a notice says in one sentence, and its language.
func (m *Writer) Subject(j *workflow.Job, e *workflow.Entry) (subject, lang string, err error) {
	o, _, err := m.order(j, e)
	if err != nil {
		return "", "", err
	}
	o.Job = j // it is read where the booker asked for it, not at the address they gave
	return mailview.Of(o).Subject, o.Words.Lang, nil
}

// Preview renders the mail that a notice of this kind would be for the job as it stands. Its pictures
// are data addresses, so that the HTML shows by itself; where the quote's link does not exist yet, one
// that leads nowhere stands in its place. Nothing is sent.
func (m *Writer) Preview(ctx context.Context, j *workflow.Job, kind workflow.NoticeKind) (html, text []byte, err error) {
	e := &workflow.Entry{Shop: j.Shop, Job: j.Number, ID: previewID, Seq: j.Version, Kind: kind, MadeAt: m.Service.Now().UTC()}
	switch kind {
	case workflow.NoticeFindings:
		e.Ref = len(j.Reports)
		if q := j.Quote(); q != nil && e.Ref > 0 && q.State == workflow.RevisionOpen && !q.IssuedAt.Before(j.Reports[e.Ref-1].SentAt) {
			e.Quote = q.Revision
		}
	case workflow.NoticeQuote, workflow.NoticeFurtherQuote:
		e.Ref, e.Quote = len(j.Quotes), len(j.Quotes)
	case workflow.NoticeDecision:
		e.Ref = len(j.Decisions)
	case workflow.NoticeMessage:
		e.Ref = len(j.Messages)
	case workflow.NoticePromiseMoved, workflow.NoticeBreach:
		e.Ref = len(j.Promises)
	}
	return m.PreviewEntry(ctx, j, e)
}

// PreviewEntry is [Writer.Preview] of an entry of the outbox.
func (m *Writer) PreviewEntry(ctx context.Context, j *workflow.Job, e *workflow.Entry) (html, text []byte, err error) {
	w, err := m.write(ctx, j, e, "preview.invalid")
	if err != nil {
		return nil, nil, err
	}
	for _, i := range w.inline {
		w.html = strings.ReplaceAll(w.html, "cid:"+i.CID, "data:image/jpeg;base64,"+base64.StdEncoding.EncodeToString(i.JPEG))
	}
	return []byte(w.html), []byte(w.text), nil
}

// previewID marks the entry of a mail that is only looked at.
const previewID = "preview"

// order says what the mail is about and makes its links, which it names as [standing] does.
func (m *Writer) order(j *workflow.Job, e *workflow.Entry) (o mailview.Order, links []string, err error) {
	shop, now := m.Service.Shop, m.Service.Now()
	words := m.Words.For(j.Customer.Language)
	seen := j
	if j.Stranger() {
		seen = j.Unsaid(words.T("mail.device"))
	}
	e, also := leading(j, e, now)
	o = mailview.Order{
		Job: seen, At: now, Entry: e, Also: also, Shop: shop, Words: words,
		Find: shop.BaseURL + "/find", Packing: shop.BaseURL + "/packing",
	}
	address := func(path string, g *workflow.LinkGrant) string {
		t, tokenErr := m.Service.Token(j, g)
		err = errors.Join(err, tokenErr)
		links = append(links, linkHeld(g))
		return shop.BaseURL + path + t
	}
	if g := j.Link(link.Own, now); g != nil {
		o.Own = address("/j/", g)
		o.Choose = o.Own + "/notices"
	}
	if g := j.Link(link.Decide, now); g != nil && g.Quote == len(j.Quotes) {
		o.Decide = address("/d/", g)
	}
	if g := j.Link(link.Data, now); g != nil && e.Kind == workflow.NoticeData {
		o.Data, o.DataUntil = address("/data/", g), g.ExpiresAt
	}
	for i := range j.Links {
		if g := &j.Links[i]; e.Kind == workflow.NoticeConfirm && g.Purpose == link.Confirm && g.Quote == e.Ref && !g.Revoked && now.Before(g.ExpiresAt) {
			o.Confirm = address("/confirm/", g)
			break
		}
	}
	if g, d := j.Link(link.Choose, now), j.Delay(); g != nil && d != nil && g.Quote == d.Number {
		o.Delay = address("/c/", g)
	}
	if o.Decide == "" && e.ID == previewID && e.Quote > 0 {
		o.Decide = shop.BaseURL + "/d/preview"
	}
	return o, links, err
}

// leading returns the notice that an email is headed by, and the others that it tells: the last that asks
// something of the reader, else the last that tells how the job stands.
func leading(j *workflow.Job, e *workflow.Entry, now time.Time) (*workflow.Entry, []workflow.Entry) {
	gathered, _ := j.Gathered(e)
	if len(gathered) == 0 {
		gathered = []workflow.Entry{*e} // as it would have been: a look at what was not sent
	}
	rank := func(x *workflow.Entry) int {
		switch x.Kind {
		case workflow.NoticeMessage, workflow.NoticeLink, workflow.NoticeData:
			return 0
		case workflow.NoticeQuote, workflow.NoticeFurtherQuote, workflow.NoticeReminder, workflow.NoticeLastNotice, workflow.NoticeUncollected:
			return 2
		case workflow.NoticeBreach, workflow.NoticePromiseMoved:
			if j.ToChoose(now) != nil {
				return 2
			}
		}
		if x.Quote > 0 && x.Quote <= len(j.Quotes) && j.Quotes[x.Quote-1].Answerable(now) {
			return 2
		}
		return 1
	}
	first := 0
	for i := range gathered {
		if rank(&gathered[i]) >= rank(&gathered[first]) {
			first = i
		}
	}
	lead := gathered[first]
	return &lead, slices.Delete(gathered, first, first+1)
}

func (m *Writer) render(v templates.View) (string, error) {
	var b bytes.Buffer
	if err := m.Templates.Render(&b, v); err != nil {
		return "", fmt.Errorf("writing an email: %w", err)
	}
	return b.String(), nil
}

// show takes as many photos into the mail as it may carry, the most telling first. A photo that can't be
// read is left to the page: the words matter more.
func (m *Writer) show(ctx context.Context, view *mailview.Mail, j *workflow.Job, e *workflow.Entry, domain string) ([]Inline, error) {
	var out []Inline
	if m.Photos == nil {
		return nil, nil
	}
	copies := m.Copies
	if copies == nil {
		copies = &m.copies
	}
	left := photoBytes
	for _, p := range view.Photos() {
		if len(out) == mailview.MaxPhotos {
			break
		}
		photo := j.Photo(p.ID)
		if photo == nil {
			continue
		}
		c, err := copies.get(ctx, m.Photos, j, photo)
		switch {
		case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
			return nil, &notify.Failure{Fate: notify.PutOff, Words: "The photos could not be read in time.", Err: err}
		case err != nil:
			if m.Log != nil {
				m.Log.Error("a photo could not be put into an email", "job", j.Number, "photo", p.ID, "cause", err)
			}
			continue
		case len(c.jpeg) > left:
			continue
		}
		left -= len(c.jpeg)
		cid := fmt.Sprintf("p%d.%s@%s", p.ID, e.ID, domain)
		p.Show("cid:"+cid, c.width, c.height)
		out = append(out, Inline{CID: cid, Name: fmt.Sprintf("photo-%d.jpg", p.ID), JPEG: c.jpeg, photo: photo})
	}
	return out, nil
}
