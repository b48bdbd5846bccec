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
	"cmp"
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
	"benchword/workflow/evidence"
)

// Mailbox is where mails come in: a [Maildir] or an [IMAP] mailbox.
type Mailbox interface {
	// Each returns every mail that nobody has dealt with, the oldest first, within a bounded time.
	Each(ctx context.Context, deal Deal) error
}

// Deal acts on one mail, within the look that ctx is for. What it answers decides: true, it is done with;
// false, it is left for a person and not given again; an error, it is given again the next time, and those
// behind it are not held up.
type Deal func(ctx context.Context, raw []byte) (done bool, err error)

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
// however often it is read. What its pictures cost is bounded, by mail and by sender; those beyond it are
// left out. A mail that fails twice is left for a person.
type Inbox struct {
	Service *workflow.Service
	Box     Mailbox
	Desk    Desk // may be nil: then pictures are left out
	// Domain is the right side of our Message-IDs.
	Domain string
	// Words are what customers read; nil means the usual texts.
	Words *locale.Set
	// Authority is the authserv-id (RFC 8601) of the server that is believed about senders, "" for none.
	Authority string
	// Every is how often it is looked into; 0 means a minute.
	Every time.Duration
	// Budget is what the pictures of one mail may cost, Hourly those of one sender within an hour; zero fields
	// mean the usual.
	Budget, Hourly Budget
	Log            *slog.Logger

	failed map[string]bool   // mails that failed once
	spent  map[string]*spent // by sender
}

// Budget bounds what pictures cost: the time of reading them, and their pixels.
type Budget struct {
	Time   time.Duration
	Pixels int64
}

// The usual budgets: a dozen photos of a good telephone fit into a mail, and a few such mails into an hour. A
// mail's time is well within a look at the mailbox.
var (
	usualBudget = Budget{30 * time.Second, 200e6}
	usualHourly = Budget{time.Minute, 600e6}
)

// or returns the budget with the fields that are missing.
func (b Budget) or(usual Budget) Budget {
	return Budget{cmp.Or(b.Time, usual.Time), cmp.Or(b.Pixels, usual.Pixels)}
}

