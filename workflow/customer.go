package workflow

import (
	"net/netip"
	"strings"

	"benchword/workflow/link"
	"benchword/workflow/money"

	"golang.org/x/net/idna"
)

// Customer is the person to tell. All of it is personal data.
type Customer struct {
	Name  Sealed `json:"name"`
	Email Sealed `json:"email"`
	Phone Sealed `json:"phone"`
	// Address is the postal address to send the device back to, lines separated by "\n".
	Address Sealed `json:"address"`
	// Company and TaxNumber stand on papers beside the name.
	Company   Sealed `json:"company,omitzero"`
	TaxNumber Sealed `json:"tax_number,omitzero"`
	// Language is a BCP 47 tag: en, fr, de, es.
	Language string `json:"language"`
	// TimeZone is an IANA name, "" if not known.
	TimeZone string `json:"time_zone,omitempty"`
}

// OnPaper returns the name as papers have it, with the company below it.
func (c *Customer) OnPaper() string {
	return strings.TrimSpace(c.Name.Text + "\n" + c.Company.Text)
}

// Person is a customer as typed in.
type Person struct {
	Name    string `json:"name"`
	Email   string `json:"email,omitempty"`
	Phone   string `json:"phone,omitempty"`
	Address string `json:"address,omitempty"`
	Company string `json:"company,omitempty"`
	// TaxNumber is the customer's own, for the papers.
	TaxNumber string `json:"tax_number,omitempty"`
	Language  string `json:"language,omitempty"`
	TimeZone  string `json:"time_zone,omitempty"`
}

// customer checks and seals what was typed. What is as it was stays sealed as it was.
func (t *turn) customer(p Person, was Customer) (Customer, error) {
	var c Customer
	var err error
	if p.Name, err = line("name", "The name", p.Name, true); err != nil {
		return c, err
	}
	if p.Email, err = line("email", "The email address", p.Email, false); err != nil {
		return c, err
	}
	if p.Email != "" && !plausibleEmail(p.Email) {
		return c, invalid("email", "The email address “%s” does not look complete; it should read like name@example.org.", p.Email).because("email", p.Email)
	}
	if p.Phone, err = line("phone", "The telephone number", p.Phone, false); err != nil {
		return c, err
	}
	if p.Email == "" && p.Phone == "" {
		return c, invalid("email", "Give an email address or a telephone number, so that the bench can reach the customer.").because("reach")
	}
	if p.Address, err = text("address", "The postal address", p.Address, false); err != nil {
		return c, err
	}
	if p.Company, err = line("company", "The company", p.Company, false); err != nil {
		return c, err
	}
	if p.TaxNumber, err = line("tax_number", "The tax number", p.TaxNumber, false); err != nil {
		return c, err
	}
	for _, f := range []struct {
		typed   string
		to, was *Sealed
	}{
		{p.Name, &c.Name, &was.Name}, {p.Email, &c.Email, &was.Email}, {p.Phone, &c.Phone, &was.Phone},
		{p.Address, &c.Address, &was.Address}, {p.Company, &c.Company, &was.Company}, {p.TaxNumber, &c.TaxNumber, &was.TaxNumber},
	} {
		if *f.to = *f.was; f.typed != f.was.Text {
			if *f.to, err = t.seal(f.typed); err != nil {
				return c, err
			}
		}
	}
	c.Language = t.shop.Languages[0]
	for _, l := range t.shop.Languages {
		if l == p.Language {
			c.Language = l
		}
	}
	if c.TimeZone, err = line("time_zone", "The time zone", p.TimeZone, false); err != nil {
		return c, err
	}
	return c, nil
}

// plausibleEmail reports whether an address can work at all (RFC 5321 4.5.3.1, RFC 5890); whether it does only an
// email can tell.
func plausibleEmail(s string) bool {
	local, domain, ok := strings.Cut(s, "@")
	if !ok || local == "" || len(local) > 64 || len(s) > 254 || strings.ContainsAny(s, " <>,;:\"()[]\\") ||
		strings.HasPrefix(local, ".") || strings.HasSuffix(local, ".") || strings.Contains(local, "..") {
		return false
	}
	ascii, err := idna.Lookup.ToASCII(domain)
	if _, no := netip.ParseAddr(domain); err != nil || no == nil || len(ascii) > 253 {
		return false
	}
	labels := strings.Split(ascii, ".")
	for _, l := range labels {
		if l == "" || len(l) > 63 || strings.HasPrefix(l, "-") || strings.HasSuffix(l, "-") || strings.Trim(l, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			return false
		}
	}
	top := labels[len(labels)-1]
	return len(labels) > 1 && strings.Trim(top, "0123456789") != ""
}

// ChangeCustomer corrects how the customer is reached. Another email address ends every link of the job.
type ChangeCustomer struct {
	Person Person `json:"person,omitempty"`
	Limit  string `json:"limit,omitempty"`
}

func (c ChangeCustomer) decide(t *turn) error {
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job.")
	}
	cust, err := t.customer(c.Person, Customer{})
	if err != nil {
		return err
	}
	limit, err := t.limit(c.Limit)
	if err != nil {
		return err
	}
	was := t.j.Customer.Email.Text
	if err := t.record(&CustomerChanged{Customer: cust, Limit: limit}); err != nil {
		return err
	}
	return t.readdressed(was, false)
}

// CustomerChanged corrects how the customer is reached, or the limit agreed to.
type CustomerChanged struct {
	Customer Customer      `json:"customer"`
	Limit    *money.Amount `json:"limit,omitempty"`
}

func (p *CustomerChanged) fold(j *Job, e *Event) {
	j.Customer, j.Limit = p.Customer, p.Limit
	if g := j.grant(e.By); e.By.Role != RoleCustomer || g != nil && g.Purpose == link.Confirm {
		j.Unproven, j.Confirms = false, false // staff have it from the customer, or the address on file says so
	}
}
