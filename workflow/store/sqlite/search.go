package sqlite

import (
	"context"
	"slices"
	"strings"
	"unicode"

	"benchword/workflow"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// MostWords is how many words of a query count: those after them are left out.
const MostWords = 32

// Search finds jobs by words; a query without any finds nothing.
func (s *Store) Search(ctx context.Context, shop workflow.ShopID, query string, limit int) ([]workflow.Row, error) {
	match := expression(query)
	if match == "" || limit <= 0 {
		return nil, ctx.Err()
	}
	return s.rows(ctx, "SELECT "+rowColumns+" FROM jobs WHERE shop = ? AND id IN (SELECT rowid FROM search WHERE search MATCH ?) ORDER BY +changed_at DESC, number LIMIT ?",
		string(shop), match, limit)
}

// words cuts a text into what counts as a word: runs of letters, digits and the marks that belong to
// them, with case and accents taken away. It is done here and not by the database's own tokenizer, which
// knows the accents of Latin letters only, and the letters of 2012.
func words(text string) []string {
	text = cases.Fold().String(norm.NFKD.String(text))
	return strings.FieldsFunc(strings.Map(plain, text), func(r rune) bool { return !unicode.In(r, unicode.L, unicode.M, unicode.N, unicode.Co) })
}

// plain drops the accents that stand over and under letters.
func plain(r rune) rune {
	if r >= 0x300 && r <= 0x36f {
		return -1
	}
	return r
}

// indexed gives the words of a text as the index is to take them, each once. Order does not matter, and
// a word that did not change its place leaves no trace of having moved.
func indexed(text string) string {
	w := words(text)
	slices.Sort(w)
	return strings.Join(slices.Compact(w), " ")
}

// expression turns what somebody typed into a full-text expression: each word as a string, the last one
// as a prefix. What is left of the query is letters and digits between quotes of ours, so that nothing
// typed is ever an operator. A query without words gives "".
func expression(query string) string {
	w := words(query)
	w = w[:min(len(w), MostWords)]
	if len(w) == 0 {
		return ""
	}
	return `"` + strings.Join(w, `" "`) + `" *`
}
