package mail

import (
	"testing"

	"benchword/templates"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

func TestEveryNoticeHasItsPart(t *testing.T) {
	for _, r := range workflow.NoticeTable() {
		require.NotNil(t, parts[r.Notice], r.Notice)
	}
}

// The button is for one question. A second one stands under its own heading; one that only leads somewhere
// does not take the button.
func TestJoiningParts(t *testing.T) {
	decide := templates.Link{Words: "Decide", URL: "https://bench.example/d"}
	choose := templates.Link{Words: "Choose", URL: "https://bench.example/c"}
	look := templates.Link{Words: "Answer", URL: "https://bench.example/j"}
	quote := part{subject: "a quote", heading: "Quote", act: decide, decides: true, sections: []Section{{Heading: "Ways"}}}
	late := part{subject: "late", heading: "Late", lead: "Sorry.", act: choose, chooses: true, saysWhy: true, sections: []Section{{Heading: "Why"}}}
	letter := part{subject: "a letter", heading: "Letter", act: look}

	both := quote.and(late)
	require.Equal(t, part{subject: "a quote", heading: "Quote", act: decide, decides: true, saysWhy: true, sections: []Section{
		{Heading: "Ways"}, {Heading: "Late", Paras: []string{"Sorry."}, Act: choose}, {Heading: "Why"},
	}}, both)
	require.Len(t, quote.sections, 1, "a part that was joined is as it was")

	again := quote.and(quote)
	require.True(t, again.decides)
	require.Empty(t, again.sections[1].Act, "the same question is asked once")

	asked := letter.and(late)
	require.Equal(t, choose, asked.act)
	require.True(t, asked.chooses)
	require.Empty(t, asked.sections[0].Act)

	require.Equal(t, decide, quote.and(letter).act)
	require.Empty(t, quote.and(letter).sections[1].Act)
	require.Equal(t, look, letter.and(letter).act)
}
