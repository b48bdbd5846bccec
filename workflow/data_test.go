package workflow

import (
	"encoding/json"
	"testing"
	"time"

	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// What is kept about somebody goes to the address on file, by the owner, as a link that ends; never to an address that
// nobody has confirmed.
func TestWhatIsKeptIsSent(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	// A stranger may have typed somebody else's address into the booking form; a parcel proves a device, and no address.
	require.True(t, b.job().Unproven)
	b.refuses(CodeRefused, owner, SendData{})
	b.do(counter, ChangeCustomer{Person: booking.Person})
	b.refuses(CodeForbidden, counter, SendData{})
	b.refuses(CodeForbidden, customer, SendData{})
	b.do(owner, SendData{})
	first := b.byLink(link.Data)
	last := b.job().Notices[len(b.job().Notices)-1]
	require.Equal(t, []any{NoticeData, true}, []any{last.Kind, last.Asked})
	g := b.job().Link(link.Data, b.now)
	require.Equal(t, b.now.Add(7*24*time.Hour), g.ExpiresAt)
	b.refuses(CodeForbidden, first, SendMessage{Text: "Hello"})

	b.now = b.now.Add(time.Hour)
	b.do(owner, SendData{})
	require.NotEqual(t, g.ID, b.job().Link(link.Data, b.now).ID)
	b.refuses(CodeGone, first, SendMessage{Text: "Hello"}) // the newer email's link counts
	b.do(counter, RevokeLinks{})
	require.Nil(t, b.job().Link(link.Data, b.now), "every link ends, this one too")
	b.do(owner, SendData{})
	other := booking.Person
	other.Email = "new@post.example"
	b.do(counter, ChangeCustomer{Person: other})
	require.Nil(t, b.job().Link(link.Data, b.now), "who read the old address has nothing")
	_, waits := b.job().Gathered(&Entry{ID: b.job().Notices[len(b.job().Notices)-1].ID, Kind: NoticeData})
	require.Empty(t, waits)
	require.True(t, moot[NoticeData](b.job(), nil))

	other.Email = ""
	other.Phone = "+1 902 555 0100"
	b.do(counter, ChangeCustomer{Person: other})
	b.refuses(CodeRefused, owner, SendData{})
}

// Who has answered a quote by the link that was emailed reads that mailbox.
func TestAnAnswerProvesTheAddress(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	yes := Decide{Verdict: VerdictApprove, Digest: b.job().Quote().Digest, Option: "A", Name: "Mira Osei"}
	b.do(counter, Decide{Verdict: VerdictAsk, Digest: yes.Digest, Name: "Mira Osei", Words: "How long?", Call: &CallNote{Number: "902 555 0100"}})
	require.False(t, b.job().Proven(), "what staff write down proves no address")
	b.do(b.byLink(link.Decide), yes)
	require.True(t, b.job().Proven())
	b.do(owner, SendData{})
}

// The file holds everything that was sealed, in clear, of every step; of staff the role alone.
func TestWhatIsKeptIsWhole(t *testing.T) {
	b := newBench(t)
	j := b.toAwaiting()
	b.do(customer, Decide{Verdict: VerdictDecline, Digest: j.Quote().Digest, Name: "Zoe Vault", Address: "192.0.2.7", Agent: "A browser"})
	b.do(counter, SendMessage{Text: "We will send it back."}, PlaceHold{Reason: HoldCustomer, Note: "Rang twice."})
	events := b.store.events[b.n]
	j = b.job()
	d := DataOf(j, events, b.s.Shop, b.now, func(int) string { return "" })
	require.Len(t, d.Steps, len(events))
	raw, err := json.Marshal(d)
	require.NoError(t, err)
	for _, text := range []string{booking.Person.Name, booking.Person.Email, booking.Fault, "Zoe Vault", "192.0.2.7", "A browser", "We will send it back.", "Rang twice."} {
		require.Contains(t, string(raw), text)
	}
	require.NotEmpty(t, b.store.secrets[b.n])
	for digest, text := range b.store.secrets[b.n] {
		require.NotContains(t, string(raw), digest, "%q is there as a digest alone", text)
	}
	for _, who := range []Actor{counter, technician, owner} {
		require.NotContains(t, string(raw), `"`+who.ID+`"`)
	}
}
