package workflow

import (
	"context"
	"errors"
	"slices"
	"time"

	"benchword/workflow/link"
)

// LinkGrant is a link that was given out. The link itself is derived from ID by [link.Maker]; the
// store keeps its hash.
type LinkGrant struct {
	ID      string       `json:"id"`
	Purpose link.Purpose `json:"purpose"`
	// Quote is the revision that a decide link is for, or the number of the delay that a choose link is for.
	Quote     int       `json:"quote,omitempty"`
	IssuedAt  time.Time `json:"issued_at"`
	ExpiresAt time.Time `json:"expires_at"`
	Revoked   bool      `json:"revoked,omitempty"`
}

// Link returns the newest live grant for a purpose at an instant, nil if there is none.
func (j *Job) Link(purpose link.Purpose, now time.Time) *LinkGrant {
	for i := range slices.Backward(j.Links) {
		if l := &j.Links[i]; l.Purpose == purpose && !l.Revoked && now.Before(l.ExpiresAt) {
			return l
		}
	}
	return nil
}

// Open finds what a link's token opens. It tells an unknown link from one that has ended, and
// nothing else. Errors: ErrNotFound, ErrGone.
func (s *Service) Open(ctx context.Context, token string) (LinkRow, error) {
	unknown := &Error{Code: CodeNotFound, Reason: "link_unknown", Message: "This link is not complete. Open it again from the mail, or ask for a new one with your job number."}
	parsed, err := link.ParseToken(token)
	if err != nil {
		return LinkRow{}, unknown
	}
	row, err := s.store.Link(ctx, s.Shop.ID, parsed.Hash())
	if errors.Is(err, ErrNotFound) {
		return LinkRow{}, unknown
	}
	if err != nil {
		return LinkRow{}, err
	}
	if row.Revoked || !s.Now().Before(row.ExpiresAt) {
		return row, &Error{Code: CodeGone, Reason: "link_ended", Message: "This link has ended. Ask for a new one with your job number and e-mail address."}
	}
	return row, nil
}

// Token derives the link's token of a grant: what goes into a mail.
func (s *Service) Token(j *Job, g *LinkGrant) (string, error) {
	t, err := s.Links.Token(string(j.Shop), string(j.Number), g.Purpose, g.ID)
	if err != nil {
		return "", err
	}
	return t.Text(), nil
}

func (t *turn) issueLink(purpose link.Purpose, quote int, until time.Time) error {
	id, token, err := t.links.New(t.random, string(t.shop.ID), string(t.j.Number), purpose)
	if err != nil {
		return err
	}
	until = until.Truncate(time.Second)
	t.rows = append(t.rows, LinkRow{Hash: token.Hash(), Job: t.j.Number, ID: id, Purpose: purpose, Quote: quote, ExpiresAt: until})
	return t.record(&LinkIssued{ID: id, Purpose: purpose, Quote: quote, ExpiresAt: until})
}

func (t *turn) revokeLinks(purpose link.Purpose) error {
	for _, l := range t.j.Links {
		if l.Purpose != purpose || l.Revoked {
			continue
		}
		token, err := t.links.Token(string(t.shop.ID), string(t.j.Number), purpose, l.ID)
		if err != nil {
			return err
		}
		t.rows = append(t.rows, LinkRow{Hash: token.Hash(), Job: t.j.Number, ID: l.ID, Purpose: purpose, Quote: l.Quote, ExpiresAt: l.ExpiresAt, Revoked: true})
		if err := t.record(&LinkRevoked{ID: l.ID}); err != nil {
			return err
		}
	}
	return nil
}

// LinkIssued hands out a link.
type LinkIssued struct {
	ID        string       `json:"id"`
	Purpose   link.Purpose `json:"purpose"`
	Quote     int          `json:"quote,omitempty"`
	ExpiresAt time.Time    `json:"expires_at"`
}

func (p *LinkIssued) fold(j *Job, e *Event) {
	j.Links = append(j.Links, LinkGrant{ID: p.ID, Purpose: p.Purpose, Quote: p.Quote, IssuedAt: e.At, ExpiresAt: p.ExpiresAt})
}

// LinkRevoked ends a link.
type LinkRevoked struct {
	ID string `json:"id"`
}

func (p *LinkRevoked) fold(j *Job, e *Event) {
	for i := range j.Links {
		if j.Links[i].ID == p.ID {
			j.Links[i].Revoked = true
		}
	}
}

// AskLink mails the customer a fresh look link.
type AskLink struct{}

func (c AskLink) decide(t *turn) error {
	if t.j.Customer.Email.Text == "" {
		return refused("There is no e-mail address on this job.").because("no_email")
	}
	if t.j.Link(link.Look, t.now.Add(7*24*time.Hour)) == nil {
		if err := t.issueLink(link.Look, 0, t.now.Add(t.shop.LinkFor)); err != nil {
			return err
		}
	}
	return t.record(&LinkAsked{})
}

// LinkAsked: somebody who knows job number and address asked for the link to be mailed again.
type LinkAsked struct{}

func (p *LinkAsked) fold(j *Job, e *Event) {}

// RevokeLinks ends every look link that is out and makes a new one: for a link that got into the
// wrong hands.
type RevokeLinks struct{}

func (c RevokeLinks) decide(t *turn) error {
	if err := t.revokeLinks(link.Look); err != nil {
		return err
	}
	if !t.j.Erased.IsZero() {
		return nil
	}
	return t.issueLink(link.Look, 0, t.now.Add(t.shop.LinkFor))
}
