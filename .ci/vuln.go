//go:build ignore

// vuln lets govulncheck run with nothing but the module proxy.
//
//	go run .ci/vuln.go lay MODULE_DIR OUT_DIR   lays out the Go vulnerability database, for -db file://OUT_DIR,
//	                                            from the source module golang.org/x/vulndb
//	go run .ci/vuln.go judge < findings.json    reads govulncheck -format json; fails if our code calls a
//	                                            known hole of a module, and only tells of those of Go itself,
//	                                            which a newer Go closes and no change of ours
//
// Layout: https://go.dev/doc/security/vuln/database#api.
package main

import (
	"encoding/json"
	"fmt"
	"io"
	"log"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

type entry struct {
	ID       string    `json:"id"`
	Modified time.Time `json:"modified"`
	Aliases  []string  `json:"aliases"`
	Affected []struct {
		Package struct {
			Name string `json:"name"`
		} `json:"package"`
		Ranges []struct {
			Events []struct {
				Fixed string `json:"fixed"`
			} `json:"events"`
		} `json:"ranges"`
	} `json:"affected"`
}

type vuln struct {
	ID       string    `json:"id"`
	Modified time.Time `json:"modified"`
	Fixed    string    `json:"fixed,omitempty"`
	Aliases  []string  `json:"aliases,omitempty"`
}

type module struct {
	Path  string `json:"path"`
	Vulns []vuln `json:"vulns"`
}

func main() {
	log.SetFlags(0)
	switch {
	case len(os.Args) == 4 && os.Args[1] == "lay":
		lay(os.Args[2], os.Args[3])
	case len(os.Args) == 2 && os.Args[1] == "judge":
		judge()
	default:
		log.Fatal("usage: go run .ci/vuln.go lay MODULE_DIR OUT_DIR | judge < findings.json")
	}
}

// judge sorts the findings whose trace reaches a function that our code calls.
func judge() {
	type finding struct {
		OSV   string `json:"osv"`
		Fixed string `json:"fixed_version"`
		Trace []struct {
			Module   string `json:"module"`
			Version  string `json:"version"`
			Package  string `json:"package"`
			Function string `json:"function"`
		} `json:"trace"`
	}
	ours, gos := make(map[string]bool), make(map[string]bool)
	messages := 0
	for dec := json.NewDecoder(os.Stdin); ; {
		var m struct {
			Finding *finding `json:"finding"`
		}
		if err := dec.Decode(&m); err == io.EOF {
			break
		} else if err != nil {
			log.Fatalf("the findings can't be read: %v", err)
		}
		messages++
		f := m.Finding
		if f == nil || len(f.Trace) == 0 || f.Trace[0].Function == "" {
			continue
		}
		at := f.Trace[0]
		text := fmt.Sprintf("%s: %s %s, called in %s; closed in %s", f.OSV, at.Module, at.Version, at.Package, f.Fixed)
		if at.Module == "stdlib" {
			gos[text] = true
		} else {
			ours[text] = true
		}
	}
	if messages == 0 {
		log.Fatal("govulncheck said nothing at all")
	}
	for _, text := range slices.Sorted(maps.Keys(gos)) {
		fmt.Println("in Go itself, build with a newer Go:", text)
	}
	for _, text := range slices.Sorted(maps.Keys(ours)) {
		fmt.Println("known hole:", text)
	}
	fmt.Printf("govulncheck: %d known holes in modules, %d in Go itself\n", len(ours), len(gos))
	if len(ours) > 0 {
		os.Exit(1)
	}
}

func lay(from, to string) {
	files, err := filepath.Glob(filepath.Join(from, "data", "osv", "GO-*.json"))
	if err != nil || len(files) == 0 {
		log.Fatalf("there is no entry under %s/data/osv (%v)", from, err)
	}
	for _, dir := range []string{"ID", "index"} {
		check(os.MkdirAll(filepath.Join(to, dir), 0o755))
	}
	var all []vuln
	modules := make(map[string]*module)
	for _, f := range files {
		b, err := os.ReadFile(f)
		check(err)
		var e entry
		if err := json.Unmarshal(b, &e); err != nil {
			log.Fatalf("%s: %v", f, err)
		}
		check(os.WriteFile(filepath.Join(to, "ID", e.ID+".json"), b, 0o644))
		all = append(all, vuln{ID: e.ID, Modified: e.Modified, Aliases: e.Aliases})
		for _, a := range e.Affected {
			m := modules[a.Package.Name]
			if m == nil {
				m = &module{Path: a.Package.Name}
				modules[a.Package.Name] = m
			}
			v := vuln{ID: e.ID, Modified: e.Modified}
			for _, r := range a.Ranges {
				for _, ev := range r.Events {
					if ev.Fixed != "" {
						v.Fixed = ev.Fixed // events are in order; the index holds the latest
					}
				}
			}
			if !slices.ContainsFunc(m.Vulns, func(o vuln) bool { return o.ID == v.ID }) {
				m.Vulns = append(m.Vulns, v)
			}
		}
	}
	list := make([]*module, 0, len(modules))
	for _, m := range modules {
		list = append(list, m)
	}
	slices.SortFunc(list, func(a, b *module) int { return strings.Compare(a.Path, b.Path) })
	write(filepath.Join(to, "index", "db.json"), map[string]time.Time{"modified": time.Now().UTC()})
	write(filepath.Join(to, "index", "modules.json"), list)
	write(filepath.Join(to, "index", "vulns.json"), all)
	fmt.Printf("%d vulnerabilities in %d modules, up to %s\n", len(all), len(list), all[len(all)-1].ID)
}

func write(path string, v any) {
	b, err := json.Marshal(v)
	check(err)
	check(os.WriteFile(path, b, 0o644))
}

func check(err error) {
	if err != nil {
		log.Fatal(err)
	}
}
