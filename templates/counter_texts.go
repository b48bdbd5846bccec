package templates

import (
	"benchword/templates/locale"
	"benchword/workflow"
)

// CounterWords is the owner's page of the texts that customers read: a list, or one of them as it is tried.
type CounterWords struct {
	Page
	// Lang and Find are what the list is of; Languages lead to the others.
	Lang, Find string
	Languages  []StageFilter
	Texts      []WordRow
	// Cut says that there are more.
	Cut bool

	// Key is the text that is looked at, "" for the list.
	Key    string
	Fields []WordField
	// Wrong says why the text as typed can't be used.
	Wrong string
	// Usual is the text as it is for every shop; Line what to put into the settings.
	Usual, Line string
	Changed     bool
	// Kind is the mail that it is shown in, of Kinds.
	Kind  string
	Kinds []Choice
	// The addresses of the samples, "" for none, and the mail's text part.
	PageURL, MailURL, MailText string
}

// Template implements [View].
func (*CounterWords) Template() string { return "counter/words.html" }

// NoticeWords names a kind of mail, as staff do.
func NoticeWords(k workflow.NoticeKind) string { return locale.Capital(noticeWords[k]) }

// WordRow is a text in the list.
type WordRow struct {
	Key, Text, URL string
	// Own marks the shop's own words.
	Own bool
}

// WordField is a text, or one of its plural forms, as it is typed.
type WordField struct{ Name, Label, Text string }
