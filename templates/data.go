package templates

import (
	"benchword/templates/locale"
	"benchword/workflow"
)

// DataPage is where the customer downloads all that is kept about them.
type DataPage struct {
	Page
	Number, Device string
	// File is the file's address, Until when it ends.
	File, Until string
}

// Template implements [View].
func (*DataPage) Template() string { return "customer/data.html" }

// DataFile is the page within that file: opened from a folder, without a network or a script.
type DataFile struct {
	W                 *locale.Words
	Shop, Title, Made string
	Device, Fault     string
	// You is who the customer is, in rows of two.
	You     [][2]string
	Letters []LetterView
	Answers []DataAnswer
	Photos  []PhotoView
	Steps   []DataStep
}

// DataAnswer is an answer of the customer's to a quote, with what was kept to prove it.
type DataAnswer struct{ When, Said, Name, Address, Agent string }

// DataStep is a line of the history.
type DataStep struct{ When, By, What string }

// Template implements [View].
func (*DataFile) Template() string { return "archive/data.html" }

// DataOf makes the page of what is kept about a job's customer.
func DataOf(j *workflow.Job, d *workflow.Data, shop *workflow.Shop, w *locale.Words) *DataFile {
	loc := zoneOf(shop)
	v := &DataFile{W: w, Shop: shop.Name, Title: w.T("data.file.title", j.Number.Shown()), Made: w.DateTime(d.Made, loc), Device: j.Device.Name(), Fault: j.Fault.Text}
	for _, x := range [][2]string{
		{"data.name", d.Customer.Name}, {"data.email", d.Customer.Email}, {"data.phone", d.Customer.Phone}, {"data.address", d.Customer.Address},
		{"data.zone", d.Customer.TimeZone},
	} {
		if x[1] != "" {
			v.You = append(v.You, [2]string{w.T(x[0]), x[1]})
		}
	}
	v.Letters = lettersOf(j, w, loc)
	for i := range j.Decisions {
		d := &j.Decisions[i]
		v.Answers = append(v.Answers, DataAnswer{w.DateTime(d.At, loc), w.T("data.said." + string(d.Verdict)), d.Name.Text, d.Address.Text, d.Agent.Text})
	}
	for i := range j.Photos {
		if p := &j.Photos[i]; d.Photos[p.ID] != "" {
			v.Photos = append(v.Photos, photoOf(j, p, w, loc, func(p *workflow.Photo, _ string) string { return d.Photos[p.ID] }))
		}
	}
	for _, s := range d.Steps {
		by := "data.by.shop"
		if s.By == workflow.RoleCustomer {
			by = "data.by.you"
		}
		v.Steps = append(v.Steps, DataStep{w.DateTime(s.At, loc), w.T(by), string(s.What)})
	}
	return v
}
