//go:build ignore

// Command mutate breaks the program on purpose, one change at a time, and sees whether the tests of the very package that
// is broken notice: go run .ci/mutate.go [-share k/n] [-only TEXT]. What it breaks, and how, stands in .ci/mutants.txt.
package main

import (
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
)

// A mutant is a change of the list, or a condition turned round; one of the commands that test makes should fail.
type mutant struct {
	kind, dir, name, lives, fate string
	test                         []func() *exec.Cmd
}

var tmp, share, only = must(os.MkdirTemp("", "mutants")), flag.String("share", "0/1", "which part of the conditions, or none"), flag.String("only", "", "a pattern that a mutant's folder and name, and the files to flip, must fit")

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func fits(s string) bool { return regexp.MustCompile(*only).MatchString(s) }

// overlay writes sources that the compiler takes in the place of a folder's own, and returns the file that says so.
func overlay(key string, sources map[string]string) string {
	replace := map[string]string{}
	for file, text := range sources {
		replace[file] = filepath.Join(tmp, key+"-"+filepath.Base(file))
		must(0, os.WriteFile(replace[file], []byte(text), 0o600))
	}
	must(0, os.WriteFile(filepath.Join(tmp, key+".json"), must(json.Marshal(map[string]any{"Replace": replace})), 0o600))
	return filepath.Join(tmp, key+".json")
}

var opposite = map[string]string{"<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==", "&&": "||", "||": "&&", "Before": "After", "After": "Before"}

// flips compiles a folder's tests once, with every comparison and condition of some files switchable, and returns a mutant
// for each. A comparison of err with nil is left alone.
func flips(dir, late string, files []string) (out []*mutant) {
	binary, sources, name := filepath.Join(tmp, strings.ReplaceAll(dir, "/", "_")), map[string]string{}, ""
	for _, file := range files {
		set, path := token.NewFileSet(), filepath.Join(dir, file)
		f := must(parser.ParseFile(set, path, nil, 0))
		src, before, after := string(must(os.ReadFile(path))), map[int]string{}, map[int]string{}
		text := func(from, to token.Pos) string { return src[set.Position(from).Offset:set.Position(to).Offset] }
		add := func(x ast.Node, other string) { // of two that begin or end together, the outer one is met first
			id, from, to := len(out)+1, set.Position(x.Pos()).Offset, set.Position(x.End()).Offset
			before[from] += fmt.Sprintf("mutantPick(%d, func() bool { return ", id)
			after[to] = fmt.Sprintf(" }, func() bool { return %s })", other) + after[to]
			m := &mutant{kind: "flipped", dir: dir, name: fmt.Sprintf("%s: %s => %s", set.Position(x.Pos()), text(x.Pos(), x.End()), other)}
			for _, some := range []string{"-test.skip=" + late, "-test.run=" + late} {
				m.test = append(m.test, func() *exec.Cmd {
					c := exec.Command(binary, "-test.short", "-test.failfast", "-test.timeout=60s", some)
					c.Dir, c.Env = dir, append(os.Environ(), fmt.Sprint("MUTANT=", id), "RAPID_CHECKS=25")
					return c
				})
			}
			out = append(out, m)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GenDecl:
				return n.Tok != token.CONST
			case *ast.IfStmt:
				if _, two := n.Cond.(*ast.BinaryExpr); !two {
					add(n.Cond, "!("+text(n.Cond.Pos(), n.Cond.End())+")")
				}
			case *ast.BinaryExpr:
				if x, ok := n.X.(*ast.Ident); opposite[n.Op.String()] != "" && !(ok && x.Name == "err") {
					add(n, text(n.Pos(), n.OpPos)+opposite[n.Op.String()]+text(n.OpPos+token.Pos(len(n.Op.String())), n.End()))
				}
			case *ast.CallExpr: // of two instants: whether they may be the same
				if s, ok := n.Fun.(*ast.SelectorExpr); ok && (s.Sel.Name == "Before" || s.Sel.Name == "After") && len(n.Args) == 1 {
					add(n, "!"+text(n.Pos(), s.Sel.Pos())+opposite[s.Sel.Name]+text(s.Sel.End(), n.End()))
				}
			}
			return true
		})
		name, sources[path] = f.Name.Name, ""
		for i := range len(src) + 1 {
			sources[path] += after[i] + before[i] + src[i:min(i+1, len(src))]
		}
	}
	sources[filepath.Join(dir, "mutants.go")] = fmt.Sprintf("package %s\n\nimport (\n\t\"os\"\n\t\"strconv\"\n)\n\nvar mutantOn, _ = strconv.Atoi(os.Getenv(\"MUTANT\"))\n\nfunc mutantPick(id int, a, b func() bool) bool {\n\tif id == mutantOn {\n\t\treturn b()\n\t}\n\treturn a()\n}\n", name)
	if said, err := exec.Command("go", "test", "-c", "-vet=off", "-overlay", overlay(filepath.Base(binary), sources), "-o", binary, "./"+dir).CombinedOutput(); err != nil {
		panic(string(said))
	}
	return out
}

