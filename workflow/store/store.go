// Package store holds what all implementations of [workflow.Store] have in common: what makes a commit
// impossible to keep, and what the counter's search takes for a word. The implementations are its
// sub-packages; storetest holds them to the contract.
//
// # Decisions
//
//   - 2026-11-27: A transfer copies what is stored, not what it means. [workflow.Transfer] reads a shop out as
//     rows, sealed and hashed as they are, and writes them in; the same rows have the same sums in every
//     store, so "is it the same" is one comparison, and a repeat writes only what differs. A job takes the
//     place only of an earlier state of itself. Rejected: replaying events through Commit, which has no
//     outbox with its tries and bodies in it; and a format of its own for backups, where a data folder is one
//     that can be served from.
//   - 2026-11-27: A shop is held, not stopped, for the last pass of a transfer. The hold lies in the store, where
//     every process meets it, including one that slept: commits, claims and requeues are refused; what a
//     notifier has in hand may be settled. Target first, then source, so at no moment can both be written to.
//     Keys (sessions, counters, drafts) go on, since a page that only looks counts its visits. Rejected:
//     trusting that all servers were stopped.
package store

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"benchword/workflow"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// MostWords is how many words of a query count: those after them are left out.
const MostWords = 32

// Words cuts a text into what counts as a word: runs of letters, digits and the marks that belong to
// them, with case and accents taken away. It is not left to a database, whose own rules know the accents
// of Latin letters only, and the letters of some year.
func Words(text string) []string {
	text = cases.Fold().String(norm.NFKD.String(text))
	return strings.FieldsFunc(strings.Map(plain, text), func(r rune) bool { return !unicode.In(r, unicode.L, unicode.M, unicode.N, unicode.Co) })
}

// Query returns the words of a query that count; the last one is to be taken as a prefix.
func Query(text string) []string {
	w := Words(text)
	return w[:min(len(w), MostWords)]
}

// Indexed returns the words of a text each once, in the order of their letters.
func Indexed(text string) []string {
	w := Words(text)
	slices.Sort(w)
	return slices.Compact(w)
}

// plain drops the accents that stand over and under letters.
func plain(r rune) rune {
	if r >= 0x300 && r <= 0x36f {
		return -1
	}
	return r
}

// Check reports what makes a commit impossible to keep: a mistake of the program, not of a person.
func Check(c *workflow.Commit) error {
	if c.State == nil || c.State.Shop != c.Shop || c.State.Number != c.Job {
		return fmt.Errorf("commit of %s: its state is not this job's", c.Job)
	}
	if n := c.Expect + int64(len(c.Events)); c.State.Version != n || n == 0 {
		return fmt.Errorf("commit of %s: the state has version %d, its events lead to %d", c.Job, c.State.Version, n)
	}
	if c.Course != nil && (c.Course.Job != c.Job || len(c.Course.Visits) == 0) {
		return fmt.Errorf("commit of %s: the course is not this job's", c.Job)
	}
	for i, e := range c.Events {
		if e.Shop != c.Shop || e.Job != c.Job || e.Seq != c.Expect+int64(i)+1 {
			return fmt.Errorf("commit of %s: event %d does not follow", c.Job, e.Seq)
		}
	}
	for i := range c.Notices {
		n := &c.Notices[i]
		if n.Shop != c.Shop || n.Job != c.Job || !strings.HasPrefix(n.ID, string(c.Job)+"-") {
			return fmt.Errorf("commit of %s: notice %q is not this job's", c.Job, n.ID)
		}
		if err := n.Channel.Check(); err != nil {
			return fmt.Errorf("commit of %s: notice %q: %w", c.Job, n.ID, err)
		}
		if n.Seq <= c.Expect || n.Seq > c.State.Version {
			return fmt.Errorf("commit of %s: notice %q is not about one of its events", c.Job, n.ID)
		}
	}
	for _, id := range c.Requeue {
		if !strings.HasPrefix(id, string(c.Job)+"-") {
			return fmt.Errorf("commit of %s: notice %q is not this job's", c.Job, id)
		}
	}
	for i := range c.Links {
		if l := &c.Links[i]; l.Job != c.Job {
			return fmt.Errorf("commit of %s: link %q is not this job's", c.Job, l.ID)
		}
	}
	return nil
}
