// Command zonegen packs a compiled time zone folder into the file that package calendar embeds.
//
//	go run ./workflow/calendar/zonegen --from /usr/share/zoneinfo --to workflow/calendar/zones.zip
//
// The folder is one that zic made from the IANA time zone database (public domain), with the file
// tzdata.zi or +VERSION beside the zones to tell its version; every Linux distribution has one in its
// package of time zone data. The same folder gives the same bytes. Zones with the same content are kept
// once, their other names are in the entry "aliases". After a renewal the tests of package calendar say
// whether the data still holds the published rows.
package main

import (
	"archive/zip"
	"bufio"
	"bytes"
	"compress/flate"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

func main() {
	from := flag.String("from", "/usr/share/zoneinfo", "the `folder` with compiled zones")
	to := flag.String("to", "workflow/calendar/zones.zip", "the `file` to write")
	flag.Parse()
	version, n, err := pack(*from, *to)
	if err != nil {
		fmt.Fprintln(os.Stderr, "zonegen:", err)
		os.Exit(1)
	}
	fmt.Printf("%s: %d names, version %s\n", *to, n, version)
}

// pack writes the zones of the folder from into the file to, and returns their version and number of names.
func pack(from, to string) (version string, names int, err error) {
	if version, err = readVersion(from); err != nil {
		return "", 0, err
	}
	byContent := map[string][]string{}
	if err = walk(from, "", func(name string, content []byte) {
		byContent[string(content)] = append(byContent[string(content)], name)
		names++
	}); err != nil {
		return "", 0, err
	}
	entries := map[string][]byte{"version": []byte(version + "\n")}
	var aliases []string
	for content, same := range byContent {
		slices.Sort(same)
		entries[same[0]] = []byte(content)
		for _, other := range same[1:] {
			aliases = append(aliases, other+" "+same[0]+"\n")
		}
	}
	slices.Sort(aliases)
	entries["aliases"] = []byte(strings.Join(aliases, ""))

	var b bytes.Buffer
	w := zip.NewWriter(&b)
	w.RegisterCompressor(zip.Deflate, func(out io.Writer) (io.WriteCloser, error) {
		return flate.NewWriter(out, flate.BestCompression)
	})
	for _, name := range slices.Sorted(maps.Keys(entries)) {
		// A fixed date, so that the same zones give the same file.
		f, err := w.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)})
		if err != nil {
			return "", 0, err
		}
		if _, err := f.Write(entries[name]); err != nil {
			return "", 0, err
		}
	}
	if err := w.Close(); err != nil {
		return "", 0, err
	}
	return version, names, os.WriteFile(to, b.Bytes(), 0o644)
}

// Not zones of their own: the same zones with and without leap seconds, and the local machine's choice.
var left = []string{"right", "posix", "posixrules", "localtime", "Factory"}

// walk returns every zone below the folder, links followed.
func walk(root, below string, zone func(name string, content []byte)) error {
	list, err := os.ReadDir(filepath.Join(root, below))
	if err != nil {
		return err
	}
	for _, e := range list {
		name := e.Name()
		if below != "" {
			name = below + "/" + name
		}
		if slices.Contains(left, name) {
			continue
		}
		path := filepath.Join(root, filepath.FromSlash(name))
		at, err := os.Stat(path)
		if err != nil {
			return err
		}
		if at.IsDir() {
			if err := walk(root, name, zone); err != nil {
				return err
			}
			continue
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		if !bytes.HasPrefix(content, []byte("TZif")) {
			continue
		}
		if _, err := time.LoadLocationFromTZData(name, content); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		zone(name, content)
	}
	return nil
}

var versionForm = regexp.MustCompile(`^20[0-9]{2}[a-z]{1,2}$`)

// readVersion finds the version in the folder: alone in +VERSION, or in the first line of tzdata.zi
// ("# version 2026f").
func readVersion(from string) (string, error) {
	for _, name := range []string{"+VERSION", "tzdata.zi"} {
		f, err := os.Open(filepath.Join(from, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return "", err
		}
		line, _ := bufio.NewReader(f).ReadString('\n')
		_ = f.Close()
		version := strings.TrimSpace(strings.TrimPrefix(line, "# version "))
		if versionForm.MatchString(version) {
			return version, nil
		}
	}
	return "", fmt.Errorf("neither +VERSION nor tzdata.zi in %s tells the version of the data", from)
}
