package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"benchword/templates/locale"

	"github.com/BurntSushi/toml"
)

// wordings are a shop's own texts: language to key to text.
type wordings map[string]map[string]locale.Wording

// ownWords checks what the settings say in the shop's own words, in the file itself and in the one that
// words_file names, and returns the catalogues. What is wrong is named with its line.
func (s *Settings) ownWords(path string, text []byte) (*locale.Set, error) {
	if err := checkWords(path, text, "words.", s.Words); err != nil {
		return nil, err
	}
	all := s.Words
	if s.Shop.WordsFile != "" {
		file, text, err := readNamed(path, "shop.words_file", s.Shop.WordsFile)
		if err != nil {
			return nil, err
		}
		more := wordings{}
		if _, err := toml.NewDecoder(bytes.NewReader(text)).Decode(&more); err != nil {
			return nil, tomlError(file, err)
		}
		if err := checkWords(file, text, "", more); err != nil {
			return nil, err
		}
		for lang, texts := range all {
			if more[lang] == nil {
				more[lang] = map[string]locale.Wording{}
			}
			for key, x := range texts {
				if _, twice := more[lang][key]; twice {
					return nil, fmt.Errorf("%s, line %d: %q stands in %s as well; keep one of them", file, wordLine(text, lang, key), key, path)
				}
				more[lang][key] = x
			}
		}
		all = more
	}
	if len(all) == 0 {
		return nil, nil
	}
	return locale.Reworded(all)
}

func checkWords(path string, text []byte, prefix string, x wordings) error {
	_, err := locale.Reworded(x)
	var w *locale.WordingError
	if errors.As(err, &w) {
		return fmt.Errorf("%s, line %d: %w", path, wordLine(text, prefix+w.Lang, w.Key), err)
	}
	return err
}

func tomlError(path string, err error) error {
	var perr toml.ParseError
	if errors.As(err, &perr) {
		return fmt.Errorf("%s, line %d: %s", path, perr.Position.Line, perr.Message)
	}
	return fmt.Errorf("%s: %w", path, err)
}

// wordLine finds the line of a text: its own, or its table's, or 1.
func wordLine(text []byte, table, key string) int {
	in, at, n := "", 1, 0
	for l := range strings.Lines(string(text)) {
		n++
		l = strings.TrimSpace(l)
		switch {
		case strings.HasPrefix(l, "["):
			if in = header(l); in == table {
				at = n
			}
		case in == table && key != "":
			k, _, ok := strings.Cut(l, "=")
			if k = strings.Trim(k, " \t\"'"); ok && (k == key || strings.HasPrefix(k, key+".")) {
				return n
			}
		}
	}
	return at
}

// runWords prints the texts that customers read, as lines for the settings: what a shop begins with when
// it says something in its own words.
func runWords(_ context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("words", errOut)
	config := f.String("config", "", "a shop's settings: then its own texts are checked, and shown")
	lang := f.String("lang", "en", "language: "+strings.Join(locale.Languages, ", "))
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if !slices.Contains(locale.Languages, *lang) {
		return misused("there is no language %q; there are %s", *lang, strings.Join(locale.Languages, ", "))
	}
	var own *locale.Set
	if *config != "" {
		s, err := ReadSettings(*config)
		if err != nil {
			return err
		}
		own = s.own
	}
	w := own.For(*lang)
	shown := 0
	for _, key := range locale.Keys() {
		if len(rest) > 0 && !slices.ContainsFunc(rest, func(p string) bool {
			return strings.HasPrefix(key, p) || strings.Contains(strings.ToLower(w.Wording(key).String()), strings.ToLower(p))
		}) {
			continue
		}
		if shown == 0 {
			fmt.Fprintf(out, "[words.%s]\n", *lang)
		}
		shown++
		line := fmt.Sprintf("%q = %s", key, w.Wording(key))
		if usual := locale.For(*lang).Wording(key).String(); usual != w.Wording(key).String() {
			line += "  # usual: " + usual
		}
		fmt.Fprintln(out, line)
	}
	if shown == 0 {
		return fmt.Errorf("no text has a key that begins with, or words that hold, %s", strings.Join(rest, ", "))
	}
	return nil
}
