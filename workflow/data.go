package workflow

import (
	"encoding/json"
	"reflect"
	"regexp"
	"slices"
	"time"

	"benchword/workflow/link"
)

// SendData sends the customer all that is kept about them and their job: as a link to one file, to the email address
// on file.
//
// # Decisions
//
//   - 2026-12-01: The file is sent as a link that ends after a week and with every other link. Rejected: as an
//     attachment, since photos outgrow what mailboxes take, and a copy would stay on every server on the way.
//   - 2026-12-01: Only the owner sends it, who can read it first: it holds what staff wrote down. Rejected: the customer's
//     own page, whose link may be in other hands than the mailbox.
//   - 2026-12-01: A file is of one job; somebody with several gets one of each. Rejected: all jobs with one address, or
//     one name, in a file: a family shares the one, and namesakes the other.
type SendData struct{}

// dataFor is how long the link to the file works.
const dataFor = 7 * 24 * time.Hour

func (c SendData) decide(t *turn) error {
	switch j := t.j; {
	case !j.Erased.IsZero():
		return refused("The customer was erased from this job; nothing is kept about them.").because("erased")
	case j.Customer.Email.Text == "":
		return refused("There is no email address on this job. Print the file, and hand it over or post it.").because("no_email")
	case !j.Proven():
		return refused("The email address was typed into the booking form, and nobody has confirmed that it's the customer's. Ask them for it and save it under “Customer” first.")
	}
	if err := t.revokeLinks(link.Data); err != nil {
		return err
	}
	if err := t.issueLink(link.Data, 0, t.now.Add(dataFor)); err != nil {
		return err
	}
	return t.record(&DataSent{})
}

// Proven reports whether the email address on file is known to be the customer's: staff have it from them, or a quote was
// answered by the link that went there.
func (j *Job) Proven() bool {
	return !j.Unproven || slices.ContainsFunc(j.Decisions, func(d Decision) bool {
		g := j.grant(d.By)
		return g != nil && g.Purpose == link.Decide
	})
}

// DataSent sends the customer what is kept about them.
type DataSent struct{}

func (p *DataSent) fold(*Job, *Event) {}

// Data is all that is kept about a job's customer, for them or a program of theirs to read.
type Data struct {
	Shop     string     `json:"shop"`
	Job      JobNumber  `json:"job"`
	Made     time.Time  `json:"made"`
	Customer DataPerson `json:"customer"`
	// Photos are files beside this one, by the number that the steps give them.
	Photos map[int]string `json:"photos"`
	Steps  []DataStep     `json:"steps"`
}

// DataPerson is who the customer is, and how they are reached.
type DataPerson struct {
	Name     string       `json:"name,omitempty"`
	Email    string       `json:"email,omitempty"`
	Phone    string       `json:"phone,omitempty"`
	Address  string       `json:"address,omitempty"`
	Language string       `json:"language,omitempty"`
	TimeZone string       `json:"time_zone,omitempty"`
	Emails   NoticeChoice `json:"emails"`
}

// DataStep is one event, with what was sealed in it in clear. Of staff it has the role, not the name.
type DataStep struct {
	At   time.Time       `json:"at"`
	By   Role            `json:"by"`
	What EventKind       `json:"what"`
	Says json.RawMessage `json:"says"`
}

var sealedDigest = regexp.MustCompile(`\{"sealed":"[0-9a-f]{64}"\}|"[0-9a-f]{64}"`)

// DataOf puts together what is kept about a job's customer, from all its events; photo names a photo's file, "" for
// one that is not there.
func DataOf(j *Job, events []*Event, shop *Shop, now time.Time, photo func(id int) string) *Data {
	c := &j.Customer
	d := &Data{
		Shop: shop.Name, Job: j.Number, Made: now.UTC().Truncate(time.Second), Photos: map[int]string{},
		Customer: DataPerson{c.Name.Text, c.Email.Text, c.Phone.Text, c.Address.Text, c.Language, c.TimeZone, j.Choice()},
	}
	for i := range j.Photos {
		if name := photo(j.Photos[i].ID); name != "" {
			d.Photos[j.Photos[i].ID] = name
		}
	}
	for _, e := range events {
		said := Vault{}
		eachSealed(reflect.ValueOf(e.Payload), func(s *Sealed) { said[s.Digest] = s.Text })
		says := sealedDigest.ReplaceAllFunc(e.Data, func(b []byte) []byte {
			text, known := said[string(digestIn.Find(b))]
			if !known {
				return b // of a picture, or a quote
			}
			out, _ := json.Marshal(text) // a text always encodes
			return out
		})
		d.Steps = append(d.Steps, DataStep{e.At, e.By.Role, e.Kind(), says})
	}
	return d
}

var digestIn = regexp.MustCompile(`[0-9a-f]{64}`)
