// Package inbox reads what comes back, from a Maildir or an IMAP mailbox: a bounce (RFC 3464) becomes the event
// "notice.bounced" and tells the counter, a customer's reply a message on the job. Nothing that comes in leads
// to an email that goes out.
//
// # Decisions
//
//   - 2026-11-25: A reply is a message, nothing more. It counts only from the customer's own address and in
//     answer to one of our Message-IDs; nobody decides a quote by email, and what fits nothing stays in the
//     mailbox for a person. Rejected: a reply address for each job, which needs a mail server that takes
//     them. The Maildir is read by a few lines of ours: go-maildir is not on the module proxy.
package inbox

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"log/slog"
	"strings"
	"time"

	"benchword/notify/mail"
	"benchword/templates/locale"
	"benchword/workflow"
)

// Mailbox is where mails come in: a [Maildir] or an [IMAP] mailbox.
type Mailbox interface {
	// Each returns every mail that nobody has dealt with, the oldest first. What deal answers decides:
	// true, it is done with; false, it is left for a person and not given again; an error, it is given
	// again the next time.
	Each(ctx context.Context, deal func(raw []byte) (done bool, err error)) error
}

// Desk takes the pictures in that come with a reply.
type Desk interface {
	Take(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber, r io.Reader) (workflow.Photo, error)
}

// Inbox reads what comes back.
//
//   - A bounce (RFC 3464) that reports a failure becomes the event "notice.bounced": it tells the counter,
//     and marks an address that does not exist. "delayed" is no bounce.
//   - A reply to one of our mails from the customer's own address becomes a message on the job, its
//     pictures photos. It is taken for a letter and nothing else: nobody decides a quote by mail.
//   - What a machine wrote (RFC 3834) is done with and says nothing.
//   - All else is left in the mailbox for a person.
//
// Nothing that comes in leads to a mail that goes out, so there can be no loop. A mail is acted on once,
// however often it is read.
type Inbox struct {
	Service *workflow.Service
	Box     Mailbox
	Desk    Desk // may be nil: then pictures are left out
	// Domain is the right side of our Message-IDs.
	Domain string
	// Words are what customers read; nil means the usual texts.
	Words *locale.Set
	// Every is how often it is looked into; 0 means a minute.
	Every time.Duration
	Log   *slog.Logger
}

// rememberFor is how long a mail is remembered as acted on.
const rememberFor = 400 * 24 * time.Hour

// Run looks into the mailbox until ctx ends.
func (b *Inbox) Run(ctx context.Context) {
	every := b.Every
	if every <= 0 {
		every = time.Minute
	}
	for {
		if err := b.Look(ctx); err != nil && ctx.Err() == nil {
			b.Log.Error("the mailbox can't be read", "cause", err)
		}
		t := time.NewTimer(every)
		select {
		case <-ctx.Done():
			t.Stop()
			return
		case <-t.C:
		}
	}
}

// Look deals with what has come in.
func (b *Inbox) Look(ctx context.Context) error {
	return b.Box.Each(ctx, func(raw []byte) (bool, error) { return b.deal(ctx, raw) })
}

// deal acts on one mail.
func (b *Inbox) deal(ctx context.Context, raw []byte) (done bool, err error) {
	l, err := ReadLetter(bytes.NewReader(raw))
	if err != nil {
		b.Log.Warn("a mail that came in can't be read; it is left in the mailbox", "cause", err)
		return false, nil
	}
	sum := sha256.Sum256(raw)
	once := "mail-" + hex.EncodeToString(sum[:20])
	switch {
	case len(l.Bounces) > 0:
		return b.bounce(ctx, l, once)
	case l.Auto, b.ours(l.ID):
		return true, nil
	}
	return b.reply(ctx, l, once)
}

// ours reports whether a Message-ID is one that we give.
func (b *Inbox) ours(id string) bool {
	_, _, ok := b.names(id)
	return ok
}

// names takes one of our Message-IDs apart: "<job>-<seq>-<kind>@domain", with ".2" and so on before
// the @ if it is not the notice's first, or "<job>.job@domain".
func (b *Inbox) names(id string) (n workflow.JobNumber, notice string, ok bool) {
	left, ok := strings.CutSuffix(strings.ToLower(id), "@"+strings.ToLower(b.Domain))
	if !ok {
		return "", "", false
	}
	left = id[:len(left)]
	job, thread := strings.CutSuffix(left, ".job")
	if !thread {
		job, _, _ = strings.Cut(left, "-")
		notice, _, _ = strings.Cut(left, ".")
	}
	n, err := workflow.ParseJobNumber(job)
	return n, notice, err == nil
}

