package main

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"sync"
)

const erasedName = "erased.list"

// erasedList is [workflow.Forgotten] as a file, a mark a line.
type erasedList struct {
	path string
	mu   sync.Mutex
}

// All returns the marks; there are none while there is no file.
func (l *erasedList) All() ([]string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.all()
}

func (l *erasedList) all() ([]string, error) {
	f, err := os.Open(l.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("the list of erased people can't be read: %w", err)
	}
	defer f.Close()
	var out []string
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		if s := strings.TrimSpace(lines.Text()); s != "" {
			out = append(out, s)
		}
	}
	return out, lines.Err()
}

// Add writes the marks that are not there yet.
func (l *erasedList) Add(marks ...string) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	there, err := l.all()
	if err != nil {
		return err
	}
	known := map[string]bool{}
	for _, m := range there {
		known[m] = true
	}
	text := ""
	for _, m := range marks {
		if !known[m] {
			text += "\n" + m // a line that was cut off by a fall of the machine spoils no other
		}
	}
	if text == "" {
		return nil
	}
	f, err := os.OpenFile(l.path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("the list of erased people can't be written: %w", err)
	}
	_, err = f.WriteString(text + "\n")
	return errors.Join(err, f.Sync(), f.Close())
}
