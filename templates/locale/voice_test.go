package locale

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"benchword/workflow/plain"

	"github.com/stretchr/testify/require"
)

// voice is how the English sounds, in voice.json: words that it does without, each with what is said in their
// place, and the texts that are let off, each with its reason. In a business by post a letter is paper; inside
// words (the clock, a hold, a stage) are ours alone; a sentence says who does what.
type voice struct {
	Not  map[string]string // a pattern, and what to say in its place
	Lets map[string]struct{ Word, Why string }
	Long map[string]string // sentences above 25 words, and why
}

func readVoice(t *testing.T) voice {
	b, err := os.ReadFile("voice.json")
	require.NoError(t, err)
	var v voice
	require.NoError(t, json.Unmarshal(b, &v))
	return v
}

// said returns a text's wordings: one, or one for each plural form.
func (x text) said() []string {
	lists := [][]part{x.parts}
	for _, f := range slices.Sorted(maps.Keys(x.forms)) {
		lists = append(lists, x.forms[f])
	}
	var out []string
	for _, list := range lists {
		var b strings.Builder
		for _, p := range list {
			if p.arg >= 0 {
				b.WriteString("{}")
			}
			b.WriteString(p.literal)
		}
		if b.Len() > 0 {
			out = append(out, b.String())
		}
	}
	return out
}

// papers are texts that stand on papers: they take no contractions, and people's speech takes them.
var papers = regexp.MustCompile(`^(archive|caution|cause|certainty|changes|check|consent|duty|form|measured|option|origin|report|tried|verdict|weight)(\.|$)`)

// The English says what its readers say, in sentences they can follow: GOV.UK splits what is longer than 25 words.
func TestTheEnglishSpeaksPlainly(t *testing.T) {
	v := readVoice(t)
	used := map[string]bool{}
	for _, key := range Keys() {
		for _, s := range all["en"].texts[key].said() {
			for not, instead := range v.Not {
				word := regexp.MustCompile(`(?i)` + not).FindString(s)
				if let, ok := v.Lets[key]; ok && strings.EqualFold(let.Word, word) {
					require.NotEmpty(t, let.Why)
					used[key] = true
					continue
				}
				require.Empty(t, word, "%s: say %s in %q", key, instead, s)
			}
			for _, sentence := range plain.Sentences(s) {
				if v.Long[key] != "" {
					used[key] = true
					continue
				}
				require.LessOrEqual(t, len(plain.Words(sentence)), 25, "%s: %q", key, sentence)
			}
			speech := regexp.MustCompile(`(?i)\b(do not|does not|cannot|we will|we are (not|working|late)|is not|are not)\b`).FindString(s)
			stiff := regexp.MustCompile(`\b(\w+n|we|We|it|It|you|You|there|There|that|That)’(t|ll|re|ve|s|d)\b`).FindString(s)
			if papers.MatchString(key) {
				require.Empty(t, stiff, "%s: a paper says it in full: %q", key, s)
			} else if let, ok := v.Lets[key]; !ok || !strings.EqualFold(let.Word, speech) {
				require.Empty(t, speech, "%s: a person would say it short: %q", key, s)
			} else {
				used[key] = true
			}
		}
	}
	for key := range v.Lets {
		require.True(t, used[key], "%s needs no exception", key)
	}
	for key := range v.Long {
		require.True(t, used[key], "%s needs no exception", key)
	}
}

// The English of emails and pages is no harder than what is usual, by the formula that its counterparts are held
// to: at most grade 8 over all texts of a first word, 15 words a sentence. A shop's own words are not in it.
func TestTheEnglishIsEasyToRead(t *testing.T) {
	files, err := filepath.Glob("en/*.json")
	require.NoError(t, err)
	for _, f := range files {
		first := strings.TrimSuffix(filepath.Base(f), ".json")
		if first == "form" || first == "archive" {
			continue // the words of laws, and of a file for those who check
		}
		var count plain.Counts
		for _, key := range Keys() {
			if word, _, _ := strings.Cut(key, "."); word != first {
				continue
			}
			for _, s := range all["en"].texts[key].said() {
				s = strings.ReplaceAll(s, "{}", "this")
				if len(plain.Words(s)) < 5 || !strings.ContainsAny(s, ".?!") {
					continue // labels
				}
				c := plain.Count(s, "en")
				count.Sentences, count.Words, count.Syllables = count.Sentences+c.Sentences, count.Words+c.Words, count.Syllables+c.Syllables
			}
		}
		if count.Sentences == 0 {
			continue
		}
		m, ok := plain.Of(count, "en")
		require.True(t, ok)
		t.Logf("%-10s %4d words, %4.1f a sentence, grade %4.1f", first, count.Words, float64(count.Words)/float64(count.Sentences), m.Grade)
		require.LessOrEqual(t, float64(count.Words)/float64(count.Sentences), 15.0, first)
		require.LessOrEqual(t, m.Grade, 8.0, first)
	}
}

// No text stands in another language's catalogue: its small words are its own.
func TestEachLanguageIsItself(t *testing.T) {
	small := map[string]*regexp.Regexp{
		"en": regexp.MustCompile(`(?i)\b(the|you|and|with|we|is|of)\b`),
		"fr": regexp.MustCompile(`(?i)\b(nous|vous|est|pas|les|avec|pour|avons|sera)\b`),
		"de": regexp.MustCompile(`(?i)\b(und|nicht|wir|haben|ist|das|der|bis|Sie)\b`),
		"es": regexp.MustCompile(`(?i)\b(usted|los|con|para|del|hasta|está)\b`),
	}
	for lang, own := range small {
		for _, key := range Keys() {
			for _, s := range all[lang].texts[key].said() {
				for other, words := range small {
					if n := len(words.FindAllString(s, -1)); other != lang && n > 2 {
						require.LessOrEqual(t, n, len(own.FindAllString(s, -1)), "%s in %s reads like %s: %q", key, lang, other, s)
					}
				}
			}
		}
	}
}