// of returns the job that a mail is about, nil if it is about none.
func (b *Inbox) of(ctx context.Context, l *Letter) (*workflow.Job, string, error) {
	for _, ref := range l.Refs {
		n, notice, ok := b.names(ref)
		if !ok {
			continue
		}
		j, err := b.Service.Job(ctx, n)
		switch {
		case errors.Is(err, workflow.ErrNotFound):
			continue
		case err != nil:
			return nil, "", err
		}
		return j, notice, nil
	}
	return nil, "", nil
}

func (b *Inbox) do(ctx context.Context, j *workflow.Job, by workflow.Actor, once string, commands ...workflow.Command) error {
	_, err := b.Service.Do(ctx, workflow.Order{
		Job: j.Number, By: by, Commands: commands,
		Once: &workflow.Once{Key: once, Digest: once, Until: b.Service.Now().Add(rememberFor)},
	})
	var again *workflow.AlreadyDone
	if errors.As(err, &again) {
		return nil
	}
	return err
}

// bounce records a failure that is about one of our notices and its customer's address: a forged one
// would have to know both.
func (b *Inbox) bounce(ctx context.Context, l *Letter, once string) (bool, error) {
	j, notice, err := b.of(ctx, l)
	if err != nil {
		return false, err
	}
	if j == nil || !j.Erased.IsZero() || j.Notice(notice) == nil {
		return false, nil
	}
	to := strings.ToLower(j.Customer.Email.Text)
	ascii, _, err := mail.EnvelopeAddress(to)
	if err != nil {
		ascii = to
	}
	// Some servers write the address in xtext, some as it is; in "somebody+ad@…" that makes a difference.
	theirs := func(v string) bool { return v == to || v == ascii || unxtext(v) == to || unxtext(v) == ascii }
	known := false
	for i := range l.Bounces {
		x := &l.Bounces[i]
		if !theirs(x.To) && !theirs(x.Original) {
			continue
		}
		known = true
		if !x.Failed() {
			continue
		}
		reason, dead := "The mail was accepted and then came back. "+mail.Refusal(x.Code, x.Status, ""), strings.HasPrefix(x.Status, "5.1.") || strings.HasPrefix(x.Status, "5.2.1")
		if strings.HasPrefix(x.Status, "4.") {
			reason = "The mail was accepted, tried for days by the mail servers, and then came back. Please telephone the customer."
		}
		err := b.do(ctx, j, workflow.Actor{Role: workflow.RoleSystem, ID: "inbox"}, once, workflow.RecordBounce{ID: notice, Reason: reason, Dead: dead})
		return err == nil, err
	}
	return known, nil
}

// reply makes a message of a customer's answer.
func (b *Inbox) reply(ctx context.Context, l *Letter, once string) (bool, error) {
	j, _, err := b.of(ctx, l)
	if err != nil {
		return false, err
	}
	if j == nil || !j.Erased.IsZero() || j.Customer.Email.Text == "" || !strings.EqualFold(j.Customer.Email.Text, l.From) {
		b.Log.Info("a mail came in that is no customer's reply; it is left in the mailbox")
		return false, nil
	}
	by := workflow.Actor{Role: workflow.RoleCustomer, ID: "mail"}
	w := b.Words.For(j.Customer.Language)
	var photos []workflow.Command
	lost := l.LeftOut
	for _, p := range l.Pictures {
		if b.Desk == nil {
			lost++
			continue
		}
		photo, err := b.Desk.Take(ctx, j.Shop, j.Number, bytes.NewReader(p))
		if err != nil {
			if ctx.Err() != nil || workflow.CodeOf(err) == workflow.CodeInternal {
				return false, err
			}
			lost++
			continue
		}
		photo.Kind, photo.Caption = workflow.PhotoEvidence, w.T("reply.photo")
		photos = append(photos, workflow.AddPhoto{Photo: photo})
	}
	text := l.Text
	if text == "" && len(photos)+lost == 0 {
		return false, nil
	}
	if text == "" {
		text = w.T("reply.pictures_only", len(photos)+lost)
	}
	if lost > 0 {
		text += "\n\n" + w.T("reply.pictures_lost", lost)
	}
	text = strings.ToValidUTF8(text, "\ufffd")
	if r := []rune(text); len(r) > workflow.MaxText-1 {
		text = string(r[:workflow.MaxText-1]) + "…"
	}
	letter := workflow.SendMessage{Text: text}
	err = b.do(ctx, j, by, once, append([]workflow.Command{letter}, photos...)...)
	if err != nil && len(photos) > 0 && workflow.CodeOf(err) != workflow.CodeInternal {
		err = b.do(ctx, j, by, once, letter) // a photo that the job has already, or can't take: the words count
	}
	if err != nil && workflow.CodeOf(err) != workflow.CodeInternal {
		b.Log.Warn("a reply could not be put on its job; it is left in the mailbox", "job", j.Number, "cause", err)
		return false, nil
	}
	return err == nil, err
}