// listed reads the list.
func listed() (out []*mutant) {
	for i, block := range strings.Split(string(must(os.ReadFile(".ci/mutants.txt"))), "\n\n") {
		row := map[string]string{}
		for line := range strings.Lines(block) {
			key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
			row[key] = strings.TrimPrefix(row[key]+"\n"+value, "\n") // a line that comes again goes on
		}
		m := &mutant{kind: "listed", dir: row["in"], name: row["say"] + " | " + row["-"], lives: row["lives"]}
		if row["flip"] != "" && *share != "none" && fits(row["in"]+" "+row["flip"]) {
			out = append(out, flips(row["in"], cmp.Or(row["late"], "^$"), strings.Fields(row["flip"]))...)
		}
		if row["-"] == "" || !fits(m.dir+" "+m.name) {
			continue
		}
		sources := map[string]string{}
		for _, file := range must(filepath.Glob(filepath.Join(m.dir, "*.go"))) {
			if text := string(must(os.ReadFile(file))); !strings.HasSuffix(file, "_test.go") && strings.Count(text, row["-"]) == 1 {
				sources[file] = strings.Replace(text, row["-"], row["+"], 1)
			}
		}
		if len(sources) != 1 {
			m.fate = fmt.Sprintf("stands in %d files", len(sources))
		}
		m.test = append(m.test, func() *exec.Cmd {
			return exec.Command("go", "test", "-vet=off", "-short", "-failfast", "-count=1", "-timeout=120s", "-overlay", overlay(fmt.Sprint("row", i), sources), "-run", row["run"], "./"+m.dir)
		})
		out = append(out, m)
	}
	return out
}

func main() {
	flag.Parse()
	must(0, os.Setenv("RAPID_NOFAILFILE", "true"))
	defer os.RemoveAll(tmp)
	var k, n int
	if *share != "none" {
		must(fmt.Sscanf(*share, "%d/%d", &k, &n))
	}
	all, work, places, at := listed(), sync.WaitGroup{}, make(chan bool, runtime.NumCPU()), 0
	all = slices.DeleteFunc(all, func(m *mutant) bool {
		at++
		return m.kind == "flipped" && at%n != k || !fits(m.dir+" "+m.name)
	})
	for _, m := range all {
		work.Go(func() {
			places <- true
			defer func() { <-places }()
			defer func() {
				if m.fate = cmp.Or(m.fate, "lives"); m.fate != "killed" {
					fmt.Printf("%s: %s [%s] %s\n", m.fate, m.name, m.dir, m.lives)
				}
			}()
			for _, test := range m.test {
				if m.fate != "" {
					return
				}
				said, err := test().CombinedOutput()
				if broken := strings.Contains(string(said), "[build failed]") || m.kind == "listed" && strings.Contains(string(said), "no tests to run"); broken {
					m.fate = "broken: " + string(said)
				} else if err != nil {
					m.fate = "killed"
				}
			}
		})
	}
	work.Wait()
	killed, of, bad := map[string]int{}, map[string]int{}, false
	for _, m := range all {
		for _, key := range []string{m.kind, m.kind + " in " + m.dir} {
			of[key]++
			killed[key] += map[string]int{"killed": 1}[m.fate]
		}
		bad = bad || m.kind == "listed" && (m.fate == "lives") != (m.lives != "")
	}
	for _, key := range slices.Sorted(maps.Keys(of)) {
		fmt.Printf("%s: %d of %d killed\n", key, killed[key], of[key])
	}
	if bad || 10*killed["listed"] < 9*of["listed"] {
		fmt.Println("A row fits nothing, lives unnamed, is named and killed, or less than nine in ten of the list are killed.")
		os.Exit(1)
	}
}
