package workflow

import (
	"io"
	"slices"
	"strings"
	"time"

	"benchword/workflow/catalogue"
	"benchword/workflow/link"
	"benchword/workflow/money"
)

// Command is something that somebody wants done to a job. Its name is an imperative; deciding on it
// either records events or refuses with an [Error]. It reads no clock and draws no randomness of its
// own: both come with the turn.
type Command interface {
	// allowed are the roles that may give the command.
	allowed() []Role
	decide(t *turn) error
}

var (
	benchUp   = []Role{RoleBench, RoleCounter, RoleOwner}
	counterUp = []Role{RoleCounter, RoleOwner}
	ownerOnly = []Role{RoleOwner}
	systemDo  = []Role{RoleSystem}
)

// turn is one step being decided: the job as it becomes, and what has been recorded.
type turn struct {
	j       *Job
	shop    *Shop
	now     time.Time
	by      Actor
	random  io.Reader
	links   *link.Maker
	events  []*Event
	secrets []Secret
	rows    []LinkRow
	forget  bool
	// requeue are given-up notices to be sent again; late one that missed the mail it was to go with.
	requeue []string
	late    *NoticeRecord
	// askAgain is when the forecast wants to be asked again.
	askAgain time.Time
}

// record makes an event of a payload and folds it at once, so that what follows sees it.
func (t *turn) record(p Payload) error { return t.recordBy(t.by, p) }

func (t *turn) recordBy(by Actor, p Payload) error {
	wire, data, err := encodePayload(p)
	if err != nil {
		return err
	}
	e := &Event{Shop: t.shop.ID, Job: t.j.Number, Seq: t.j.Version + 1, At: t.now, By: by, Wire: wire, Data: data, Prev: t.j.Head, Payload: p}
	if err := t.j.apply(e); err != nil {
		return err
	}
	t.events = append(t.events, e)
	return nil
}

func (t *turn) seal(text string) (Sealed, error) {
	s, secret, err := seal(t.random, text)
	if secret != nil {
		t.secrets = append(t.secrets, *secret)
	}
	return s, err
}

// Limits on what people type, in characters. They are generous for a person and small for a machine.
const (
	MaxLine = 200
	MaxText = 8000
	MaxList = 100
)

// line checks a one-line text: no control characters (so no CR or LF), not too long. Bytes that are no
// UTF-8 become U+FFFD, here and in text: what is kept as JSON must come back as it was hashed.
func line(field, what, s string, required bool) (string, error) {
	s = strings.TrimSpace(strings.ToValidUTF8(s, "\ufffd"))
	for _, r := range s {
		if r < 0x20 || r == 0x7f || r == 0x2028 || r == 0x2029 {
			return "", invalid(field, "%s must be a single line without control characters.", what).because("one_line")
		}
	}
	if len([]rune(s)) > MaxLine {
		return "", invalid(field, "%s is too long: at most %d characters fit.", what, MaxLine).because("too_long", MaxLine)
	}
	if required && s == "" {
		return "", invalid(field, "%s is missing.", what).because("missing")
	}
	return s, nil
}

// text checks a longer text; line ends are made plain "\n".
func text(field, what, s string, required bool) (string, error) {
	s = strings.TrimSpace(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(strings.ToValidUTF8(s, "\ufffd")))
	for _, r := range s {
		if (r < 0x20 && r != '\n' && r != '\t') || r == 0x7f {
			return "", invalid(field, "%s holds control characters; please type it again.", what).because("control")
		}
	}
	if n := len([]rune(s)); n > MaxText {
		return "", invalid(field, "%s is too long: %d characters, at most %d fit.", what, n, MaxText).because("too_long", MaxText)
	}
	if required && s == "" {
		return "", invalid(field, "%s is missing.", what).because("missing")
	}
	return s, nil
}

func oneOf[T ~string](field, what string, v T, allowed []T) error {
	for _, a := range allowed {
		if a == v {
			return nil
		}
	}
	return invalid(field, "%s must be one of the choices offered.", what).because("choice")
}

// needStage refuses unless the job is in one of the stages.
func (t *turn) needStage(action string, stages ...Stage) error {
	for _, s := range stages {
		if t.j.Stage == s {
			return nil
		}
	}
	words := make([]string, len(stages))
	for i, s := range stages {
		words[i] = strings.ReplaceAll(string(s), "_", " ")
	}
	return refused("%s is possible while a job is %s; this one is %s.", action, strings.Join(words, " or "), strings.ReplaceAll(string(t.j.Stage), "_", " ")).because("stage")
}

// needOpen refuses once the job has ended.
func (t *turn) needOpen(action string) error {
	if t.j.Ended() {
		return refused("%s is not possible any more: the job has ended.", action).because("ended")
	}
	return nil
}

func (t *turn) checkPhotos(ids []int) error {
	if len(ids) > MaxList {
		return invalid("photos", "At most %d photos can be named.", MaxList)
	}
	for _, id := range ids {
		if t.j.Photo(id) == nil {
			return invalid("photos", "There is no photo %d on this job.", id)
		}
	}
	return nil
}

// Person is a customer as typed in.
type Person struct {
	Name     string `json:"name"`
	Email    string `json:"email,omitempty"`
	Phone    string `json:"phone,omitempty"`
	Address  string `json:"address,omitempty"`
	Language string `json:"language,omitempty"`
	TimeZone string `json:"time_zone,omitempty"`
}

