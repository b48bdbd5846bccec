package workflow

import (
	"time"

	"benchword/workflow/calendar"
	"benchword/workflow/catalogue"
	"benchword/workflow/money"
)

// Shop is one bench business as its settings describe it. It is read at start and never changes
// while the server runs.
type Shop struct {
	ID   ShopID
	Name string
	// BaseURL is where the portal is reached from outside, without a trailing slash.
	BaseURL string
	// Address is the postal address to send parcels to, lines separated by "\n".
	Address string
	Email   string
	Phone   string
	// TaxNumber is printed on its papers, "" for none.
	TaxNumber string
	// Look is the shop's own face on its customers' pages.
	Look Look
	// Paper is the format of what is printed, "a4" or "letter"; "" is the usual one of the shop's country.
	Paper string
	// About is one line under the name.
	About string

	Calendar *calendar.Calendar
	Currency money.Currency
	// Prices is money.BeforeTax or money.WithTax.
	Prices money.Prices
	Taxes  map[string]money.Tax
	// Languages the shop answers in, the first is the one to fall back on.
	Languages []string

	// PromiseDays is the turnaround told on arrival, in working days, by a shop without levels.
	PromiseDays int
	// Levels are the levels of service that it offers; the first is the usual one.
	Levels []Level
	// WarnAt are the shares of a promise's quota, in percent and rising, at which the counter is warned.
	WarnAt []int
	// RiskAt is how probable a miss must be, in percent, for the forecast to raise the flag; 0 for never.
	RiskAt int
	// Silence says what no answer about a missed promise means, SilenceDays after how many working days.
	Silence     SilencePolicy
	SilenceDays int
	// QuoteDays is how many calendar days a quote stands.
	QuoteDays int
	// RemindDays are the working days after issue on which an unanswered quote is followed up.
	RemindDays []int
	// LastNoticeDays is how many working days before a quote runs out the last notice about it is sent,
	// 0 for none.
	LastNoticeDays int
	// UndoFor is how long consent to recycling waits before it takes effect. With 0 it takes effect at once, and
	// no answer to a quote can be taken back; else each can until the bench begins.
	UndoFor time.Duration
	// Consent is the sentence agreed to on approving, by language; [ConsentWords] where there is none.
	Consent map[string]string
	// ConsentRecycle is that for an option to recycle; [RecycleWords] where there is none.
	ConsentRecycle map[string]string
	// Fee is the diagnostic fee, announced on booking; nil for none. FeeCredited: it counts towards a
	// repair.
	Fee         *money.Amount
	FeeCredited bool
	// PayURL is where a balance can be paid, with places {job}, {amount} and {currency}; "" for none.
	PayURL string
	// PayWords say how else to pay, in the shop's own words, by language.
	PayWords map[string]string
	// Estimate and RepairForm are set where the shop gives those papers with its quotes.
	Estimate   *EstimatePaper
	RepairForm *RepairForm
	// Uncollected are the notices about goods that wait for their customer, in order.
	Uncollected []UncollectedNotice
	// WarrantyDays is given on a repair where the option does not say otherwise.
	WarrantyDays int
	// Country is the shop's, by its code of two letters. Carriers say how long parcels usually take.
	Country  string
	Carriers []Carrier
	// Tests must have passed before a repaired device leaves.
	Tests []string
	// TestNames are what tests are called, by their name in Tests and by language; TestSteps are the steps that
	// the shop takes in one.
	TestNames map[string]map[string]string
	TestSteps map[string][]string
	// TestLimits are the limits of steps, by test and step.
	TestLimits map[string]map[string]Limit
	// Practice is what the shop says that its safety test goes by; "" for none.
	Practice string
	// Instruments are those whose calibration is kept.
	Instruments []Instrument
	// TellDays are how many days after arrival a carrier wants to be told of damage, by its name.
	TellDays map[string]int
	// SettleFirst demands a zero balance before shipping.
	SettleFirst bool
	// PauseFor says whether the promise clock stands still during a hold with this reason.
	PauseFor map[HoldReason]bool
	// Gather is how long a notice waits for more steps, so that those within minutes are one mail; 0 sends
	// each at once.
	Gather time.Duration
	// Quiet are the hours in which nobody is written to who did not ask.
	Quiet Quiet
	// EraseMonths is how long after the end of a job its person is kept, 0 for as long as nobody erases them.
	EraseMonths int
	// BookLimits bound what is booked on the web. ConfirmBookings: what is booked there stands on no board before the
	// email address is confirmed.
	BookLimits      BookLimits
	ConfirmBookings bool
	// Hooks are the shop's own systems that are told of steps.
	Hooks []Hook
	// LinkFor is how long a link to the job lives, the customer's own or a shared one, counted from when it was made.
	LinkFor time.Duration
	// Catalogue holds findings and duties, the shop's own among them; nil is the standard one.
	Catalogue *catalogue.Catalogue
}

// Trade returns the shop's catalogue.
func (s *Shop) Trade() *catalogue.Catalogue {
	if s.Catalogue == nil {
		return catalogue.Standard()
	}
	return s.Catalogue
}

// PaperSize returns the format of paper: letter where the money is that of the United States, Canada or
// Mexico (common practice, no source), A4 elsewhere, unless the settings say otherwise.
func (s *Shop) PaperSize() string {
	if s.Paper != "" {
		return s.Paper
	}
	switch s.Currency {
	case "USD", "CAD", "MXN":
		return "letter"
	}
	return "a4"
}

// pauses reports whether a hold of this reason stops the promise clock. The bench's own time never does.
func (s *Shop) pauses(r HoldReason) bool {
	if !r.Account().Pauses() {
		return false
	}
	if p, ok := s.PauseFor[r]; ok {
		return p
	}
	return true
}

// EstimatePaper is what only the shop knows of a written estimate after 16 CCR 2721 to 2723.
type EstimatePaper struct {
	// Registration is the shop's number, Notice the prescribed notice in the official wording.
	Registration, Notice string
}

// RepairForm is what only the shop knows of the European Repair Information Form. Where it is given, a quote
// stands for 30 days at least, counted as in Regulation (EEC, Euratom) 1182/71.
type RepairForm struct {
	// Replacement says whether there is a temporary replacement, and what it costs; "" for none. Place is
	// where the device is handed over, "" for the shop's address.
	Replacement, Place string
}

// Look is what a shop gives its pages: a picture, two colours, and where its terms stand. All of it may be empty.
type Look struct {
	// Logo is a picture of LogoType.
	Logo     []byte
	LogoType string
	// Colour fills buttons, On is what is written on it, Behind lies behind the paper; each as #rrggbb.
	Colour, On, Behind string
	// Privacy, Terms and Imprint are whole addresses.
	Privacy, Terms, Imprint string
}
