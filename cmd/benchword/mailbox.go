package main

import (
	"bytes"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"mime"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"benchword/notify/smtptest"

	"github.com/emersion/go-message/mail"
)

// mailbox shows the mails that the demo's mail server received, as a person's mail program would:
// what is not in the mail is not loaded.
type mailbox struct {
	post *smtptest.Server
	shop string
	http *http.Server
}

//go:embed mailbox.html
var mailboxPage string

var mailboxTemplate = template.Must(template.New("mailbox").Parse(mailboxPage))

// letter is a received mail, taken apart.
type letter struct {
	Number            int
	To, From, Subject string
	Date              string
	HTML, Text        string
	Headers           []string
	parts             map[string]picture
	Pictures, Bytes   int
}

// picture is an inline picture of a mail, by its Content-ID.
type picture struct {
	contentType string
	body        []byte
}

func openLetter(number int, m smtptest.Mail) (*letter, error) {
	r, err := mail.CreateReader(bytes.NewReader(m.Data))
	if err != nil {
		return nil, err
	}
	l := &letter{Number: number, To: strings.Join(m.To, ", "), From: m.From, Bytes: len(m.Data), parts: map[string]picture{}}
	if l.Subject, err = r.Header.Subject(); err != nil {
		return nil, err
	}
	if d, err := r.Header.Date(); err == nil {
		l.Date = d.Format("Mon 2 Jan 15:04")
	}
	for fields := r.Header.Fields(); fields.Next(); {
		l.Headers = append(l.Headers, fields.Key()+": "+fields.Value())
	}
	for {
		p, err := r.NextPart()
		if errors.Is(err, io.EOF) {
			return l, nil
		}
		if err != nil {
			return nil, err
		}
		body, err := io.ReadAll(p.Body)
		if err != nil {
			return nil, err
		}
		kind, _, _ := mime.ParseMediaType(p.Header.Get("Content-Type"))
		switch {
		case kind == "text/html":
			l.HTML = string(body)
		case kind == "text/plain":
			l.Text = string(body)
		case strings.HasPrefix(kind, "image/"):
			l.parts[strings.Trim(p.Header.Get("Content-Id"), "<>")] = picture{kind, body}
			l.Pictures++
		}
	}
}

func (b *mailbox) serve(l net.Listener) error {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", b.list)
	mux.HandleFunc("GET /mail/{n}", b.show)
	mux.HandleFunc("GET /mail/{n}/html", b.html)
	mux.HandleFunc("GET /mail/{n}/text", b.text)
	mux.HandleFunc("GET /mail/{n}/raw", b.raw)
	mux.HandleFunc("GET /mail/{n}/part/{id}", b.part)
	b.http = &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	if err := b.http.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

func (b *mailbox) close() error {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if b.http == nil {
		return nil
	}
	return b.http.Shutdown(ctx)
}

func (b *mailbox) page(w http.ResponseWriter, view any) {
	var out bytes.Buffer
	if err := mailboxTemplate.Execute(&out, view); err != nil {
		http.Error(w, "The mailbox page failed.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-src 'self'")
	_, _ = w.Write(out.Bytes())
}

// mailboxView is what mailbox.html shows: a list, or one mail.
type mailboxView struct {
	Shop    string
	Letters []*letter
	One     *letter
}

func (b *mailbox) list(w http.ResponseWriter, _ *http.Request) {
	v := mailboxView{Shop: b.shop}
	mails := b.post.Mails()
	for i := len(mails) - 1; i >= 0; i-- {
		l, err := openLetter(i+1, mails[i])
		if err != nil {
			l = &letter{Number: i + 1, Subject: "An email that can't be read: " + err.Error()}
		}
		v.Letters = append(v.Letters, l)
	}
	b.page(w, v)
}

func (b *mailbox) letter(w http.ResponseWriter, r *http.Request) (*letter, []byte) {
	n, err := strconv.Atoi(r.PathValue("n"))
	mails := b.post.Mails()
	if err != nil || n < 1 || n > len(mails) {
		http.Error(w, "There is no such email.", http.StatusNotFound)
		return nil, nil
	}
	l, err := openLetter(n, mails[n-1])
	if err != nil {
		http.Error(w, "This mail can't be read: "+err.Error(), http.StatusInternalServerError)
		return nil, nil
	}
	return l, mails[n-1].Data
}

func (b *mailbox) show(w http.ResponseWriter, r *http.Request) {
	if l, _ := b.letter(w, r); l != nil {
		b.page(w, mailboxView{Shop: b.shop, One: l})
	}
}

// html shows the HTML part. Its pictures come from the mail itself; nothing else can be loaded.
func (b *mailbox) html(w http.ResponseWriter, r *http.Request) {
	l, _ := b.letter(w, r)
	if l == nil {
		return
	}
	body := l.HTML
	for id := range l.parts {
		body = strings.ReplaceAll(body, "cid:"+url.PathEscape(id), fmt.Sprintf("/mail/%d/part/%s", l.Number, url.PathEscape(id)))
		body = strings.ReplaceAll(body, "cid:"+id, fmt.Sprintf("/mail/%d/part/%s", l.Number, url.PathEscape(id)))
	}
	body = strings.Replace(body, "<head>", `<head><base target="_blank">`, 1)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; img-src 'self'; style-src 'unsafe-inline'")
	_, _ = io.WriteString(w, body)
}

func (b *mailbox) text(w http.ResponseWriter, r *http.Request) {
	if l, _ := b.letter(w, r); l != nil {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = io.WriteString(w, l.Text)
	}
}

func (b *mailbox) raw(w http.ResponseWriter, r *http.Request) {
	if _, data := b.letter(w, r); data != nil {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write(data)
	}
}

func (b *mailbox) part(w http.ResponseWriter, r *http.Request) {
	l, _ := b.letter(w, r)
	if l == nil {
		return
	}
	p, ok := l.parts[r.PathValue("id")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", p.contentType)
	w.Header().Set("X-Content-Type-Options", "nosniff")
	_, _ = w.Write(p.body)
}
