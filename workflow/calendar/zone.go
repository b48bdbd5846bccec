package calendar

import (
	"archive/zip"
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"
)

//go:generate go run ./zonegen --from /usr/share/zoneinfo --to zones.zip

// zoneFile is the IANA time zone database (public domain), compiled, packed by zonegen.
//
//go:embed zones.zip
var zoneFile []byte

// zones is the content of zoneFile by name.
var zones = sync.OnceValue(func() (z struct {
	version string
	files   map[string]*zip.File // aliases too
	names   []string
}) {
	r, err := zip.NewReader(bytes.NewReader(zoneFile), int64(len(zoneFile)))
	if err != nil {
		panic("calendar: the embedded time zones can't be read: " + err.Error())
	}
	z.files = make(map[string]*zip.File, 2*len(r.File))
	var aliases string
	for _, f := range r.File {
		switch f.Name {
		case "version":
			z.version = strings.TrimSpace(string(inflate(f)))
		case "aliases":
			aliases = string(inflate(f))
		default:
			z.files[f.Name] = f
		}
	}
	for line := range strings.Lines(aliases) {
		if alias, name, ok := strings.Cut(strings.TrimSpace(line), " "); ok {
			z.files[alias] = z.files[name]
		}
	}
	z.names = make([]string, 0, len(z.files))
	for name := range z.files {
		z.names = append(z.names, name)
	}
	slices.Sort(z.names)
	return z
})

// inflate reads an entry of the embedded file. It can't fail in a binary whose tests have passed.
func inflate(f *zip.File) []byte {
	r, err := f.Open()
	if err == nil {
		var b []byte
		if b, err = io.ReadAll(r); err == nil {
			return b
		}
	}
	panic("calendar: the embedded time zone " + f.Name + " can't be read: " + err.Error())
}

var loaded sync.Map // name -> *time.Location

// LoadLocation returns the time zone with this IANA name ("America/Halifax"), from the data inside the
// program, whatever the machine has installed. Names are spelt exactly; "" and "Local" are none.
func LoadLocation(name string) (*time.Location, error) {
	if loc, ok := loaded.Load(name); ok {
		return loc.(*time.Location), nil
	}
	f := zones().files[name]
	if f == nil {
		for _, known := range zones().names {
			if strings.EqualFold(known, name) {
				return nil, fmt.Errorf("%q is not a time zone; it is spelt %q", name, known)
			}
		}
		return nil, fmt.Errorf("%q is not a time zone of the IANA database; write one like America/Halifax", name)
	}
	loc, err := time.LoadLocationFromTZData(name, inflate(f))
	if err != nil {
		return nil, fmt.Errorf("the time zone %s: %w", name, err)
	}
	first, _ := loaded.LoadOrStore(name, loc)
	return first.(*time.Location), nil
}

// ZoneDataVersion is the version of the IANA database inside the program, like "2026f".
func ZoneDataVersion() string { return zones().version }

// ZoneNames are all names that [LoadLocation] knows, sorted.
func ZoneNames() []string { return slices.Clone(zones().names) }