// spent is what is left of a sender's hour.
type spent struct {
	left  Budget
	until time.Time
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

// Look deals with what has come in. One look is taken at a time.
func (b *Inbox) Look(ctx context.Context) error {
	return b.Box.Each(ctx, func(look context.Context, raw []byte) (bool, error) {
		sum := sha256.Sum256(raw)
		once := "mail-" + hex.EncodeToString(sum[:20])
		done, err := b.deal(look, raw, once)
		switch {
		case err == nil:
			delete(b.failed, once)
		case ctx.Err() != nil || errors.Is(err, workflow.ErrUnavailable):
			// not the mail's fault
		case b.failed[once]:
			b.Log.Error("an email failed twice; it is left in the mailbox", "cause", err)
			delete(b.failed, once)
			return false, nil
		case len(b.failed) >= mostFailed:
			clear(b.failed)
		default:
			if b.failed == nil {
				b.failed = map[string]bool{}
			}
			b.failed[once] = true
		}
		return done, err
	})
}

// mostFailed bounds the mails that are remembered as failed once.
const mostFailed = 10_000

// deal acts on one mail.
func (b *Inbox) deal(ctx context.Context, raw []byte, once string) (done bool, err error) {
	l, err := ReadLetter(bytes.NewReader(raw))
	if err != nil {
		b.Log.Warn("an email that came in can't be read; it is left in the mailbox", "cause", err)
		return false, nil
	}
	switch {
	case len(l.Bounces) > 0:
		return b.bounce(ctx, l, once)
	case l.Auto, b.ours(l.ID):
		return true, nil
	}
	return b.reply(ctx, l, once)
}

// ours reports whether a Message-ID is one that we give.
func (b *Inbox) ours(id string) bool { return b.name(id).job != "" }

// named is what one of our Message-IDs names.
type named struct {
	job    workflow.JobNumber
	notice string // "" for the job's thread
	marked bool   // nobody could guess it
}

// name takes a Message-ID apart: the left side is that of [mail.MessageName], or "<job>.job".
func (b *Inbox) name(id string) (x named) {
	left, ok := strings.CutSuffix(strings.ToLower(id), "@"+strings.ToLower(b.Domain))
	if !ok {
		return x
	}
	left = id[:len(left)]
	job, thread := strings.CutSuffix(left, ".job")
	if !thread {
		x.notice, x.marked = mail.ReadMessageName(b.Service, left)
		job, _, _ = strings.Cut(left, "-")
	}
	n, err := workflow.ParseJobNumber(job)
	if err != nil {
		return named{}
	}
	x.job = n
	return x
}

// of returns the job that a mail is about, nil if it is about none. It is marked if any of the Message-IDs
// that name this job is.
func (b *Inbox) of(ctx context.Context, l *Letter) (j *workflow.Job, about named, err error) {
	for _, ref := range l.Refs {
		x := b.name(ref)
		switch {
		case x.job == "":
			continue
		case j != nil:
			about.marked = about.marked || x.job == j.Number && x.marked
			continue
		}
		found, err := b.Service.Job(ctx, x.job)
		switch {
		case errors.Is(err, workflow.ErrNotFound):
			continue
		case err != nil:
			return nil, x, err
		}
		j, about = found, x
	}
	return j, about, nil
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

// bounce records a failure that is about one of our notices and its customer's address. A forged one would
// have to know the Message-ID, which can't be guessed; one that names an ID from before there were marks tells
// the counter, but does not say that the address is dead.
func (b *Inbox) bounce(ctx context.Context, l *Letter, once string) (bool, error) {
	j, about, err := b.of(ctx, l)
	if err != nil {
		return false, err
	}
	notice := about.notice
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
		reason, dead := "The email was accepted and then came back. "+mail.Refusal(x.Code, x.Status, ""), about.marked && (strings.HasPrefix(x.Status, "5.1.") || strings.HasPrefix(x.Status, "5.2.1"))
		if strings.HasPrefix(x.Status, "4.") {
			reason = "The email was accepted, tried for days by the mail servers, and then came back. Please telephone the customer."
		}
		err := b.do(ctx, j, workflow.Actor{Role: workflow.RoleSystem, ID: "inbox"}, once, workflow.RecordBounce{ID: notice, Reason: reason, Dead: dead})
		return err == nil, err
	}
	return known, nil
}

// reply makes a message of a customer's answer.
func (b *Inbox) reply(ctx context.Context, l *Letter, once string) (bool, error) {
	j, about, err := b.of(ctx, l)
	if err != nil {
		return false, err
	}
	if j == nil || !j.Erased.IsZero() || j.Customer.Email.Text == "" || !strings.EqualFold(j.Customer.Email.Text, l.From) {
		b.Log.Info("an email came in that is no customer's reply; it is left in the mailbox")
		return false, nil
	}
	by := workflow.Actor{Role: workflow.RoleCustomer, ID: workflow.ByEmail}
	w := b.Words.For(j.Customer.Language)
	photos, lost, err := b.pictures(ctx, j, l)
	if err != nil {
		return false, err
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
	letter := workflow.SendMessage{Text: text, Came: came(l.Proof(b.Authority), about.marked)}
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

// pictures takes the pictures of a mail in, as far as they are within the budgets of the mail and of its
// sender. It counts those that were left out.
func (b *Inbox) pictures(ctx context.Context, j *workflow.Job, l *Letter) (photos []workflow.Command, lost int, err error) {
	lost = l.LeftOut
	mail, hour := b.Budget.or(usualBudget), b.hour(l.From)
	caption := b.Words.For(j.Customer.Language).T("reply.photo")
	for _, p := range l.Pictures {
		h, err := evidence.Inspect(p)
		left := Budget{min(mail.Time, hour.Time), min(mail.Pixels, hour.Pixels) - h.Pixels()}
		if err != nil || b.Desk == nil || left.Time <= 0 || left.Pixels < 0 {
			lost++
			continue
		}
		began := b.Service.Now()
		bounded, cancel := context.WithTimeout(ctx, left.Time)
		photo, err := b.Desk.Take(bounded, j.Shop, j.Number, bytes.NewReader(p))
		late := bounded.Err() != nil
		cancel()
		took := b.Service.Now().Sub(began)
		if late {
			took = max(took, left.Time)
		}
		for _, of := range []*Budget{&mail, hour} {
			of.Time, of.Pixels = of.Time-took, of.Pixels-h.Pixels()
		}
		switch {
		case ctx.Err() != nil:
			return nil, 0, ctx.Err()
		case err != nil && (late || workflow.CodeOf(err) != workflow.CodeInternal):
			lost++
			continue
		case err != nil:
			return nil, 0, err
		}
		photo.Kind, photo.Caption = workflow.PhotoEvidence, workflow.Plain(caption)
		photos = append(photos, workflow.AddPhoto{Photo: photo})
	}
	return photos, lost, nil
}

// hour returns what is left of a sender's hour.
func (b *Inbox) hour(sender string) *Budget {
	now := b.Service.Now()
	for k, s := range b.spent {
		if !now.Before(s.until) {
			delete(b.spent, k)
		}
	}
	if b.spent == nil {
		b.spent = map[string]*spent{}
	}
	s := b.spent[sender]
	if s == nil {
		s = &spent{b.Hourly.or(usualHourly), now.Add(time.Hour)}
		b.spent[sender] = s
	}
	return &s.left
}

// came says how a reply came. One that answers a Message-ID that could be guessed is not proven, whoever sent it.
func came(p Proof, marked bool) workflow.Came {
	switch {
	case p == Proven && marked:
		return workflow.CameProven
	case p == NotLooked && marked:
		return "" // by email, and nobody looked
	}
	return workflow.CameUnproven
}