func (t *turn) customer(p Person) (Customer, error) {
	var c Customer
	var err error
	if p.Name, err = line("name", "The name", p.Name, true); err != nil {
		return c, err
	}
	if p.Email, err = line("email", "The e-mail address", p.Email, false); err != nil {
		return c, err
	}
	if p.Email != "" && !plausibleEmail(p.Email) {
		return c, invalid("email", "The e-mail address “%s” does not look complete; it should read like name@example.org.", p.Email).because("email", p.Email)
	}
	if p.Phone, err = line("phone", "The telephone number", p.Phone, false); err != nil {
		return c, err
	}
	if p.Email == "" && p.Phone == "" {
		return c, invalid("email", "Give an e-mail address or a telephone number, so that the bench can reach the customer.").because("reach")
	}
	if p.Address, err = text("address", "The postal address", p.Address, false); err != nil {
		return c, err
	}
	if c.Name, err = t.seal(p.Name); err != nil {
		return c, err
	}
	if c.Email, err = t.seal(p.Email); err != nil {
		return c, err
	}
	if c.Phone, err = t.seal(p.Phone); err != nil {
		return c, err
	}
	if c.Address, err = t.seal(p.Address); err != nil {
		return c, err
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

// plausibleEmail is a shape check; whether an address works only a mail can tell.
func plausibleEmail(s string) bool {
	local, domain, ok := strings.Cut(s, "@")
	if !ok || local == "" || strings.ContainsAny(s, " <>,;\"()[]\\") || strings.Contains(domain, "@") || len(s) > 254 {
		return false
	}
	return strings.Contains(domain, ".") && !strings.HasPrefix(domain, ".") && !strings.HasSuffix(domain, ".") && !strings.Contains(domain, "..")
}

// Book begins a job. It is the only command that a job need not exist for.
type Book struct {
	Person  Person    `json:"person"`
	Kind    string    `json:"kind"`
	Maker   string    `json:"maker,omitempty"`
	Model   string    `json:"model,omitempty"`
	Fault   string    `json:"fault"`
	Follows JobNumber `json:"follows,omitempty"`
	// Limit is the total agreed to beforehand, in the shop's currency, "" for none.
	Limit   string `json:"limit,omitempty"`
	Inbound string `json:"inbound,omitempty"`
	// WalkIn marks a device handed in at the counter.
	WalkIn bool `json:"walk_in,omitempty"`
	// Level is the key of the level of service, "" for the shop's usual one; LevelBy the date agreed, for
	// a level that has one.
	Level   string    `json:"level,omitempty"`
	LevelBy time.Time `json:"level_by,omitzero"`
}

func (Book) allowed() []Role { return []Role{RoleCustomer, RoleCounter, RoleOwner} }

func (c Book) decide(t *turn) error {
	if t.j.Version != 0 {
		return refused("This job number is taken.").because("taken")
	}
	p := &JobBooked{Follows: c.Follows, WalkIn: c.WalkIn && t.by.Role != RoleCustomer}
	var err error
	if p.Customer, err = t.customer(c.Person); err != nil {
		return err
	}
	if p.Device.Kind, err = line("kind", "The kind of device", c.Kind, true); err != nil {
		return err
	}
	if p.Device.Maker, err = line("maker", "The maker", c.Maker, false); err != nil {
		return err
	}
	if p.Device.Model, err = line("model", "The model", c.Model, false); err != nil {
		return err
	}
	fault, err := text("fault", "What is wrong with it", c.Fault, true)
	if err != nil {
		return err
	}
	if p.Fault, err = t.seal(fault); err != nil {
		return err
	}
	if p.Inbound, err = line("inbound", "The parcel number", c.Inbound, false); err != nil {
		return err
	}
	if p.Limit, err = t.amount("limit", c.Limit); err != nil {
		return err
	}
	if p.Limit != nil && p.Limit.Minor < 0 {
		return invalid("limit", "The limit can't be below zero.").because("limit_below_zero")
	}
	if c.Follows != "" {
		if _, err := ParseJobNumber(string(c.Follows)); err != nil {
			return invalid("follows", "The earlier job number is not right: %s", MessageOf(err))
		}
	}
	p.Fee = t.shop.Fee
	if err := t.record(p); err != nil {
		return err
	}
	m := &moving{j: t.j, shop: t.shop}
	if guardNew(m); len(m.missing) > 0 {
		return &Error{Code: CodeInvalid, Message: m.missing[0], Missing: m.missing}
	}
	if err := t.chooseLevel(c.Level, c.LevelBy); err != nil {
		return err
	}
	return t.issueLink(link.Look, 0, t.now.Add(t.shop.LinkFor))
}

func (t *turn) amount(field, s string) (*money.Amount, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return nil, nil
	}
	a, err := money.Parse(s, t.shop.Currency)
	if err != nil {
		return nil, &Error{Code: CodeInvalid, Field: field, Reason: "amount", Values: []any{s, string(t.shop.Currency)}, Message: "“" + s + "” is not an amount in " + string(t.shop.Currency) + ": " + err.Error() + ".", Err: err}
	}
	return &a, nil
}

func (t *turn) issueLink(purpose link.Purpose, quote int, until time.Time) error {
	id, token, err := t.links.New(t.random, string(t.shop.ID), string(t.j.Number), purpose)
	if err != nil {
		return err
	}
	until = until.Truncate(time.Second)
	t.rows = append(t.rows, LinkRow{Hash: token.Hash(), Job: t.j.Number, ID: id, Purpose: purpose, Quote: quote, ExpiresAt: until})
	return t.record(&LinkIssued{ID: id, Purpose: purpose, Quote: quote, ExpiresAt: until})
}

func (t *turn) revokeLinks(purpose link.Purpose) error {
	for _, l := range t.j.Links {
		if l.Purpose != purpose || l.Revoked {
			continue
		}
		token, err := t.links.Token(string(t.shop.ID), string(t.j.Number), purpose, l.ID)
		if err != nil {
			return err
		}
		t.rows = append(t.rows, LinkRow{Hash: token.Hash(), Job: t.j.Number, ID: l.ID, Purpose: purpose, Quote: l.Quote, ExpiresAt: l.ExpiresAt, Revoked: true})
		if err := t.record(&LinkRevoked{ID: l.ID}); err != nil {
			return err
		}
	}
	return nil
}

// ChangeCustomer corrects how the customer is reached.
type ChangeCustomer struct {
	Person Person `json:"person,omitempty"`
	Limit  string `json:"limit,omitempty"`
}

func (ChangeCustomer) allowed() []Role { return counterUp }

func (c ChangeCustomer) decide(t *turn) error {
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job.")
	}
	cust, err := t.customer(c.Person)
	if err != nil {
		return err
	}
	limit, err := t.amount("limit", c.Limit)
	if err != nil {
		return err
	}
	return t.record(&CustomerChanged{Customer: cust, Limit: limit})
}

// Go moves the job along a row of the table.
type Go struct {
	To      Stage   `json:"to"`
	Outcome Outcome `json:"outcome,omitempty"`
	// Reason is wanted for a move back and for a withdrawal.
	Reason string `json:"reason,omitempty"`
}

func (c Go) allowed() []Role { return []Role{RoleBench, RoleCounter, RoleOwner} }

func (c Go) decide(t *turn) error {
	if (c.To == StageShipped || c.To == StageWithdrawn || c.To == StageAwaitingApproval) && t.by.Role == RoleBench {
		return &Error{Code: CodeForbidden, Message: "This step reaches the customer, so it is the counter's to make."}
	}
	if c.To == StageWithdrawn && t.now.Before(t.j.pendingUntil(t.shop)) {
		return refused("The customer can still take their consent back; the job is closed by itself when that time is over.")
	}
	return t.move(c.To, c.Outcome, c.Reason)
}

// words gives a stage as one says it.
func (s Stage) words() string { return strings.ReplaceAll(string(s), "_", " ") }

func (t *turn) move(to Stage, outcome Outcome, reason string) error {
	j := t.j
	row := transition(j.Stage, to)
	if row == nil {
		return refused("A job that is %s can't become %s.", j.Stage.words(), to.words())
	}
	reason, err := text("reason", "The reason", reason, false)
	if err != nil {
		return err
	}
	if outcome == "" {
		outcome = j.expectedOutcome(to)
	} else if err := oneOf("outcome", "The outcome", outcome, Outcomes); err != nil {
		return err
	}
	m := &moving{j: j, shop: t.shop, outcome: outcome, reason: reason}
	row.guard(m)
	if blocked := j.openDuties(to, t.shop); blocked != "" && !row.ByCustomer && !(to == StageTesting && j.returning()) {
		m.missing = append(m.missing, blocked)
	}
	if len(m.missing) > 0 {
		return &Error{Code: CodeRefused, Message: m.missing[0], Missing: m.missing}
	}
	moved := &StageMoved{From: j.Stage, To: to, Reason: reason}
	if to == StageTesting || to == StageShipped || to == StageWithdrawn {
		moved.Outcome = outcome
	}
	if row.From == StageDiagnosing && to == StageRepairing {
		if q := j.Quote(); q != nil && q.State == QuoteOpen {
			if err := t.approveWithinLimit(q); err != nil {
				return err
			}
		}
	}
	from := j.Stage
	if from == StageAwaitingApproval {
		if err := t.resume("approval"); err != nil {
			return err
		}
	}
	if from == StageTesting {
		if err := t.resume("collection"); err != nil {
			return err
		}
	}
	if j.Hold() != nil && (to == StageShipped || to == StageWithdrawn) {
		if err := (LiftHold{}).decide(t); err != nil {
			return err
		}
	}
	if err := t.record(moved); err != nil {
		return err
	}
	switch to {
	case StageAwaitingApproval:
		if err := t.pause(AccountCustomer, "approval"); err != nil {
			return err
		}
	case StageReceived:
		if q, ok := t.firstPromise(); ok && len(j.Promises) == 0 {
			return t.record(&PromiseMade{Promise{Number: 1, Starts: t.now, Quota: q}})
		}
	case StageShipped, StageWithdrawn:
		if err := t.noteBreach(); err != nil {
			return err
		}
		return t.revokeLinks(link.Decide)
	}
	return nil
}

// approveWithinLimit records the approval that the limit agreed beforehand amounts to.
func (t *turn) approveWithinLimit(q *Quote) error {
	o := q.withinLimit(t.j)
	if o == nil {
		return refused("No repair in the quote is within the limit that the customer agreed to beforehand.")
	}
	words, err := t.seal("Within the limit of " + t.j.Limit.String() + " agreed to beforehand.")
	if err != nil {
		return err
	}
	total := o.Result.Total
	return t.record(&DecisionMade{Decision{Verdict: VerdictApprove, Revision: q.Revision, Digest: q.Digest, Option: o.Key, Words: words, Total: &total}})
}

func (t *turn) pause(a Account, why string) error {
	if t.j.running(why) != nil {
		return nil
	}
	return t.record(&ClockPaused{For: a, Why: why})
}

func (t *turn) resume(why string) error {
	if t.j.running(why) == nil {
		return nil
	}
	return t.record(&ClockResumed{Why: why})
}

// ListContents lists what was in the parcel, with the serial number read off the device.
type ListContents struct {
	Items  []Item `json:"items"`
	Serial string `json:"serial,omitempty"`
}

func (ListContents) allowed() []Role { return benchUp }

