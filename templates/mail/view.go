package mail

import (
	"strings"
	"unicode/utf8"

	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
)

// Mail is a notice in words: the subject, the three answers, and what there is to say. The HTML and the
// text part show the same value, so they can't say different things. It is shown by two templates: as
// it is in HTML, by [Mail.Plain] in text.
type Mail struct {
	W       *locale.Words
	Kind    workflow.NoticeKind
	Subject string
	// Preview is what a mailbox shows beside the subject.
	Preview string
	Shop    templates.ShopView
	Number  string
	Device  string
	// Heading is the news in a few words; Lead one or two sentences more.
	Heading, Lead string
	Answers       []Answer
	// Act is the one thing to do, or to look at.
	Act templates.Link
	// Decides marks a mail whose link can answer the quote, Chooses one whose link can choose after a
	// missed date.
	Decides, Chooses bool
	Sections         []Section
	// More says that some of it is on the page only, "" if all is here.
	More string
	// Why says why the reader gets it.
	Why string
	// Own is the customer's link to the job; Find is where to get a fresh one.
	Own, Find string
	// Choose is where to choose what to be mailed about, "" for nowhere; ChooseSays says how it stands.
	Choose, ChooseSays string
	// left counts photos that belong to what was left out.
	left int
}

// Template implements [templates.View].
func (*Mail) Template() string { return "mail/notice.html" }

// Plain returns the view of the text part.
func (m *Mail) Plain() Text { return Text{m} }

// Text is a mail's text part.
type Text struct{ *Mail }

// Template implements [templates.View].
func (Text) Template() string { return "mail/notice.txt" }

// T returns a text of the mail's language.
func (m *Mail) T(key string, args ...any) string { return m.W.T(key, args...) }

// Named is [locale.Words.Named] in the mail's language.
func (m *Mail) Named(name, value string) string { return m.W.Named(name, value) }

// Answer is one of the three answers.
type Answer struct {
	Asked, Answer string
	More          []string
	// Acts marks that something is asked of the reader.
	Acts bool
}

// Section is a piece of a mail, under its own heading. Parts that are empty are left out; the others
// come in the order of the fields.
type Section struct {
	Heading string
	// Caution marks what can hurt somebody.
	Caution bool
	Paras   []string
	// Act is a link of its own, where the mail's button leads elsewhere.
	Act templates.Link
	// Letter is what somebody wrote, set apart.
	Letter string
	Items  []Item
	Rows   []Row
	Ways   []templates.OptionView
	Photos []*Photo
	// Pairs says how many of the first photos are before and after, two by two.
	Pairs int
	After string
}

// Couples returns the pairs of photos that the mail shows, to stand side by side, each half a column wide.
func (s Section) Couples() [][2]Photo {
	var out [][2]Photo
	for i := range s.Pairs {
		if s.couple(i) {
			out = append(out, [2]Photo{s.Photos[2*i].half(), s.Photos[2*i+1].half()})
		}
	}
	return out
}

func (s Section) couple(i int) bool { return s.Photos[2*i].Src != "" && s.Photos[2*i+1].Src != "" }

// Singles returns the other photos, those too whose partner the mail does not show.
func (s Section) Singles() []*Photo {
	var out []*Photo
	for i, p := range s.Photos {
		if i/2 >= s.Pairs || !s.couple(i/2) {
			out = append(out, p)
		}
	}
	return out
}

// Item is an item of a list.
type Item struct {
	Lead, Text string
	Notes      []string
	Photos     []*Photo
}

// Row is a name and its value.
type Row struct{ Name, Value string }

// Fold breaks a text into lines of at most 72 characters, each begun with a prefix. Lines that the
// writer broke stay broken; a word that is longer, such as an address, stays whole.
func (Text) Fold(prefix, s string) string { return fold(prefix, s) }

func fold(prefix, s string) string {
	const width = 72
	var out []string
	for _, line := range strings.Split(s, "\n") {
		at := prefix
		n := utf8.RuneCountInString(prefix)
		used := n
		// Only where a text may break: "1 250,00 €" and a sign of French punctuation stay together.
		for _, word := range strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == '\t' || r == '\r' }) {
			size := utf8.RuneCountInString(word)
			if used > n && used+1+size > width {
				out = append(out, at)
				at, used = prefix, n
			}
			if used > n {
				at += " "
				used++
			}
			at += word
			used += size
		}
		out = append(out, strings.TrimRight(at, " "))
	}
	return strings.Join(out, "\n")
}

// Item folds a list's item: the first line begins with a dash.
func (Text) Item(s string) string {
	s = fold("  ", s)
	if strings.HasPrefix(s, "  ") {
		return "- " + s[2:]
	}
	return "- " + s
}

// Heading2 underlines a section's heading.
func (Text) Heading2(s string) string {
	return s + "\n" + strings.Repeat("-", min(utf8.RuneCountInString(s), 72))
}
