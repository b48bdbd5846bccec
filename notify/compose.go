package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	netmail "net/mail"

	"benchword/templates"
	"benchword/templates/locale"
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

// Mails writes mails: it is the [Composer] of a running shop.
type Mails struct {
	Service   *workflow.Service
	Templates *templates.Set
	// Photos may be nil: then mails show none and say where they are.
	Photos evidence.Blobs
	// From is the address that mails come from; "" means the shop's. Answers go to the shop's.
	From string
	// Domain is the right side of Message-IDs; "" means that of From. It must never change for a shop,
	// or repeats of a mail could not be told.
	Domain  string
	Signers []*Signer
	Log     *slog.Logger

	copies mailCopies
}

var _ Composer = (*Mails)(nil)

func (m *Mails) from() string {
	if m.From != "" {
		return m.From
	}
	return m.Service.Shop.Email
}

func (m *Mails) domain() (string, error) {
	if m.Domain != "" {
		return m.Domain, nil
	}
	addr, _, err := envelopeAddress(m.from())
	if err != nil {
		return "", fmt.Errorf("the address that mails come from: %w", err)
	}
	return domainOf(addr), nil
}

// Compose implements [Composer].
func (m *Mails) Compose(ctx context.Context, j *workflow.Job, e *workflow.Entry) (*Mail, error) {
	shop := m.Service.Shop
	domain, err := m.domain()
	if err != nil {
		return nil, err
	}
	order, err := m.order(j, e)
	if err != nil {
		return nil, err
	}
	var view *templates.Mail
	var html, text string
	var inline []Inline
	for order.Brief = 0; ; order.Brief++ {
		view = templates.MailOf(order)
		if inline, err = m.show(ctx, view, j, e, domain); err != nil {
			return nil, err
		}
		if html, err = m.render(view); err != nil {
			return nil, err
		}
		if len(html) <= MaxHTML || order.Brief >= 2 {
			break
		}
	}
	if text, err = m.render(view.Plain()); err != nil {
		return nil, err
	}
	name := shop.Name
	return Build(Parts{
		ID: e.ID + "@" + domain, Thread: string(j.Number) + ".job@" + domain,
		Date: e.MadeAt.In(shop.Calendar.Location()),
		From: netmail.Address{Name: name, Address: m.from()}, ReplyTo: shop.Email,
		To:      netmail.Address{Name: j.Customer.Name.Text, Address: j.Customer.Email.Text},
		Subject: view.Subject, Lang: view.W.Lang, Text: text, HTML: html, Photos: inline,
	}, m.Signers...)
}

// order says what the mail is about and makes its links.
func (m *Mails) order(j *workflow.Job, e *workflow.Entry) (templates.MailOrder, error) {
	shop, now := m.Service.Shop, m.Service.Now()
	o := templates.MailOrder{
		Job: j, Entry: e, Shop: shop, Words: locale.For(j.Customer.Language),
		Find: shop.BaseURL + "/find", Packing: shop.BaseURL + "/packing",
	}
	if g := j.Link(link.Look, now); g != nil {
		t, err := m.Service.Token(j, g)
		if err != nil {
			return o, err
		}
		o.Look = shop.BaseURL + "/j/" + t
	}
	if g := j.Link(link.Decide, now); g != nil && (g.Quote == e.Quote || e.Kind == workflow.NoticeReminder && g.Quote == len(j.Quotes)) {
		t, err := m.Service.Token(j, g)
		if err != nil {
			return o, err
		}
		o.Decide = shop.BaseURL + "/d/" + t
	}
	return o, nil
}

func (m *Mails) render(v templates.View) (string, error) {
	var b bytes.Buffer
	if err := m.Templates.Render(&b, v); err != nil {
		return "", fmt.Errorf("writing a mail: %w", err)
	}
	return b.String(), nil
}

// show takes as many photos into the mail as it may carry, the most telling first. A photo that can't be
// read is left to the page: the words matter more.
func (m *Mails) show(ctx context.Context, view *templates.Mail, j *workflow.Job, e *workflow.Entry, domain string) ([]Inline, error) {
	var out []Inline
	if m.Photos == nil {
		return nil, nil
	}
	left := photoBytes
	for _, p := range view.Photos() {
		if len(out) == templates.MailPhotos {
			break
		}
		photo := j.Photo(p.ID)
		if photo == nil {
			continue
		}
		c, err := m.copies.get(ctx, m.Photos, j, photo)
		switch {
		case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
			return nil, &Failure{Fate: PutOff, Words: "The photos could not be read in time.", Err: err}
		case err != nil:
			if m.Log != nil {
				m.Log.Error("a photo could not be put into a mail", "job", j.Number, "photo", p.ID, "cause", err)
			}
			continue
		case len(c.jpeg) > left:
			continue
		}
		left -= len(c.jpeg)
		cid := fmt.Sprintf("p%d.%s@%s", p.ID, e.ID, domain)
		p.Show("cid:"+cid, c.width, c.height)
		out = append(out, Inline{CID: cid, Name: fmt.Sprintf("photo-%d.jpg", p.ID), JPEG: c.jpeg})
	}
	return out, nil
}
