package counter

import (
	"fmt"
	"regexp"
	"strings"

	"benchword/templates"
)

// blame are words that say who is at fault rather than what is there. Common practice, no source.
var blame = []string{
	"abused", "amateur", "amateurish", "bodge", "bodged", "botch", "botched", "bungled", "butchered", "careless", "carelessly",
	"clumsy", "cowboy", "hack job", "hacked", "idiot", "incompetent", "messed up", "misused", "neglected", "negligence", "negligent",
	"ruined", "shoddy", "should have known", "should never have", "should not have", "sloppy", "stupid", "their fault", "unprofessional",
	"whoever did", "wrecked", "you broke", "you caused", "your fault",
	"last repairer", "last shop", "other shop", "previous repairer", "previous shop", "previous technician",
}

var blameRule = regexp.MustCompile(`(?i)\b(` + strings.Join(quoteAll(blame), "|") + `)\b`)

func quoteAll(words []string) []string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = strings.ReplaceAll(regexp.QuoteMeta(w), " ", `\s+`)
	}
	return out
}

// longSentence is how many words a sentence may have before its reader loses the thread (common advice
// for plain English is 15 to 20 on average and 25 at most).
const longSentence = 25

var sentenceEnd = regexp.MustCompile(`[.!?…]+["”’)]*(\s|$)|\n+`)

// hints looks at a text for its reader: words of blame, and sentences too long to follow.
func hints(field, where, text string) []templates.Hint {
	var out []templates.Hint
	seen := map[string]bool{}
	for _, w := range blameRule.FindAllString(text, -1) {
		w = strings.ToLower(strings.Join(strings.Fields(w), " "))
		if seen[w] {
			continue
		}
		seen[w] = true
		out = append(out, templates.Hint{Field: field, Where: where, Words: fmt.Sprintf("“%s” sounds like blame. Say what is there instead.", w)})
	}
	for _, s := range sentenceEnd.Split(text, -1) {
		words := strings.Fields(s)
		if len(words) <= longSentence {
			continue
		}
		out = append(out, templates.Hint{Field: field, Where: where, Words: fmt.Sprintf("A sentence has %d words: “%s …”. Two short ones read more easily.", len(words), strings.Join(words[:6], " "))})
	}
	return out
}
