package sqlite

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"strings"

	"benchword/workflow"
	"benchword/workflow/store"
)

// Search finds jobs by words; a query without any finds nothing.
func (s *Store) Search(ctx context.Context, shop workflow.ShopID, query string, limit int) ([]workflow.Row, error) {
	match := expression(query)
	if match == "" || limit <= 0 {
		return nil, ctx.Err()
	}
	// The words first, then their jobs: the planner would rather look at every job of the shop. Only those
	// that are listed are read whole.
	return s.rows(ctx, `SELECT `+rowColumns+` FROM (
			SELECT id AS found FROM search CROSS JOIN jobs ON id = search.rowid WHERE search MATCH ? AND shop = ? ORDER BY changed_at DESC, number LIMIT ?
		) CROSS JOIN jobs ON id = found CROSS JOIN texts ON job = id ORDER BY changed_at DESC, number`,
		match, string(shop), limit)
}

// indexed returns the words of a text as the index is to take them, each once. Order does not matter, and
// a word that did not change its place leaves no trace of having moved.
func indexed(text string) string {
	return strings.Join(store.Indexed(text), " ")
}

// sum tells two index texts apart.
func sum(text string) int64 {
	h := sha256.Sum256([]byte(text))
	return int64(binary.BigEndian.Uint64(h[:]))
}

// reindex replaces what the search looks in.
func (t *tx) reindex(job int64, text string) error {
	var old string
	if _, err := t.one("SELECT words FROM texts WHERE job = ?", []any{job}, &old); err != nil {
		return err
	}
	words := indexed(text)
	if words != old {
		if err := t.exec("INSERT INTO search (search, rowid, words) VALUES ('delete', ?, ?)", job, old); err != nil {
			return err
		}
		if err := t.exec("INSERT INTO search (rowid, words) VALUES (?, ?)", job, words); err != nil {
			return err
		}
	}
	return t.exec("UPDATE texts SET text = ?, words = ? WHERE job = ?", text, words, job)
}

// expression turns what somebody typed into a full-text expression: each word as a string, the last one
// as a prefix. What is left of the query is letters and digits between quotes of ours, so that nothing
// typed is ever an operator. It returns "" for a query without words.
func expression(query string) string {
	w := store.Query(query)
	if len(w) == 0 {
		return ""
	}
	return `"` + strings.Join(w, `" "`) + `" *`
}
