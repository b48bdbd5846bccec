package workflow

import (
	"strings"
	"testing"
	"time"

	"benchword/workflow/link"

	"github.com/stretchr/testify/require"
)

// owner is the customer by their own link, and confirming by the newest link to confirm by.
func (b *bench) by(p link.Purpose) Actor {
	b.t.Helper()
	g := b.job().Link(p, b.now)
	require.NotNil(b.t, g, p)
	return Actor{Role: RoleCustomer, ID: g.ID}
}

// What is changed by the customer's own link counts at once where nobody can be robbed by it, and else once the email
// address on file has said yes.
func TestWhatTheCustomerChanges(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	p := booking.Person
	p.Name, p.Company, p.Language, p.Address = "Mira O. Osei", "Osei Film", "fr", "9 Other Street"
	b.s.Shop.Languages = []string{"en", "fr"}
	was := b.job().Customer
	j := b.do(b.by(link.Own), ChangeOwn{Person: p, Limit: "80.00"})
	require.Equal(t, "Mira O. Osei", j.Customer.Name.Text)
	require.Equal(t, "Mira O. Osei\nOsei Film", j.Customer.OnPaper())
	require.Equal(t, "fr", j.Customer.Language)
	require.Equal(t, int64(8000), j.Limit.Minor)
	require.Equal(t, was.Address, j.Customer.Address, "the parcel goes where it went")
	require.Equal(t, []string{"address"}, j.OpenChange().Of)
	require.Equal(t, NoticeConfirm, j.Notices[len(j.Notices)-1].Kind)
	require.Equal(t, -1, j.Notices[len(j.Notices)-1].Ref)

	b.refuses(CodeForbidden, b.by(link.Own), Confirm{Change: 1})
	b.refuses(CodeForbidden, b.by(link.Confirm), Confirm{Change: 2})
	b.refuses(CodeForbidden, b.by(link.Confirm), Confirm{Message: 1})
	first := b.by(link.Confirm)
	p.Address = "11 Third Street"
	j = b.do(b.by(link.Own), ChangeOwn{Person: p, Limit: "80.00"})
	require.Equal(t, 2, j.OpenChange().Number)
	b.refuses(CodeGone, first, Confirm{Change: 1})
	version := j.Version
	require.Equal(t, version, b.do(b.by(link.Own), ChangeOwn{Person: p, Limit: "80.00"}).Version, "the same form again asks nothing again")

	j = b.do(b.by(link.Confirm), Confirm{Change: 2})
	require.Equal(t, "11 Third Street", j.Customer.Address.Text)
	require.Nil(t, j.OpenChange())
	require.Equal(t, int64(8000), j.Limit.Minor, "the rest stays")
	require.NotNil(t, j.Link(link.Own, b.now), "links stay where the email address does")
	b.checkHistory()

	p.Email = "thief@post.example"
	b.do(b.by(link.Own), ChangeOwn{Person: p, Limit: "80.00"})
	j = b.do(b.by(link.Confirm), Confirm{Change: 3, Not: true})
	require.Equal(t, "mira@post.example", j.Customer.Email.Text)
	require.Equal(t, ConfirmedNo, j.OwnChanges[2].Said)
	b.refuses(CodeRefused, counter, SettleChange{Change: 3})
	b.checkHistory()
}

// A new email address ends every link, and gets the new one by email.
func TestANewEmailAddressGetsTheLinks(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	own, p := b.by(link.Own), booking.Person
	p.Email = "mira@new.example"
	b.do(own, ChangeOwn{Person: p})
	require.Equal(t, "mira@post.example", b.job().Customer.Email.Text)
	j := b.do(b.by(link.Confirm), Confirm{Change: 1})
	require.Equal(t, "mira@new.example", j.Customer.Email.Text)
	require.Equal(t, LinkAddress, LinkWhyOf(j.Notices[len(j.Notices)-1].Ref))
	b.refuses(CodeGone, own, SendMessage{Text: "Hello?"})
	require.NotEqual(t, own.ID, b.by(link.Own).ID)
}

