package workflow

import (
	"testing"
	"time"

	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// kindsMade are the notices of the job, in order.
func (b *bench) kindsMade() (out []NoticeKind) {
	for _, n := range b.job().Notices {
		out = append(out, n.Kind)
	}
	return out
}

// What goes into subjects and headings holds no web address where a stranger typed it; the fault may, and staff may.
func TestBookingTakesNoWebAddress(t *testing.T) {
	for field, spoil := range map[string]func(*Book, string){
		"name": func(x *Book, s string) { x.Person.Name = s }, "kind": func(x *Book, s string) { x.Kind = s },
		"maker": func(x *Book, s string) { x.Maker = s }, "model": func(x *Book, s string) { x.Model = s },
	} {
		for _, text := range []string{"pay at https://evil.example/login", "see WWW.evil.example", "ftp://x"} {
			b, book := newBench(t), booking
			spoil(&book, text)
			e := b.refuses(CodeInvalid, customer, book)
			require.Equal(t, "web_address", e.Reason)
			require.Equal(t, field, e.Field)
			b.do(counter, book)
		}
	}
	b, book := newBench(t), booking
	book.Fault, book.Model = "As shown at https://help.example/fault", "WWW-2000"
	b.do(customer, book)
}

// Nobody knows whose the address of a web booking is, until something shows it.
func TestWhoIsAStranger(t *testing.T) {
	b := newBench(t)
	b.do(customer, booking)
	require.True(t, b.job().Stranger())
	said := b.job().Unsaid("Your device")
	require.Equal(t, "Your device", said.Device.Name())
	require.Empty(t, said.Customer.Name.Text+said.Customer.Phone.Text+said.Customer.Address.Text+said.Fault.Text)
	require.Equal(t, "mira@post.example", said.Customer.Email.Text)
	require.NotEmpty(t, b.job().Fault.Text, "the job itself keeps it")
	b.do(counter, ChangeCustomer{Person: booking.Person})
	require.False(t, b.job().Stranger(), "staff have asked")

	b = newBench(t)
	b.do(counter, booking)
	require.False(t, b.job().Stranger())

	b = newBench(t)
	b.toDiagnosing()
	require.False(t, b.job().Stranger(), "a parcel came")

	b, book := newBench(t), booking
	book.Person.Email, book.Person.Phone = "", "+1 902 555 0100"
	b.do(customer, book)
	require.False(t, b.job().Stranger(), "there is nobody to write to")
}

// Where the shop wants it so, a booking stands on no board before its address is confirmed, and what goes to the
// address until then is one question.
func TestBookingWaitsForItsAddress(t *testing.T) {
	book := func(t *testing.T) *bench {
		b := newBench(t)
		b.s.Shop.ConfirmBookings = true
		b.do(customer, booking)
		return b
	}
	b := book(t)
	require.Equal(t, []NoticeKind{NoticeConfirm}, b.kindsMade())
	require.True(t, b.job().Unconfirmed())
	require.Equal(t, StageBooked, b.job().Stage)
	x := b.job().index(b.s.Shop)
	require.Equal(t, StageUnconfirmed, x.Stage)
	require.True(t, x.Ended)
	b.do(b.byLink(link.Own), AskLink{})
	require.Equal(t, []NoticeKind{NoticeConfirm, NoticeConfirm}, b.kindsMade(), "the link itself goes to nobody yet")
	for _, by := range []Actor{customer, b.byLink(link.Own)} {
		b.refuses(CodeForbidden, by, Confirm{}) // only by the link that was emailed
	}
	b.refuses(CodeForbidden, b.byLink(link.Confirm), Confirm{Message: 1}) // it is for something else
	b.refuses(CodeForbidden, b.byLink(link.Confirm), SendMessage{Text: "Hello"})

	b.do(b.byLink(link.Confirm), Confirm{})
	require.Equal(t, []NoticeKind{NoticeConfirm, NoticeConfirm, NoticeBooked}, b.kindsMade())
	require.Equal(t, StageBooked, b.job().index(b.s.Shop).Stage)
	require.False(t, b.job().Stranger())
	require.True(t, b.job().WakeAt(b.s.Shop).IsZero(), "nothing waits any more")
	version := b.job().Version
	b.do(b.byLink(link.Confirm), Confirm{})
	require.Equal(t, version, b.job().Version, "the second press changes nothing")

	gone := func(b *bench) {
		j := b.job()
		require.Equal(t, StageWithdrawn, j.Stage)
		require.NotZero(t, j.Erased)
		require.Empty(t, j.Customer.Name.Text+j.Customer.Email.Text+j.Fault.Text)
		require.Equal(t, []NoticeKind{NoticeConfirm}, b.kindsMade(), "nobody is told")
	}
	b = book(t)
	b.do(b.byLink(link.Confirm), Confirm{Not: true})
	gone(b)

	b = book(t)
	require.Equal(t, b.now.Add(7*24*time.Hour), b.job().WakeAt(b.s.Shop))
	require.True(t, b.passes(7*24*time.Hour-time.Second).Unconfirmed())
	b.passes(time.Second)
	gone(b)

	b = book(t)
	b.do(technician, ListContents{Items: []Item{{Text: "Film scanner", Device: true}}}, AnswerScreening{Screening{Lithium: No, CellDamaged: No, Mains: Yes, Liquid: No}},
		photo(PhotoArrival), Go{To: StageReceived})
	require.Equal(t, StageReceived, b.job().index(b.s.Shop).Stage, "the parcel is here")
}

// A message that may redirect the parcel is asked about at the address on file; the first answer stands.
func TestMessageIsConfirmed(t *testing.T) {
	moved := SendMessage{Text: "Please send it to my new address, 12 Thief Road."}
	b := newBench(t)
	b.toDiagnosing()
	b.do(Actor{Role: RoleCustomer, ID: ByEmail}, moved)
	require.NotNil(t, b.job().Doubt())
	b.refuses(CodeForbidden, technician, AskConfirm{Message: 1})
	b.refuses(CodeInvalid, counter, AskConfirm{Message: 2})
	b.do(counter, SendMessage{Text: "We'll ask."})
	b.refuses(CodeInvalid, counter, AskConfirm{Message: 2}) // the bench's own

	b.do(counter, AskConfirm{Message: 1})
	first := b.byLink(link.Confirm)
	require.Equal(t, b.now, b.job().Messages[0].ConfirmAskedAt)
	last := b.job().Notices[len(b.job().Notices)-1]
	require.Equal(t, []any{NoticeConfirm, 1, true}, []any{last.Kind, last.Ref, last.Asked})
	b.now = b.now.Add(time.Hour)
	b.do(counter, AskConfirm{Message: 1})
	b.refuses(CodeGone, first, Confirm{Message: 1}) // the newer email's link counts
	by := b.byLink(link.Confirm)
	require.NotNil(t, b.job().Doubt(), "asking is no answer")
	b.do(by, Confirm{Message: 1})
	require.Equal(t, ConfirmedYes, b.job().Messages[0].Confirmed)
	require.Nil(t, b.job().Doubt())
	b.do(by, Confirm{Message: 1, Not: true})
	require.Equal(t, ConfirmedYes, b.job().Messages[0].Confirmed, "the first answer stands")
	b.refuses(CodeRefused, counter, AskConfirm{Message: 1})

	b.do(Actor{Role: RoleCustomer, ID: ByEmail}, moved)
	b.do(counter, AskConfirm{Message: 3})
	b.do(b.byLink(link.Confirm), Confirm{Message: 3, Not: true})
	require.Equal(t, 3, b.job().Doubt().ID, "somebody else wrote it")

	b.do(Actor{Role: RoleCustomer, ID: ByEmail}, moved)
	b.do(counter, AskConfirm{Message: 4})
	by = b.byLink(link.Confirm)
	other := booking.Person
	other.Email = "thief@evil.example"
	b.do(counter, ChangeCustomer{Person: other})
	b.refuses(CodeGone, by, Confirm{Message: 4}) // another address ends what the old one was asked
}