func (c ListContents) decide(t *turn) error {
	if err := t.needStage("Listing the contents", StageBooked, StageReceived, StageDiagnosing); err != nil {
		return err
	}
	if len(c.Items) == 0 {
		return invalid("items", "List at least the device itself.")
	}
	if len(c.Items) > MaxList {
		return invalid("items", "At most %d items fit on one list.", MaxList)
	}
	p := &ContentsListed{}
	var err error
	devices := 0
	for i, it := range c.Items {
		if it.Text, err = line("items", "The name of an item", it.Text, true); err != nil {
			return err
		}
		if it.Condition, err = line("items", "The condition of an item", it.Condition, false); err != nil {
			return err
		}
		it.ID = i + 1
		if it.Device {
			devices++
		}
		p.Items = append(p.Items, it)
	}
	if devices != 1 {
		return invalid("items", "Mark exactly one item as the device; the others are extras.")
	}
	if p.Serial, err = line("serial", "The serial number", c.Serial, false); err != nil {
		return err
	}
	return t.record(p)
}

// AnswerScreening is the safety screening on opening the parcel.
type AnswerScreening struct {
	Screening Screening `json:"screening"`
}

func (AnswerScreening) allowed() []Role { return benchUp }

func (c AnswerScreening) decide(t *turn) error {
	if err := t.needOpen("The safety screening"); err != nil {
		return err
	}
	s := c.Screening
	for _, q := range []struct {
		field string
		a     Answer
	}{{"lithium", s.Lithium}, {"cell_damaged", s.CellDamaged}, {"mains", s.Mains}, {"liquid", s.Liquid}} {
		if err := oneOf(q.field, "Each screening answer", q.a, []Answer{Yes, No, Unknown}); err != nil {
			return err
		}
	}
	var err error
	if s.Note, err = text("note", "The note", s.Note, false); err != nil {
		return err
	}
	if err := t.record(&ScreeningAnswered{s}); err != nil {
		return err
	}
	if s.CellDamaged == Yes {
		if r := t.shop.Trade().Rule(ruleCell); r != nil {
			return t.raise([]catalogue.Rule{*r}, 0, "")
		}
		return nil
	}
	for _, d := range t.j.Duties { // answered yes before, by mistake
		if d.Rule == ruleCell && d.Finding == 0 && d.Open() {
			return t.record(&DutyDropped{d.ID})
		}
	}
	return nil
}

// NoteCondition says how the device looks on arrival.
type NoteCondition struct {
	Text string `json:"text"`
}

func (NoteCondition) allowed() []Role { return benchUp }

func (c NoteCondition) decide(t *turn) error {
	s, err := text("condition", "The condition", c.Text, true)
	if err != nil {
		return err
	}
	if err := t.needOpen("Noting the condition"); err != nil {
		return err
	}
	return t.record(&ConditionNoted{s})
}

// TryFault says whether the customer's fault was seen at the bench.
type TryFault struct {
	Result Reproduced `json:"result"`
	Note   string     `json:"note,omitempty"`
}

func (TryFault) allowed() []Role { return benchUp }

func (c TryFault) decide(t *turn) error {
	if err := t.needStage("Trying the fault", StageReceived, StageDiagnosing); err != nil {
		return err
	}
	if err := oneOf("result", "The result", c.Result, []Reproduced{FaultReproduced, FaultNotReproduced, FaultIntermittent}); err != nil {
		return err
	}
	note, err := text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	return t.record(&FaultTried{c.Result, note})
}

// AddPhoto adds a picture whose copies have been made. It gets the next id.
type AddPhoto struct {
	Photo Photo `json:"photo"`
}

// A customer's come with a reply by mail; no page of theirs takes photos in.
func (AddPhoto) allowed() []Role { return []Role{RoleBench, RoleCounter, RoleOwner, RoleCustomer} }

var photoKinds = []PhotoKind{PhotoArrival, PhotoEvidence, PhotoBefore, PhotoAfter, PhotoTest, PhotoPacking}

// PhotoKinds lists every kind of photo in the order in which a form offers them.
func PhotoKinds() []PhotoKind { return photoKinds }

func (t *turn) photo(p Photo) (Photo, error) {
	var err error
	if err = oneOf("kind", "The kind of photo", p.Kind, photoKinds); err != nil {
		return p, err
	}
	if p.Caption, err = line("caption", "The caption", p.Caption, false); err != nil {
		return p, err
	}
	if p.Alt, err = line("alt", "The description", p.Alt, false); err != nil {
		return p, err
	}
	if p.Pair != 0 && t.j.Photo(p.Pair) == nil {
		return p, invalid("pair", "There is no photo %d on this job to pair with.", p.Pair)
	}
	if len(p.Marks) > MaxList {
		return p, invalid("marks", "At most %d marks fit on a photo.", MaxList)
	}
	for i := range p.Marks {
		m := &p.Marks[i]
		if err = oneOf("marks", "The kind of a mark", m.Kind, []MarkKind{MarkRing, MarkArrow, MarkPoint, MarkBlur}); err != nil {
			return p, err
		}
		for _, v := range []int{m.X, m.Y, m.X2, m.Y2} {
			if v < 0 || v > 10000 {
				return p, invalid("marks", "A mark lies outside of the photo.")
			}
		}
		if m.Number < 0 || m.Number > 99 {
			return p, invalid("marks", "A mark's number must be between 1 and 99.")
		}
		if m.Text, err = line("marks", "The text of a mark", m.Text, false); err != nil {
			return p, err
		}
	}
	return p, nil
}

func (c AddPhoto) decide(t *turn) error {
	if err := t.needOpen("Adding a photo"); err != nil {
		return err
	}
	if len(t.j.Photos) >= 500 {
		return refused("There are 500 photos on this job already; no more fit.")
	}
	p, err := t.photo(c.Photo)
	if err != nil {
		return err
	}
	p.ID = len(t.j.Photos) + 1
	return t.record(&PhotoAdded{p})
}

// DescribePhoto changes what is said about, or drawn on, a picture.
type DescribePhoto struct {
	ID      int       `json:"id"`
	Kind    PhotoKind `json:"kind"`
	Caption string    `json:"caption,omitempty"`
	Alt     string    `json:"alt,omitempty"`
	Pair    int       `json:"pair,omitempty"`
	Marks   []Mark    `json:"marks,omitempty"`
	// Large and Small are new copies where a blurred area changed; zero value keeps the old ones. They
	// come from the photo desk, never from a caller.
	Large Copy `json:"-"`
	Small Copy `json:"-"`
}

func (DescribePhoto) allowed() []Role { return benchUp }

func (c DescribePhoto) decide(t *turn) error {
	old := t.j.Photo(c.ID)
	if old == nil {
		return invalid("photo", "There is no photo %d on this job.", c.ID)
	}
	p, err := t.photo(Photo{ID: c.ID, Kind: c.Kind, Caption: c.Caption, Alt: c.Alt, Pair: c.Pair, Marks: c.Marks})
	if err != nil {
		return err
	}
	if c.Large.Digest == "" {
		c.Large, c.Small = old.Large, old.Small
	}
	return t.record(&PhotoDescribed{ID: c.ID, PhotoKind: p.Kind, Caption: p.Caption, Alt: p.Alt, Pair: p.Pair, Marks: p.Marks, Large: c.Large, Small: c.Small})
}

// RemovePhoto takes a picture off the pages.
type RemovePhoto struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

func (RemovePhoto) allowed() []Role { return benchUp }

func (c RemovePhoto) decide(t *turn) error {
	if t.j.Photo(c.ID) == nil {
		return invalid("photo", "There is no photo %d on this job.", c.ID)
	}
	reason, err := line("reason", "The reason", c.Reason, true)
	if err != nil {
		return err
	}
	return t.record(&PhotoRemoved{c.ID, reason})
}

// NameSuspect adds a candidate cause of the fault.
type NameSuspect struct {
	Text string `json:"text"`
	// Weight is how likely it is to be the cause, in thousandths, 0 if one can't say.
	Weight int `json:"weight,omitempty"`
}

func (NameSuspect) allowed() []Role { return benchUp }

func (c NameSuspect) decide(t *turn) error {
	if err := t.needStage("Naming a suspect", StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting); err != nil {
		return err
	}
	s, err := line("text", "The suspect", c.Text, true)
	if err != nil {
		return err
	}
	if len(t.j.Suspects) >= MaxList {
		return refused("There are %d suspects already; no more fit.", MaxList)
	}
	if c.Weight < 0 || c.Weight > 1000 {
		return invalid("weight", "The weight of a suspect is 1 to 1000 thousandths, or 0 if one can’t say.")
	}
	return t.record(&SuspectNamed{ID: len(t.j.Suspects) + 1, Text: s, Weight: c.Weight})
}