// Without an email address on file the counter asks on the telephone: the job is among those that wait.
func TestAChangeIsConfirmedOnTheTelephone(t *testing.T) {
	b := newBench(t)
	book := booking
	book.Person.Email, book.Person.Phone = "", "+1 902 555 0100"
	b.do(counter, book)
	p := book.Person
	p.Email, p.Phone = "mira@post.example", "+1 902 555 0199"
	j := b.do(b.by(link.Own), ChangeOwn{Person: p})
	require.Nil(t, j.Link(link.Confirm, b.now))
	require.Equal(t, "+1 902 555 0100", j.Customer.Phone.Text, "staff ring the number that they had")
	require.True(t, j.index(b.s.Shop).Waiting)
	j = b.do(counter, SettleChange{Change: 1})
	require.Equal(t, "mira@post.example", j.Customer.Email.Text)
	require.False(t, j.index(b.s.Shop).Waiting)
	require.Equal(t, NoticeLink, j.Notices[len(j.Notices)-1].Kind, "the new address gets the link")

	p = Person{Name: "Mira Osei", Phone: "x"}
	p.Phone = ""
	b.refuses(CodeInvalid, b.by(link.Own), ChangeOwn{Person: p})
}

// Nobody can be made to get many emails by changing back and forth.
func TestChangesOfADayAreFew(t *testing.T) {
	b := newBench(t)
	b.toDiagnosing()
	change := func(street string) Command {
		p := booking.Person
		p.Address = street
		return ChangeOwn{Person: p}
	}
	for i := range changesADay {
		b.do(b.by(link.Own), change(strings.Repeat("I", i+1)+" Street"))
	}
	require.Equal(t, "changes_many", b.refuses(CodeRefused, b.by(link.Own), change("Last Street")).Reason)
	b.now = b.now.Add(24 * time.Hour)
	b.do(b.by(link.Own), change("Last Street"))
}

// The passcode is in no byte that is stored or shown but where somebody tapped for it, and goes with the device.
func TestThePasscodeIsASecret(t *testing.T) {
	b := newBench(t)
	b.toAwaiting()
	b.approve()
	b.do(b.by(link.Own), GivePasscode{"zq-4711"}, ChooseWishes{Insured: "250.00", Data: DataErase, Return: ReturnCollect})
	j := b.job()
	for _, s := range b.store.secrets[b.n] {
		require.NotContains(t, s, "4711")
	}
	require.NotContains(t, j.index(b.s.Shop).Text, "4711")
	b.refuses(CodeForbidden, b.by(link.Own), SeePasscode{})
	j = b.do(technician, SeePasscode{})
	require.Len(t, j.Passcode.SeenAt, 1)
	said, err := b.s.Passcode(j)
	require.NoError(t, err)
	require.Equal(t, "zq-4711", said)
	other := *j
	other.Number = "K7M2QX8"
	_, err = b.s.Passcode(&other)
	require.Error(t, err, "what is locked for one job opens for no other")

	first := j.Passcode.Locked.Digest
	b.do(counter, GivePasscode{"zq-0815"})
	require.NotContains(t, b.store.secrets[b.n], first, "the old one's row is gone")
	b.checkHistory()
	second := b.job().Passcode.Locked.Digest
	require.Contains(t, b.store.secrets[b.n], second)
	b.do(technician, DoWork{Text: "Renewed the capacitor"}, Go{To: StageTesting}, pass("Function"), pass(SafetyTest), packAll, PrepareShipment{Carrier: "Post", Parcel: "RR473124829CA"})
	j = b.do(counter, Go{To: StageShipped})
	require.Nil(t, j.Passcode)
	require.NotContains(t, b.store.secrets[b.n], second, "it goes when the device does")
	b.checkHistory()
	b.refuses(CodeRefused, b.by(link.Own), GivePasscode{"1234"})
	b.refuses(CodeRefused, technician, SeePasscode{})

	x := b.job().Seen(link.Share)
	require.True(t, x.Wishes.None())
	require.False(t, b.job().Wishes.None())
}
