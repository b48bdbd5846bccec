package main

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	_ "image/png" // a logo may be one
	"math"
	"regexp"
	"strconv"
	"strings"

	"benchword/templates"
	"benchword/workflow"
)

// look reads the shop's own face. Its colours must be readable with those of the pages, by the ratios of WCAG 2.2:
// 4.5 for words (1.4.3), 3 for the edge of a button (1.4.11). In the dark the pages keep their own.
func (s *Settings) look(path string) (workflow.Look, error) {
	x := s.Shop
	out := workflow.Look{Colour: strings.ToLower(x.Colour), Behind: strings.ToLower(x.ColourBehind), Privacy: x.PrivacyURL, Terms: x.TermsURL, Imprint: x.ImprintURL}
	wrong := func(key string, err error) (workflow.Look, error) {
		return workflow.Look{}, &settingError{key, alone, err}
	}
	if out.Colour != "" {
		if out.On = "#ffffff"; contrast(out.Colour, out.On) < 4.5 {
			out.On = pageColour("ink")
		}
		for _, c := range []struct {
			what, with string
			least      float64
		}{{"the words on a button", out.On, 4.5}, {"the page's paper", pageColour("paper"), 3}} {
			if got := contrast(out.Colour, c.with); got < c.least {
				return wrong("shop.colour", fmt.Errorf("shop.colour = %q is too close to %s, %s: their contrast is %.1f, and %.1f is needed (WCAG 2.2). Example: colour = \"#1a5147\"", x.Colour, c.what, c.with, got, c.least))
			}
		}
	}
	if out.Behind != "" {
		for _, c := range []struct{ what, with string }{{"the words of the page's foot", pageColour("ink-2")}, {"links", pageColour("link")}} {
			if got := contrast(out.Behind, c.with); got < 4.5 {
				return wrong("shop.colour_behind", fmt.Errorf("shop.colour_behind = %q is too close to %s, %s: their contrast is %.1f, and 4.5 is needed (WCAG 2.2). Example: colour_behind = \"#d9dfd8\"", x.ColourBehind, c.what, c.with, got))
			}
		}
	}
	if x.LogoFile != "" {
		name, b, err := readNamed(path, "shop.logo_file", x.LogoFile)
		if err == nil {
			out.LogoType, err = logoType(b)
		}
		if err != nil {
			return wrong("shop.logo_file", fmt.Errorf("shop.logo_file: %s: %w", name, err))
		}
		out.Logo = b
	}
	return out, nil
}

// mostLogo is what a logo may weigh: it is on every page.
const mostLogo = 40 << 10

// logoType returns what kind of picture a logo is: PNG. An SVG can hold more than a picture.
func logoType(b []byte) (string, error) {
	if len(b) > mostLogo {
		return "", fmt.Errorf("it has %d KB, and may have %d: it is on every page", len(b)>>10, mostLogo>>10)
	}
	if c, kind, err := image.DecodeConfig(bytes.NewReader(b)); err == nil && kind == "png" {
		if c.Width > 2000 || c.Height > 2000 {
			return "", errors.New("it has more than 2000 pixels a side")
		}
		return "image/png", nil
	}
	return "", errors.New("it is no PNG")
}

// pageColour returns a colour that the pages are drawn with by day.
func pageColour(name string) string {
	css, _, _, _ := templates.Asset("base.css")
	m := regexp.MustCompile(`--` + name + `: (#[0-9a-f]{6});`).FindSubmatch(css)
	return string(m[1])
}

// contrast returns the contrast ratio of two colours, each #rrggbb, after WCAG 2.2.
func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(colour string) (l float64) {
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, _ := strconv.ParseUint(colour[1+2*i:3+2*i], 16, 8) // the checks of the settings saw to its form
		c := float64(n) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		l += weight * c
	}
	return l
}