// DoCheck records something done to a suspect and what came of it.
type DoCheck struct {
	// Suspect is who it is about; a planned check says that by itself.
	Suspect int   `json:"suspect,omitempty"`
	Check   Check `json:"check"`
}

func (DoCheck) allowed() []Role { return benchUp }

func (c DoCheck) decide(t *turn) error {
	if err := t.needStage("Recording a check", StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting); err != nil {
		return err
	}
	k := c.Check
	plan := t.j.plan(k.Plan)
	if plan != nil {
		c.Suspect = plan.Suspect
		if strings.TrimSpace(k.Text) == "" {
			k.Text = plan.Text
		}
	} else if k.Plan != 0 {
		return invalid("plan", "There is no planned check %d on this job.", k.Plan)
	}
	if c.Suspect < 1 || c.Suspect > len(t.j.Suspects) {
		return invalid("suspect", "There is no suspect %d on this job.", c.Suspect)
	}
	var err error
	if k.Text, err = line("text", "What was checked", k.Text, true); err != nil {
		return err
	}
	if k.Reading, err = line("reading", "The reading", k.Reading, false); err != nil {
		return err
	}
	if k.Measurement, k.Reading, err = checkMeasurement(k.Measurement, k.Reading); err != nil {
		return err
	}
	if err := oneOf("outcome", "The outcome of a check", k.Outcome, []CheckOutcome{CheckConfirmed, CheckRuledOut, CheckUnclear}); err != nil {
		return err
	}
	if err := t.checkPhotos(k.Photos); err != nil {
		return err
	}
	if err := t.record(&CheckDone{c.Suspect, k}); err != nil || plan == nil {
		return err
	}
	for _, s := range plan.Behind {
		if s.Does != "" {
			if err := t.did([]string{s.Does}); err != nil {
				return err
			}
		}
	}
	return nil
}

// NoteFinding adds a finding, or corrects the one whose ID is given.
type NoteFinding struct {
	Finding Finding `json:"finding"`
	// Duty, if its text is not empty, is raised with the finding.
	Duty Duty `json:"duty,omitempty"`
}

func (NoteFinding) allowed() []Role { return benchUp }

func (c NoteFinding) decide(t *turn) error {
	if err := t.needStage("Noting a finding", StageReceived, StageDiagnosing, StageAwaitingApproval, StageRepairing, StageTesting); err != nil {
		return err
	}
	f := c.Finding
	err := f.fromCatalogue(t.shop.Trade(), t.j.Customer.Language)
	if err != nil {
		return err
	}
	if f.Text, err = text("text", "The finding", f.Text, true); err != nil {
		return err
	}
	if f.Where, err = line("where", "The place", f.Where, false); err != nil {
		return err
	}
	if f.Matters, err = text("matters", "Why it matters", f.Matters, false); err != nil {
		return err
	}
	if f.Reading, err = line("reading", "The reading", f.Reading, false); err != nil {
		return err
	}
	if f.Measurement, f.Reading, err = checkMeasurement(f.Measurement, f.Reading); err != nil {
		return err
	}
	if err := oneOf("origin", "The origin", f.Origin, Origins); err != nil {
		return err
	}
	if err := oneOf("weight", "The weight", f.Weight, Weights); err != nil {
		return err
	}
	if err := oneOf("certainty", "The certainty", f.Certainty, Certainties); err != nil {
		return err
	}
	if f.Certainty == CertaintyMeasured && f.Reading == "" {
		return invalid("reading", "A finding that is measured needs its reading, with the unit.")
	}
	if err := t.checkPhotos(f.Photos); err != nil {
		return err
	}
	f.Withdrawn, f.Reason = false, ""
	if f.ID != 0 && t.j.Finding(f.ID) == nil {
		return invalid("finding", "There is no finding %d on this job.", f.ID)
	}
	if f.ID == 0 {
		if len(t.j.Findings) >= MaxList {
			return refused("There are %d findings already; no more fit.", MaxList)
		}
		f.ID = len(t.j.Findings) + 1
	}
	if err := t.record(&FindingNoted{f}); err != nil {
		return err
	}
	if err := t.raise(t.shop.Trade().RulesFor(f.Entry), f.ID, ""); err != nil {
		return err
	}
	if strings.TrimSpace(c.Duty.Text) == "" {
		return nil
	}
	d := c.Duty
	d.Finding = f.ID
	return RaiseDuty{d}.decide(t)
}

// WithdrawFinding takes a finding back; it stays in the history.
type WithdrawFinding struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

func (WithdrawFinding) allowed() []Role { return benchUp }

func (c WithdrawFinding) decide(t *turn) error {
	if f := t.j.Finding(c.ID); f == nil || f.Withdrawn {
		return invalid("finding", "There is no finding %d on this job.", c.ID)
	}
	reason, err := line("reason", "The reason", c.Reason, true)
	if err != nil {
		return err
	}
	if err := t.record(&FindingWithdrawn{c.ID, reason}); err != nil {
		return err
	}
	return t.drop(c.ID)
}

// RaiseDuty obliges the bench to do something before a stage.
type RaiseDuty struct {
	Duty Duty `json:"duty"`
}

func (RaiseDuty) allowed() []Role { return benchUp }

func (c RaiseDuty) decide(t *turn) error {
	if err := t.needOpen("Raising a duty"); err != nil {
		return err
	}
	d := c.Duty
	var err error
	if d.Rule != "" {
		r := t.shop.Trade().Rule(d.Rule)
		if r == nil {
			return invalid("rule", "There is no rule “%s” for duties.", d.Rule)
		}
		if d.Finding != 0 && t.j.Finding(d.Finding) == nil {
			return invalid("finding", "There is no finding %d on this job.", d.Finding)
		}
		return t.raise([]catalogue.Rule{*r}, d.Finding, "")
	}
	if d.Text, err = line("duty", "The duty", d.Text, true); err != nil {
		return err
	}
	if d.Before == "" {
		d.Before = StageShipped
	}
	if err := oneOf("before", "The stage before which it is due", d.Before, []Stage{StageTesting, StageShipped}); err != nil {
		return err
	}
	if d.Finding != 0 && t.j.Finding(d.Finding) == nil {
		return invalid("finding", "There is no finding %d on this job.", d.Finding)
	}
	if len(t.j.Duties) >= MaxList {
		return refused("There are %d duties already; no more fit.", MaxList)
	}
	return t.record(&DutyRaised{Duty{ID: len(t.j.Duties) + 1, Text: d.Text, Before: d.Before, Finding: d.Finding}})
}

// DoDuty settles a duty.
type DoDuty struct {
	ID int `json:"id"`
}

func (DoDuty) allowed() []Role { return benchUp }

func (c DoDuty) decide(t *turn) error {
	d := t.j.duty(c.ID)
	if d == nil {
		return invalid("duty", "There is no duty %d on this job.", c.ID)
	}
	if late := d.NoPost && d.Waived != "" && d.DoneAt.IsZero(); !d.Open() && !late {
		return nil // what must not be posted can still be taken out after a waiver
	}
	if d.Test != "" {
		return refused("This duty is settled by the test “%s”: record the test, and once it has passed the duty is done.", d.Test)
	}
	return t.record(&DutyDone{c.ID})
}

// WaiveDuty lets a duty go, with a reason that the customer will read.
type WaiveDuty struct {
	ID     int    `json:"id"`
	Reason string `json:"reason"`
}

func (WaiveDuty) allowed() []Role { return counterUp }

func (c WaiveDuty) decide(t *turn) error {
	d := t.j.duty(c.ID)
	if d == nil {
		return invalid("duty", "There is no duty %d on this job.", c.ID)
	}
	if !d.Open() {
		return refused("This duty is settled already.")
	}
	reason, err := line("reason", "The reason, which the customer will read,", c.Reason, true)
	if err != nil {
		return err
	}
	return t.record(&DutyWaived{c.ID, reason})
}

// SendReport sends a findings report: what the technician writes here, and all findings and
// suspects as they stand.
type SendReport struct {
	Text ReportText `json:"text"`
}

func (SendReport) allowed() []Role { return counterUp }

