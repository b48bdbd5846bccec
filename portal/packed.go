package portal

import (
	"sync"

	"github.com/gofiber/fiber/v2"
	"github.com/valyala/fasthttp"
)

// packed is an answer's text in the forms that browsers take: as it is, by Brotli (RFC 7932), by gzip (RFC
// 1952). Each is made once, when it is first asked for.
//
// Decisions:
//   - 2026-11-30: Customers' pages are sent compressed, the counter's and the API's are not. Nothing that a
//     browser sends by itself opens a customer's page, the link in its address does; so nobody who guesses at
//     lengths can have one fetched. The counter's pages come by a cookie and repeat what was searched for.
//     Rejected: compressing all of it and hiding the lengths.
type packed struct {
	body  []byte
	br    packedForm
	gzip  packedForm
	level int // Brotli's
}

type packedForm struct {
	once sync.Once
	body []byte
}

// smallest is a length in bytes below which packing gains nothing.
const smallest = 512

// in returns the form that a reader takes, with its name, "" for the text as it is.
func (p *packed) in(h *fasthttp.RequestHeader) (body []byte, encoding string) {
	switch {
	case len(p.body) < smallest:
	case h.HasAcceptEncoding("br"):
		p.br.once.Do(func() { p.br.body = fasthttp.AppendBrotliBytesLevel(nil, p.body, p.level) })
		return p.br.body, "br"
	case h.HasAcceptEncoding("gzip"):
		p.gzip.once.Do(func() { p.gzip.body = fasthttp.AppendGzipBytesLevel(nil, p.body, fasthttp.CompressDefaultCompression) })
		return p.gzip.body, "gzip"
	}
	return p.body, ""
}

// send answers with the text, in the form that the reader takes. etag is "" or names its state, whatever the
// form: so it is sent as a weak one (RFC 9110, 8.8.1).
func (p *packed) send(c *fiber.Ctx, etag string) error {
	c.Vary(fiber.HeaderAcceptEncoding)
	if etag != "" && unchanged(c, "W/"+etag) {
		return c.SendStatus(fiber.StatusNotModified)
	}
	body, encoding := p.in(&c.Request().Header)
	if encoding != "" {
		c.Response().Header.Set(fiber.HeaderContentEncoding, encoding)
	}
	return c.Send(body)
}

// assets are the embedded files, by name, packed as small as they get.
var assets sync.Map

func packedAsset(name string, body []byte) *packed {
	p, _ := assets.LoadOrStore(name, &packed{body: body, level: fasthttp.CompressBrotliBestCompression})
	return p.(*packed)
}
