package main

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"benchword/workflow/catalogue"

	"github.com/BurntSushi/toml"
)

// ownCatalogue reads the shop's own findings and duties from the file that the settings name; nil if they
// name none. Errors name the file's line and the reason.
func (s *Settings) ownCatalogue(path string) (*catalogue.Catalogue, error) {
	if s.Shop.CatalogueFile == "" {
		return nil, nil
	}
	file, text, err := readNamed(path, "shop.catalogue_file", s.Shop.CatalogueFile)
	if err != nil {
		return nil, err
	}
	var own catalogue.Own
	meta, err := toml.NewDecoder(bytes.NewReader(text)).Decode(&own)
	if err != nil {
		return nil, tomlError(file, err)
	}
	if unknown := meta.Undecoded(); len(unknown) > 0 {
		key := unknown[0].String()
		return nil, fmt.Errorf("%s, line %d: %s is nothing that a catalogue holds; check its spelling against deploy/words.md", file, placeLine(text, key), key)
	}
	c, err := catalogue.Standard().With(own, s.Shop.Languages)
	var place *catalogue.PlaceError
	if errors.As(err, &place) {
		return nil, fmt.Errorf("%s, line %d: %w", file, placeLine(text, place.Key), err)
	}
	return c, err
}

// placeLine finds the line of a key, or of the nearest table above it that is written out.
func placeLine(text []byte, key string) int {
	for at := key; at != ""; {
		if n := lineOf(text, at); n > 1 {
			return n
		}
		i := strings.LastIndexByte(at, '.')
		at = at[:max(i, 0)]
	}
	return 1
}