func (c SendReport) decide(t *turn) error {
	if err := t.needStage("Sending a findings report", StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	r := Report{Number: len(t.j.Reports) + 1, ReportText: c.Text, Head: t.j.Head, SentAt: t.now}
	var err error
	if r.Short, err = text("short", "The short answer", r.Short, true); err != nil {
		return err
	}
	if r.Cause, err = text("cause", "What we think is wrong", r.Cause, false); err != nil {
		return err
	}
	if r.Proposal, err = text("proposal", "What we propose", r.Proposal, false); err != nil {
		return err
	}
	if r.Next, err = text("next", "What happens next", r.Next, false); err != nil {
		return err
	}
	if r.Certainty != "" {
		if err := oneOf("certainty", "The certainty", r.Certainty, Certainties); err != nil {
			return err
		}
	}
	photos := map[int]bool{}
	add := func(ids []int) {
		for _, id := range ids {
			if t.j.Photo(id) != nil && !photos[id] {
				photos[id] = true
				r.Photos = append(r.Photos, id)
			}
		}
	}
	for _, f := range t.j.Findings {
		if !f.Withdrawn {
			r.Findings = append(r.Findings, f.ID)
			add(f.Photos)
		}
	}
	for _, s := range t.j.Suspects {
		r.Suspects = append(r.Suspects, s.ID)
		for _, k := range s.Checks {
			add(k.Photos)
		}
	}
	if len(r.Findings) == 0 && len(r.Suspects) == 0 {
		return refused("There is nothing to report yet: note a finding, or record a check.")
	}
	return t.record(&ReportSent{r})
}

// IssueQuote issues the next revision of the quote. Prices are worked out from the lines.
type IssueQuote struct {
	Options []Option `json:"options"`
	Note    string   `json:"note,omitempty"`
	Reason  string   `json:"reason,omitempty"`
	// Days is how many calendar days it stands; 0 means the shop's usual.
	Days int `json:"days,omitempty"`
	// NoFee leaves out the line of the job's level of service, which repairing options get otherwise.
	NoFee bool `json:"no_fee,omitempty"`
}

func (IssueQuote) allowed() []Role { return counterUp }

// ConsentWords is the sentence agreed to on approving; the quote's digest covers it.
const ConsentWords = "I approve this option at the total shown. The bench may do the work and charge this total, and nothing above it without asking me again."

func (c IssueQuote) decide(t *turn) error {
	if err := t.needStage("Issuing a quote", StageDiagnosing, StageAwaitingApproval, StageRepairing); err != nil {
		return err
	}
	if n := len(c.Options); n < 1 || n > 5 {
		return invalid("options", "A quote offers one to five options; this one has %d.", n)
	}
	days := c.Days
	if days == 0 {
		days = t.shop.QuoteDays
	}
	if days < 1 || days > 365 {
		return invalid("days", "A quote can stand for 1 to 365 days.")
	}
	terms := QuoteTerms{
		Job: t.j.Number, Revision: len(t.j.Quotes) + 1, Words: ConsentWords,
		IssuedAt: t.now, ExpiresAt: t.now.Add(time.Duration(days) * 24 * time.Hour).Truncate(time.Second),
	}
	if t.shop.RepairForm != nil {
		if last, ok := t.shop.Calendar.LastDay(t.shop.Calendar.Date(t.now), max(days, 30)); ok {
			terms.ExpiresAt = midnight(t.shop, last+1).Add(-time.Second).UTC() // the last second of the last day
		}
	}
	if w := t.shop.Consent[t.j.Customer.Language]; w != "" {
		terms.Words, terms.Language = w, t.j.Customer.Language
	}
	var err error
	if terms.Note, err = text("note", "The note", c.Note, false); err != nil {
		return err
	}
	if terms.Reason, err = text("reason", "Why the quote changes", c.Reason, terms.Revision > 1); err != nil {
		return err
	}
	for i, o := range c.Options {
		o.Key = string(rune('A' + i))
		if err := oneOf("kind", "The kind of option", o.Kind, OptionKinds); err != nil {
			return err
		}
		if o.Title, err = line("title", "The title of option "+o.Key, o.Title, true); err != nil {
			return err
		}
		if o.Text, err = text("text", "The description of option "+o.Key, o.Text, false); err != nil {
			return err
		}
		if o.Excluded, err = text("excluded", "What option "+o.Key+" does not include", o.Excluded, false); err != nil {
			return err
		}
		if o.WorkingDays < 0 || o.WorkingDays > 365 || o.WarrantyDays < 0 || o.WarrantyDays > 3650 {
			return invalid("option", "Option %s: the working days or warranty days are out of range.", o.Key)
		}
		o.Price.Currency, o.Price.Prices, o.Price.Taxes = t.shop.Currency, t.shop.Prices, t.shop.Taxes
		o.Price.Paid = money.Decimal{}
		if !c.NoFee {
			t.j.Level.addFee(&o)
		}
		if o.Result, err = money.Price(o.Price); err != nil {
			return &Error{Code: CodeInvalid, Field: "lines", Message: "Option " + o.Key + ": " + err.Error(), Err: err}
		}
		if d := o.Deposit; d != nil && (d.Currency != t.shop.Currency || d.Minor <= 0 || d.Minor > o.Result.Total.Minor || !o.repairs()) {
			return invalid("deposit", "Option %s: a deposit goes with a repair, in %s, above zero and at most the total of %s.", o.Key, t.shop.Currency, o.Result.Total)
		}
		terms.Options = append(terms.Options, o)
	}
	digest, err := terms.Digest()
	if err != nil {
		return err
	}
	if err := t.revokeLinks(link.Decide); err != nil {
		return err
	}
	if err := t.record(&QuoteIssued{terms, digest}); err != nil {
		return err
	}
	return t.issueLink(link.Decide, terms.Revision, terms.ExpiresAt)
}

// WithdrawQuote takes the open revision back, and the job with it to diagnosing.
type WithdrawQuote struct {
	Revision int    `json:"revision,omitempty"`
	Reason   string `json:"reason"`
}

func (WithdrawQuote) allowed() []Role { return counterUp }

func (c WithdrawQuote) decide(t *turn) error {
	q := t.j.Quote()
	if q == nil || q.State != QuoteOpen || (c.Revision != 0 && q.Revision != c.Revision) {
		return refused("There is no open quote to withdraw; the customer may have answered it just now.")
	}
	reason, err := text("reason", "The reason", c.Reason, true)
	if err != nil {
		return err
	}
	if err := t.record(&QuoteTakenBack{q.Revision, reason}); err != nil {
		return err
	}
	if err := t.revokeLinks(link.Decide); err != nil {
		return err
	}
	if t.j.Stage == StageAwaitingApproval {
		return t.move(StageDiagnosing, "", reason)
	}
	return nil
}

// Decide is the customer's answer to a revision of the quote, by link, or by telephone as staff
// write it down.
type Decide struct {
	Verdict Verdict `json:"verdict"`
	// Digest names the revision exactly.
	Digest string `json:"digest"`
	Option string `json:"option,omitempty"`
	// Name is typed by the customer.
	Name string `json:"name,omitempty"`
	// Words is the question, or a remark.
	Words string `json:"words,omitempty"`
	// Address and Agent say where the answer came from; for a telephone answer, Agent says who took
	// the call and how the customer was reached.
	Address string `json:"address,omitempty"`
	Agent   string `json:"agent,omitempty"`
	// Round counts the answers to this revision that were taken back before; an answer from an earlier
	// round is refused.
	Round int `json:"round,omitempty"`
	// Shown is the text of the summary that stood above the button.
	Shown string `json:"shown,omitempty"`
	// Call says more of an answer by telephone.
	Call *CallNote `json:"call,omitempty"`
}

func (Decide) allowed() []Role { return []Role{RoleCustomer, RoleCounter, RoleOwner} }

func (c Decide) decide(t *turn) error {
	q := t.j.Quote()
	if q == nil {
		return refused("There is no quote on this job.").because("quote_none")
	}
	if err := oneOf("verdict", "Your answer", c.Verdict, []Verdict{VerdictApprove, VerdictDecline, VerdictAsk}); err != nil {
		return err
	}
	if c.Digest != q.Digest {
		return &Error{Code: CodeConflict, Reason: "quote_replaced", Message: "This quote has been replaced by a newer one. Nothing was decided; please look at the new one."}
	}
	if c.Verdict != VerdictAsk && c.Round != t.j.Undone(q.Revision) {
		return &Error{Code: CodeConflict, Reason: "quote_round", Message: "An earlier answer to this quote was taken back. Nothing was decided now; please look at the quote again."}
	}
	if last := t.j.Standing(q.Revision); last != nil && q.State != QuoteOpen {
		if last.Verdict == c.Verdict && last.Option == c.Option {
			return nil // the same answer again: it counts once
		}
		return &Error{Code: CodeConflict, Reason: "quote_answered", Message: "This quote was answered already, and that answer stands. Write to the bench if it should change."}
	}
	switch {
	case q.State == QuoteWithdrawn:
		return &Error{Code: CodeGone, Reason: "quote_withdrawn", Message: "The bench has taken this quote back. Nothing was decided; you will hear from us."}
	case q.State == QuoteExpired || !t.now.Before(q.ExpiresAt):
		return &Error{Code: CodeGone, Reason: "quote_expired", Message: "This quote has run out, so it can't be answered any more. Write to the bench for a new one."}
	case t.j.Stage != StageAwaitingApproval:
		return refused("This quote is not waiting for an answer.").because("quote_not_open")
	}
	d := Decision{Verdict: c.Verdict, Revision: q.Revision, Digest: q.Digest}
	name, err := line("name", "Your name", c.Name, c.Verdict != VerdictAsk)
	if err != nil {
		return err
	}
	words, err := text("words", "Your question", c.Words, c.Verdict == VerdictAsk)
	if err != nil {
		return err
	}
	var option *Option
	if c.Verdict == VerdictApprove {
		if option = q.Option(c.Option); option == nil {
			return invalid("option", "Choose one of the options.").because("option")
		}
		d.Option = option.Key
		total := option.Result.Total
		d.Total = &total
		if words == "" {
			words = q.Words
		} else {
			words = q.Words + "\n" + words
		}
	}
	if d.Name, err = t.seal(name); err != nil {
		return err
	}
	if d.Words, err = t.seal(words); err != nil {
		return err
	}
	if d.Address, err = t.seal(clip(c.Address)); err != nil {
		return err
	}
	if d.Agent, err = t.seal(clip(c.Agent)); err != nil {
		return err
	}
	shown, err := text("shown", "The summary", c.Shown, false)
	if err != nil {
		return err
	}
	if d.Shown, err = t.seal(shown); err != nil {
		return err
	}
	if d.Call, err = t.call(c.Call); err != nil {
		return err
	}
	d.SentTo, d.Language = t.j.Customer.Email, t.j.Customer.Language
	if err := t.record(&DecisionMade{d}); err != nil {
		return err
	}
	switch {
	case c.Verdict == VerdictAsk:
		return t.message(c.Words, true)
	case c.Verdict == VerdictDecline, option.Kind == OptionReturn:
		return t.move(StageTesting, OutcomeUnrepaired, "")
	case option.Kind == OptionRecycle:
		if t.now.Before(t.j.pendingUntil(t.shop)) {
			return nil // what can't be undone waits until the answer can't be taken back any more
		}
		return t.move(StageWithdrawn, OutcomeRecycled, "")
	}
	if err := t.move(StageRepairing, "", ""); err != nil {
		return err
	}
	return t.awaitDeposit()
}

// clip keeps a machine-made text within bounds, without control characters.
func clip(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f {
			return ' '
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 400 {
		s = string(r[:400])
	}
	return s
}

// RecordPayment writes down money that came in; below zero, that went back. It never holds card data.
type RecordPayment struct {
	Amount string `json:"amount"`
	How    string `json:"how"`
	// For is what it was for, "" for what the sign says.
	For PaymentKind `json:"for,omitempty"`
}

func (RecordPayment) allowed() []Role { return counterUp }

func (c RecordPayment) decide(t *turn) error {
	a, err := t.amount("amount", c.Amount)
	if err != nil {
		return err
	}
	if a == nil || a.Minor == 0 {
		return invalid("amount", "Give the amount that was paid.")
	}
	how, err := line("how", "How it was paid", c.How, true)
	if err != nil {
		return err
	}
	if cardLike(how) {
		return invalid("how", "This looks like a card number. Card data is never kept here: write “card at the counter” or the receipt's number.")
	}
	if c.For != "" {
		if err := oneOf("for", "What a payment is for", c.For, PaymentKinds); err != nil {
			return err
		}
		if (c.For == PaymentRefund) != (a.Minor < 0) {
			return invalid("amount", "A refund is below zero, and every other payment above it.")
		}
	}
	sum, err := t.j.Paid(t.shop).Add(*a)
	if err != nil {
		return &Error{Code: CodeInvalid, Field: "amount", Message: "The payments would come to more than can be counted.", Err: err}
	}
	if a.Minor < 0 && sum.Minor < 0 {
		return refused("Only %s has come in, so no more than that can go back.", t.j.Paid(t.shop))
	}
	awaited := t.j.DepositOpen(t.shop).Minor > 0
	if err := t.record(&PaymentRecorded{Amount: *a, How: how, For: c.For}); err != nil {
		return err
	}
	// The deposit that the job stood still for has come in.
	if h := t.j.Hold(); h != nil && h.Reason == HoldPayment && t.j.Stage == StageRepairing && awaited && t.j.DepositOpen(t.shop).Minor == 0 {
		return LiftHold{}.decide(t)
	}
	return nil
}

// PlaceHold says that the job stands still, and why.
type PlaceHold struct {
	Reason HoldReason `json:"reason"`
	Note   string     `json:"note,omitempty"`
}

func (PlaceHold) allowed() []Role { return benchUp }

// HoldReasons lists every reason in the order in which a form offers them.
var HoldReasons = []HoldReason{HoldParts, HoldCustomer, HoldCarrier, HoldPayment}

func (c PlaceHold) decide(t *turn) error {
	if err := t.needStage("A hold", StageReceived, StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	if err := oneOf("reason", "The reason of a hold", c.Reason, HoldReasons); err != nil {
		return err
	}
	if t.j.Hold() != nil {
		return refused("The job is on hold already; lift that hold first.")
	}
	note, err := text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	if err := t.record(&HoldPlaced{c.Reason, note}); err != nil {
		return err
	}
	if t.shop.pauses(c.Reason) {
		return t.pause(c.Reason.Account(), "hold")
	}
	return nil
}

// LiftHold ends the hold in force.
type LiftHold struct{}

func (LiftHold) allowed() []Role { return benchUp }

func (c LiftHold) decide(t *turn) error {
	if t.j.Hold() == nil {
		return refused("The job is not on hold.")
	}
	if err := t.record(&HoldLifted{}); err != nil {
		return err
	}
	return t.resume("hold")
}

// MovePromise tells the customer a new date, with its reason. The first promise stays on record.
type MovePromise struct {
	// Days is the new turnaround in working days from now; By is a date instead. Exactly one.
	Days   int       `json:"days,omitempty"`
	By     time.Time `json:"by,omitzero"`
	Reason string    `json:"reason,omitempty"`
}

func (MovePromise) allowed() []Role { return counterUp }

func (c MovePromise) decide(t *turn) error {
	if t.j.Ended() || t.j.Stage == StageBooked {
		return refused("A date can be promised once the device is here, and until it leaves.")
	}
	reason, err := text("reason", "The reason, which the customer will read,", c.Reason, len(t.j.Promises) > 0)
	if err != nil {
		return err
	}
	q, err := t.newQuota(c.Days, c.By)
	if err != nil {
		return err
	}
	return t.movePromise(q, reason)
}

// newQuota reads a new promise: a number of working days, or a date.
func (t *turn) newQuota(days int, by time.Time) (Quota, error) {
	switch {
	case days == 0 && by.IsZero(), days != 0 && !by.IsZero():
		return Quota{}, invalid("days", "Give a number of working days, or a date.")
	case days < 0 || days > 365:
		return Quota{}, invalid("days", "Give 1 to 365 working days.")
	case !by.IsZero():
		return Quota{By: by.UTC().Truncate(time.Second)}, t.soonEnough("by", by)
	}
	return Quota{WorkingDays: days}, nil
}

// movePromise tells a new date. After a missed one, the customer is asked what they want.
func (t *turn) movePromise(q Quota, reason string) error {
	if err := t.noteBreach(); err != nil {
		return err
	}
	if p := t.j.Promise(); p != nil && !p.BreachedAt.IsZero() && !t.j.returning() {
		return t.tellDelay(reason, q)
	}
	return t.record(&PromiseMade{Promise{Number: len(t.j.Promises) + 1, Starts: t.now, Quota: q, Reason: reason}})
}

// DoWork records something that was done to the device.
type DoWork struct {
	Text     string `json:"text"`
	Findings []int  `json:"findings,omitempty"`
	Photos   []int  `json:"photos,omitempty"`
	// Duties are settled with it.
	Duties []int `json:"duties,omitempty"`
	// Did are actions that bring a duty with them, as the catalogue names them: "heatsink_lifted".
	Did []string `json:"did,omitempty"`
}

func (DoWork) allowed() []Role { return benchUp }

func (c DoWork) decide(t *turn) error {
	if err := t.needStage("Recording work", StageDiagnosing, StageRepairing, StageTesting); err != nil {
		return err
	}
	if t.j.Stage == StageRepairing {
		if q := t.j.Quote(); q != nil && q.State == QuoteOpen {
			return refused("A further quote waits for an answer: work above the approved total stops until then. Move the job to awaiting approval, or withdraw the quote.")
		}
	}
	if h, open := t.j.Hold(), t.j.DepositOpen(t.shop); h != nil && h.Reason == HoldPayment && open.Minor > 0 {
		return refused("%s of the deposit has not come in. Record the payment first, or lift the hold to begin without it.", open)
	}
	s, err := text("text", "What was done", c.Text, true)
	if err != nil {
		return err
	}
	for _, id := range c.Findings {
		if t.j.Finding(id) == nil {
			return invalid("findings", "There is no finding %d on this job.", id)
		}
	}
	if err := t.checkPhotos(c.Photos); err != nil {
		return err
	}
	if err := t.record(&WorkDone{Work{ID: len(t.j.Work) + 1, Text: s, Findings: c.Findings, Photos: c.Photos, Did: c.Did}}); err != nil {
		return err
	}
	if err := t.did(c.Did); err != nil {
		return err
	}
	for _, id := range c.Duties {
		if err := (DoDuty{id}).decide(t); err != nil {
			return err
		}
	}
	return nil
}

// DoTest records one run of one test.
type DoTest struct {
	Test Test `json:"test"`
}

func (DoTest) allowed() []Role { return benchUp }

func (c DoTest) decide(t *turn) error {
	if err := t.needStage("Recording a test", StageTesting); err != nil {
		return err
	}
	x := c.Test
	var err error
	if x.Name, err = line("name", "The name of the test", x.Name, true); err != nil {
		return err
	}
	if x.Reading, err = line("reading", "The reading", x.Reading, false); err != nil {
		return err
	}
	if x.Note, err = text("note", "The note", x.Note, !x.Passed); err != nil {
		return err
	}
	if err := t.checkPhotos(x.Photos); err != nil {
		return err
	}
	if err := t.record(&TestDone{x}); err != nil || !x.Passed {
		return err
	}
	return t.passed(x.Name)
}

// DeclareReady tells the customer that the device is done and tested.
type DeclareReady struct {
	Note string `json:"note,omitempty"`
}

func (DeclareReady) allowed() []Role { return counterUp }

func (c DeclareReady) decide(t *turn) error {
	if err := t.needStage("Saying that it is ready", StageTesting); err != nil {
		return err
	}
	if t.j.Ready != nil {
		return refused("The customer was told already that it is ready.")
	}
	m := &moving{j: t.j, shop: t.shop, outcome: t.j.Outcome}
	if t.j.Outcome == OutcomeRepaired {
		for _, name := range t.shop.Tests {
			ok := false
			for _, x := range t.j.LatestTests() {
				ok = ok || x.Name == name && x.Passed && !x.At.Before(t.j.StageSince)
			}
			m.need(ok, "The test “%s” has not passed yet.", name)
		}
	}
	if len(m.missing) > 0 {
		return &Error{Code: CodeRefused, Message: m.missing[0], Missing: m.missing}
	}
	note, err := text("note", "The note", c.Note, false)
	if err != nil {
		return err
	}
	if err := t.record(&JobReady{note}); err != nil {
		return err
	}
	return t.waitForCollection()
}

// Pack accounts for items of the contents.
type Pack struct {
	Items []PackedItem `json:"items"`
}

func (Pack) allowed() []Role { return benchUp }

func (c Pack) decide(t *turn) error {
	if err := t.needStage("Packing", StageTesting); err != nil {
		return err
	}
	if len(c.Items) == 0 || len(c.Items) > MaxList {
		return invalid("items", "Say for each item of the contents where it went.")
	}
	var items []PackedItem
	for _, p := range c.Items {
		if p.Item < 1 || p.Item > len(t.j.Contents) {
			return invalid("items", "There is no item %d in the contents.", p.Item)
		}
		if err := oneOf("fate", "Where an item went", p.Fate, []Fate{FateReturned, FateReplaced, FateRecycled, FateKept}); err != nil {
			return err
		}
		note, err := line("note", "The note", p.Note, p.Fate != FateReturned)
		if err != nil {
			return invalid("note", "Say in a few words why “%s” does not go back as it came.", t.j.Contents[p.Item-1].Text)
		}
		p.Note = note
		items = append(items, p)
	}
	return t.record(&ContentsPacked{items})
}

// PrepareShipment writes down the parcel number, or that the device is handed over in person.
type PrepareShipment struct {
	InPerson     bool   `json:"in_person,omitempty"`
	Carrier      string `json:"carrier,omitempty"`
	Parcel       string `json:"parcel,omitempty"`
	Serial       string `json:"serial,omitempty"`
	WarrantyDays int    `json:"warranty_days,omitempty"`
}

func (PrepareShipment) allowed() []Role { return benchUp }

func (c PrepareShipment) decide(t *turn) error {
	if err := t.needStage("Preparing the shipment", StageTesting); err != nil {
		return err
	}
	s := Shipment{InPerson: c.InPerson, WarrantyDays: c.WarrantyDays}
	var err error
	if s.Carrier, err = line("carrier", "The carrier", c.Carrier, false); err != nil {
		return err
	}
	if s.Parcel, err = line("parcel", "The parcel number", c.Parcel, !c.InPerson); err != nil {
		return err
	}
	if s.Serial, err = line("serial", "The serial number", c.Serial, false); err != nil {
		return err
	}
	if s.InPerson {
		s.Carrier, s.Parcel = "", ""
	} else {
		check := CheckParcelNumber(s.Parcel)
		if check.Wrong() {
			return invalid("parcel", "The parcel number “%s” has a digit wrong somewhere: its check digit does not fit. Please compare it with the label.", s.Parcel)
		}
		s.Scheme, s.WellFormed = string(check.Scheme), check.WellFormed
	}
	if t.j.Device.Serial != "" && s.Serial != "" && !strings.EqualFold(s.Serial, t.j.Device.Serial) {
		return invalid("serial", "The serial number read at packing (%s) is not the one read on arrival (%s). Check that the right device is in the parcel.", s.Serial, t.j.Device.Serial)
	}
	if s.WarrantyDays == 0 && t.j.Outcome == OutcomeRepaired {
		s.WarrantyDays = t.shop.WarrantyDays
		if _, o := t.j.Approved(); o != nil && o.WarrantyDays > 0 {
			s.WarrantyDays = o.WarrantyDays
		}
	}
	if s.WarrantyDays < 0 || s.WarrantyDays > 3650 {
		return invalid("warranty_days", "The warranty must be between 0 and 3650 days.")
	}
	if err := t.record(&ShipmentPrepared{s}); err != nil {
		return err
	}
	return t.waitForCollection()
}

// SendMessage is a letter from the customer (by link) or from the counter.
type SendMessage struct {
	Text string `json:"text"`
	// Question asks for an answer; a customer's message always does.
	Question bool `json:"question,omitempty"`
}

func (SendMessage) allowed() []Role {
	return []Role{RoleCustomer, RoleCounter, RoleOwner}
}

func (c SendMessage) decide(t *turn) error {
	return t.message(c.Text, c.Question || t.by.Role == RoleCustomer)
}

func (t *turn) message(s string, question bool) error {
	s, err := text("text", "The message", s, true)
	if err != nil {
		return err
	}
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job; there is nobody to write to.").because("erased")
	}
	if len(t.j.Messages) >= 500 {
		return refused("There are 500 messages on this job already; please telephone.").because("letters_full")
	}
	sealed, err := t.seal(s)
	if err != nil {
		return err
	}
	if err := t.record(&MessageSent{ID: len(t.j.Messages) + 1, Text: sealed, Question: question}); err != nil {
		return err
	}
	// While a customer's question is open the ball is with the bench: the clock runs.
	if t.j.Stage == StageAwaitingApproval {
		if t.by.Role == RoleCustomer {
			return t.resume("approval")
		}
		return t.pause(AccountCustomer, "approval")
	}
	return nil
}

// AskLink mails the customer a fresh look link.
type AskLink struct{}

func (AskLink) allowed() []Role { return []Role{RoleCustomer, RoleCounter, RoleOwner} }

func (c AskLink) decide(t *turn) error {
	if t.j.Customer.Email.Text == "" {
		return refused("There is no e-mail address on this job.").because("no_email")
	}
	if t.j.Link(link.Look, t.now.Add(7*24*time.Hour)) == nil {
		if err := t.issueLink(link.Look, 0, t.now.Add(t.shop.LinkFor)); err != nil {
			return err
		}
	}
	return t.record(&LinkAsked{})
}

// RevokeLinks ends every look link that is out and gives a new one: for a link that got into the
// wrong hands.
type RevokeLinks struct{}

func (RevokeLinks) allowed() []Role { return counterUp }

func (c RevokeLinks) decide(t *turn) error {
	if err := t.revokeLinks(link.Look); err != nil {
		return err
	}
	if !t.j.Erased.IsZero() {
		return nil
	}
	return t.issueLink(link.Look, 0, t.now.Add(t.shop.LinkFor))
}

// Wake does what time alone demands at this instant: a breach, a reminder, a quote that runs out.
type Wake struct{}

func (Wake) allowed() []Role { return systemDo }

func (c Wake) decide(t *turn) error {
	p := t.j.Promise()
	kept := p != nil && p.BreachedAt.IsZero()
	if err := t.noteBreach(); err != nil {
		return err
	}
	if kept && !t.j.Promise().BreachedAt.IsZero() {
		if err := t.breached(); err != nil {
			return err
		}
	}
	for _, note := range []func() error{t.noteSilence, t.noteTargets, t.noteWarnings} {
		if err := note(); err != nil {
			return err
		}
	}
	if t.j.Ended() {
		return nil
	}
	if at := t.j.pendingUntil(t.shop); !at.IsZero() && !t.now.Before(at) {
		return t.move(StageWithdrawn, OutcomeRecycled, "")
	}
	if err := t.noticeUncollected(); err != nil {
		return err
	}
	q := t.j.Quote()
	if q == nil || q.State != QuoteOpen {
		return nil
	}
	if !t.now.Before(q.ExpiresAt) {
		if err := t.record(&QuoteLapsed{q.Revision}); err != nil {
			return err
		}
		if err := t.revokeLinks(link.Decide); err != nil {
			return err
		}
		// The customer has had their time; the bench has the ball again.
		return t.resume("approval")
	}
	if t.j.Stage != StageAwaitingApproval {
		return nil
	}
	if at := t.j.lastNoticeAt(t.shop); !at.IsZero() && !t.now.Before(at) {
		return t.record(&QuoteReminded{Revision: q.Revision, Last: true})
	}
	if at := t.j.remindAt(t.shop); !at.IsZero() && !t.now.Before(at) {
		return t.record(&QuoteReminded{Revision: q.Revision})
	}
	return nil
}

// noteBreach records a breach of the current promise if its due instant has passed.
func (t *turn) noteBreach() error {
	p := t.j.Promise()
	if p == nil || !p.BreachedAt.IsZero() {
		return nil
	}
	end := t.now
	if t.j.Ended() {
		end = t.j.EndedAt
	}
	due, ok := t.j.Turnaround(t.shop, p).Due()
	if !ok || !end.After(due) {
		return nil
	}
	return t.recordBy(clockActor, &PromiseBreached{Number: p.Number, DueAt: due})
}

// RecordDelivery writes down a notice's fate; it goes with the settlement of its outbox entry.
type RecordDelivery struct {
	ID string `json:"id"`
	// With are the notices that its mail told too.
	With []string `json:"with,omitempty"`
	// Buried is the reason in plain words of our own, "" for a notice that was accepted.
	Buried string `json:"buried,omitempty"`
}

func (RecordDelivery) allowed() []Role { return systemDo }

func (c RecordDelivery) decide(t *turn) error {
	if t.j.Notice(c.ID) == nil {
		return invalid("id", "There is no notice %s on this job.", c.ID)
	}
	// A notice that was to go with this mail, made in the moment in which the mail was written, is not in
	// it: it gets a mail of its own.
	for i := range t.j.Notices {
		if n := &t.j.Notices[i]; n.With == c.ID && n.waits() && !slices.Contains(c.With, n.ID) {
			late := *n
			t.late = &late
			break
		}
	}
	if c.Buried != "" {
		return t.record(&NoticeGivenUp{ID: c.ID, Reason: c.Buried, With: c.With})
	}
	return t.record(&NoticeDelivered{c.ID, c.With})
}

// RecordBounce writes down that an accepted mail came back.
type RecordBounce struct {
	ID string `json:"id"`
	// Reason is in plain words of our own.
	Reason string `json:"reason"`
	// Dead says that the address takes no mail at all.
	Dead bool `json:"dead,omitempty"`
}

func (RecordBounce) allowed() []Role { return systemDo }

func (c RecordBounce) decide(t *turn) error {
	n := t.j.Notice(c.ID)
	if n == nil {
		return invalid("id", "There is no notice %s on this job.", c.ID)
	}
	if !n.BouncedAt.IsZero() {
		return nil // several servers may say the same
	}
	return t.record(&NoticeBounced{c.ID, c.Reason, c.Dead})
}

// SendAgain puts a given-up notice back in the queue. It is written anew, for the address that the
// customer has now.
type SendAgain struct {
	ID string `json:"id"`
}

func (SendAgain) allowed() []Role { return counterUp }

func (c SendAgain) decide(t *turn) error {
	n := t.j.Notice(c.ID)
	switch {
	case n == nil:
		return invalid("id", "There is no such mail on this job.")
	case !t.j.Erased.IsZero():
		return refused("The customer was erased from this job; there is nobody to write to.")
	case t.j.Customer.Email.Text == "":
		return refused("There is no e-mail address on this job. Enter one first, or telephone.")
	case n.BuriedAt.IsZero():
		return nil // it is on its way already
	}
	id := n.ID
	if n.With != "" {
		id = n.With
	}
	t.requeue = append(t.requeue, id)
	return t.record(&NoticeRequeued{id})
}

// NoteTold ticks a mail off that did not arrive: the customer was told in another way.
type NoteTold struct {
	ID string `json:"id"`
}

func (NoteTold) allowed() []Role { return counterUp }

func (c NoteTold) decide(t *turn) error {
	n := t.j.Notice(c.ID)
	switch {
	case n == nil:
		return invalid("id", "There is no such mail on this job.")
	case n.BuriedAt.IsZero() && n.BouncedAt.IsZero():
		return refused("This mail was not given up; there is nothing to tick off.")
	case !n.ToldAt.IsZero():
		return nil
	}
	return t.record(&NoticeTold{c.ID})
}

// ChooseNotices is the customer's choice of what to be told by mail.
type ChooseNotices struct {
	Choice NoticeChoice `json:"choice"`
}

func (ChooseNotices) allowed() []Role { return []Role{RoleCustomer, RoleCounter, RoleOwner} }

func (c ChooseNotices) decide(t *turn) error {
	if err := oneOf("choice", "The choice", c.Choice, NoticeChoices); err != nil {
		return err
	}
	if !t.j.Erased.IsZero() {
		return refused("The customer was erased from this job; there is nobody to write to.").because("erased")
	}
	if t.j.Choice() == c.Choice {
		return nil
	}
	return t.record(&NoticesChosen{c.Choice})
}

// ErasePerson removes what identifies the customer, and the photos; figures and chain stay.
type ErasePerson struct{}

func (ErasePerson) allowed() []Role { return ownerOnly }

func (c ErasePerson) decide(t *turn) error {
	if !t.j.Ended() {
		return refused("A person can be erased once the job has ended: until then the device is still theirs to get back.")
	}
	if !t.j.Erased.IsZero() {
		return nil
	}
	for _, p := range []link.Purpose{link.Look, link.Decide, link.Choose} {
		if err := t.revokeLinks(p); err != nil {
			return err
		}
	}
	t.forget = true
	return t.record(&PersonErased{})
}
