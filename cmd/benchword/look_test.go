package main

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Pairs whose ratios are well known from public contrast checkers: WCAG 2.2's own 21 for black on white, the greys on both
// sides of 4.5, and pure red and blue.
func TestContrastIsWCAGs(t *testing.T) {
	for pair, want := range map[[2]string]string{
		{"#000000", "#ffffff"}: "21.00", {"#ffffff", "#ffffff"}: "1.00", {"#767676", "#ffffff"}: "4.54", {"#777777", "#ffffff"}: "4.48",
		{"#949494", "#ffffff"}: "3.03", {"#ff0000", "#ffffff"}: "4.00", {"#0000ff", "#ffffff"}: "8.59",
	} {
		require.Equal(t, want, fmt.Sprintf("%.2f", contrast(pair[0], pair[1])), pair)
		require.Equal(t, want, fmt.Sprintf("%.2f", contrast(pair[1], pair[0])), pair)
	}
}

func logoPNG(t testing.TB) []byte {
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, image.NewGray(image.Rect(0, 0, 40, 20))))
	return b.Bytes()
}

// A shop's colours and logo are looked at when the settings are read: what can't be read, or does more than draw, is
// refused with its line.
func TestTheShopsOwnLook(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"logo.png": string(logoPNG(t)), "logo.svg": `<svg xmlns="http://www.w3.org/2000/svg"><path d="M0 0h9"/></svg>`, "big.png": strings.Repeat("x", mostLogo+1),
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	with := func(line string) (*Settings, error) {
		return ParseSettings(filepath.Join(dir, "shop.toml"), []byte(strings.Replace(fmt.Sprintf(demoSettings, "https://status.harbour.example"), "[shop]", "[shop]\n"+line, 1)))
	}
	for line, on := range map[string]string{`colour = "#1a5147"`: "#ffffff", `colour = "#E08A00"`: "", `colour_behind = "#D9DFD8"`: "", `logo_file = "logo.png"`: ""} {
		s, err := with(line)
		if line == `colour = "#E08A00"` {
			require.ErrorContains(t, err, "the page's paper", line)
			require.ErrorContains(t, err, "line 3", line)
			continue
		}
		require.NoError(t, err, line)
		shop, err := s.shop()
		require.NoError(t, err)
		require.Equal(t, on, shop.Look.On, line)
	}
	for line, says := range map[string]string{
		`colour = "#ffe000"`: "shop.colour", `colour = "green"`: "colour", `colour_behind = "#777777"`: "4.5 is needed", `privacy_url = "javascript:alert(1)"`: "https://",
		`logo_file = "big.png"`: "on every page", `logo_file = "logo.svg"`: "no PNG", `logo_file = "none.png"`: "can't be read",
	} {
		_, err := with(line)
		require.ErrorContains(t, err, says, line)
		require.ErrorContains(t, err, "line 3", line)
	}
}
