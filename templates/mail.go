package templates

import (
	"html/template"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"benchword/templates/locale"
	"benchword/workflow"
)

// MailOrder says which notice to put into words, and what its links are.
type MailOrder struct {
	// Job is as it stood when the notice was made.
	Job   *workflow.Job
	Entry *workflow.Entry
	Shop  *workflow.Shop
	Words *locale.Words
	// Look opens the job, Decide the quote ("" if there is nothing to decide), Find is the page that
	// mails a fresh link, Packing the packing guide. All are whole addresses.
	Look, Decide, Find, Packing string
	// Also are the other notices that the mail tells, in order.
	Also []workflow.Entry
	// Delay is where to choose after a missed promise, "" where there is nothing to.
	Delay string
	// Choose is where the customer chooses what to be mailed about, "" for nowhere.
	Choose string
	// Brief shortens long texts and lists: 0 says all that a mail can well carry, 1 less, 2 little. What
	// is left out is on the page, and the mail says so.
	Brief int
}

// Mail is a notice in words: the subject, the three answers, and what there is to say. The HTML and the
// text part show the same value, so they can't say different things. It is shown by two templates: as
// it is in HTML, by [Mail.Plain] in text.
type Mail struct {
	W       *locale.Words
	Kind    workflow.NoticeKind
	Subject string
	// Preview is what a mailbox shows beside the subject.
	Preview string
	Shop    ShopView
	Number  string
	Device  string
	// Heading is the news in a few words; Lead one or two sentences more.
	Heading, Lead string
	Status        Status
	Answers       []MailAnswer
	// Act is the one thing to do, or to look at.
	Act MailLink
	// Decides marks a mail whose link can answer the quote, Chooses one whose link can choose after a
	// missed date.
	Decides  bool
	Chooses  bool
	Sections []MailSection
	// More says that some of it is on the page only, "" if all is here.
	More string
	// Look is the link that only shows; Find is where to get a fresh one.
	Look, Find string
	// Choose is where to choose what to be mailed about, "" for nowhere; ChooseSays says how it stands.
	Choose, ChooseSays string
	// left counts photos that belong to what was left out.
	left int
}

// Template implements [View].
func (*Mail) Template() string { return "mail/notice.html" }

// Plain gives the view of the text part.
func (m *Mail) Plain() MailText { return MailText{m} }

// MailText is a mail's text part.
type MailText struct{ *Mail }

// Template implements [View].
func (MailText) Template() string { return "mail/notice.txt" }

// T gives a text of the mail's language.
func (m *Mail) T(key string, args ...any) string { return m.W.T(key, args...) }

// Named puts a name before its value, with the language's colon; without a value it ends with the colon.
func (m *Mail) Named(name, value string) string { return m.W.Named(name, value) }

// MailAnswer is one of the three answers.
type MailAnswer struct {
	Asked, Answer string
	More          []string
	// Acts marks that something is asked of the reader.
	Acts bool
}

// MailLink is a link with its words.
type MailLink struct{ Words, URL string }

// MailSection is a piece of a mail, under its own heading. Parts that are empty are left out; the others
// come in the order of the fields.
type MailSection struct {
	Heading string
	// Caution marks what can hurt somebody.
	Caution bool
	Paras   []string
	// Act is a link of its own, where the mail's button leads elsewhere.
	Act MailLink
	// Letter is what somebody wrote, set apart.
	Letter string
	Items  []MailItem
	Rows   []MailRow
	Ways   []OptionView
	Photos []*MailPhoto
	// Pairs says how many of the first photos are before and after, two by two.
	Pairs int
	After string
}

// Couples gives the pairs of photos that the mail shows, to stand side by side, each half a column wide.
func (s MailSection) Couples() [][2]MailPhoto {
	var out [][2]MailPhoto
	for i := range s.Pairs {
		if s.couple(i) {
			out = append(out, [2]MailPhoto{s.Photos[2*i].half(), s.Photos[2*i+1].half()})
		}
	}
	return out
}

func (s MailSection) couple(i int) bool { return s.Photos[2*i].Src != "" && s.Photos[2*i+1].Src != "" }

// Singles gives the other photos, those too whose partner the mail does not show.
func (s MailSection) Singles() []*MailPhoto {
	var out []*MailPhoto
	for i, p := range s.Photos {
		if i/2 >= s.Pairs || !s.couple(i/2) {
			out = append(out, p)
		}
	}
	return out
}

// MailItem is an item of a list.
type MailItem struct {
	Lead, Text string
	Notes      []string
	Photos     []*MailPhoto
}

// MailRow is a name and its value.
type MailRow struct{ Name, Value string }

// MailPhoto is a photo that a mail would like to show. It is shown once somebody has set its Src;
// otherwise it counts to those that are on the page only.
type MailPhoto struct {
	PhotoView
	// Src is a Content-ID address in a mail, the photo's own address in a preview.
	Src template.URL
	// ShownWidth and ShownHeight are in CSS pixels.
	ShownWidth, ShownHeight int
	// Words say what it shows, for the text part.
	Words string
	rank  int
}

// Plain gives the photo as the text part has it.
func (p *MailPhoto) Plain() string {
	out := []string{MailText{}.Fold("  ", "["+p.Words+"]")}
	if p.Caption != "" {
		out = append(out, MailText{}.Fold("  ", p.Caption))
	}
	for _, n := range p.Notes {
		out = append(out, MailText{}.Fold("  ", strings.TrimPrefix(n.Number+": "+n.Text, ": ")))
	}
	return strings.Join(out, "\n")
}

// Show lets the mail show the photo, which has this size in pixels.
func (p *MailPhoto) Show(src string, width, height int) {
	p.Src = template.URL(src) // made by this program: a Content-ID or an address of the portal
	const most = 536
	if width > most {
		width, height = most, height*most/width
	}
	p.ShownWidth, p.ShownHeight = width, height
}

func (p *MailPhoto) half() MailPhoto {
	const most = 262
	out := *p
	if out.ShownWidth > most {
		out.ShownWidth, out.ShownHeight = most, out.ShownHeight*most/out.ShownWidth
	}
	return out
}

// MailPhotos is how many photos a mail carries at most; the others are on the page.
const MailPhotos = 8

// Photos lists the photos that the mail would like to show, the most telling first: one for each thing
// said, then the others.
func (m *Mail) Photos() []*MailPhoto {
	var out []*MailPhoto
	for _, s := range m.Sections {
		for _, it := range s.Items {
			out = append(out, it.Photos...)
		}
		out = append(out, s.Photos...)
	}
	slices.SortStableFunc(out, func(a, b *MailPhoto) int { return a.rank - b.rank })
	return out
}

// MorePhotos says how many photos are on the page only, "" if none.
func (m *Mail) MorePhotos() string {
	n := m.left
	for _, p := range m.Photos() {
		if p.Src == "" {
			n++
		}
	}
	if n == 0 {
		return ""
	}
	return m.T("mail.more.photos", n)
}

// deviceWord gives the plain word for the device with a capital, short enough for a subject.
func deviceWord(d workflow.Device) string {
	s := strings.Join(strings.Fields(d.Kind), " ")
	if utf8.RuneCountInString(s) > 40 {
		s = strings.TrimSpace(string([]rune(s)[:39])) + "…"
	}
	return locale.Capital(s)
}

// mailMaker holds what a mail is made of.
type mailMaker struct {
	MailOrder
	m      *Mail
	j      *workflow.Job
	w      *locale.Words
	loc    *time.Location
	now    time.Time
	device string
	seen   map[int]bool
	cut    bool
}

// MailOf puts a notice into words.
func MailOf(o MailOrder) *Mail {
	j, w := o.Job, o.Words
	k := &mailMaker{MailOrder: o, j: j, w: w, loc: zoneOf(o.Shop), now: o.latest(), device: deviceWord(j.Device), seen: map[int]bool{}}
	k.m = &Mail{
		W: w, Kind: o.Entry.Kind, Shop: ShopOf(o.Shop), Number: j.Number.Shown(), Device: j.Device.Name(), Look: o.Look, Find: o.Find,
		Status: StatusOf(j, o.Shop, k.now, w),
	}
	k.m.Shop.Zone = w.Zone(k.loc)
	k.m.Act = MailLink{w.T("mail.act.look"), o.Look}
	if o.Look == "" {
		k.m.Act = MailLink{w.T("mail.act.find"), o.Find}
	}
	k.quoteAsks()
	k.tell()
	for i := range o.Also {
		k.also(&o.Also[i])
	}
	if o.Choose != "" {
		k.m.Choose, k.m.ChooseSays = o.Choose, w.T("notices.foot."+string(j.Choice()))
	}
	k.answers()
	k.paras("mail.why", k.m.Status.WhenWhy...)
	if k.cut {
		k.m.More = w.T("mail.more.text")
	}
	return k.m
}

// latest is the instant of the last notice that the mail tells.
func (o *MailOrder) latest() time.Time {
	at := o.Entry.MadeAt
	for _, e := range o.Also {
		if e.MadeAt.After(at) {
			at = e.MadeAt
		}
	}
	return at
}

// also tells one more notice: what would be its heading stands over it.
func (k *mailMaker) also(e *workflow.Entry) {
	was, main, n := *k.m, k.Entry, len(k.m.Sections)
	k.m.Act, k.m.Decides, k.m.Chooses = MailLink{}, false, false
	k.Entry = e
	k.tell()
	head := MailSection{Heading: k.m.Heading}
	if k.m.Lead != "" {
		head.Paras = []string{k.m.Lead}
	}
	// What it asks for is the mail's own button, unless that one asks for something else.
	asks := k.m.Decides || k.m.Chooses
	switch {
	case asks && (was.Decides || was.Chooses) && k.m.Act != was.Act:
		head.Act = k.m.Act
		asks = false
	case asks:
		was.Act = k.m.Act
	}
	k.m.Sections = slices.Insert(k.m.Sections, n, head)
	k.m.Subject, k.m.Heading, k.m.Lead, k.m.Act, k.Entry = was.Subject, was.Heading, was.Lead, was.Act, main
	k.m.Decides, k.m.Chooses = was.Decides || asks && k.m.Decides, was.Chooses || asks && k.m.Chooses
}

// tell puts the notice in hand into words.
func (k *mailMaker) tell() {
	k.m.Lead = ""
	switch k.Entry.Kind {
	case workflow.NoticeBooked:
		k.booked()
	case workflow.NoticeReceived:
		k.received()
	case workflow.NoticeFindings:
		k.findings()
	case workflow.NoticeQuote, workflow.NoticeFurtherQuote, workflow.NoticeReminder, workflow.NoticeLastNotice:
		k.quote()
	case workflow.NoticeQuoteWithdrawn:
		k.quoteWithdrawn()
	case workflow.NoticeDecision:
		k.decision()
	case workflow.NoticeReady:
		k.ready()
	case workflow.NoticeShipped:
		k.shipped()
	case workflow.NoticeWithdrawn:
		k.withdrawn()
	case workflow.NoticePromiseMoved:
		k.promiseMoved()
	case workflow.NoticeBreach:
		k.breach()
	case workflow.NoticeDelayAnswered:
		k.delayAnswered()
	case workflow.NoticeExpired:
		k.expired()
	case workflow.NoticeMessage:
		k.message()
	case workflow.NoticeUndone:
		k.undone()
	case workflow.NoticeUncollected:
		k.uncollected()
	default:
		k.link()
	}
}

// say sets subject, heading and lead from the words of a key.
func (k *mailMaker) say(key string, args ...any) {
	args = append([]any{k.device}, args...)
	k.m.Subject = k.w.T("mail."+key+".subject", args...)
	k.m.Heading = k.w.T("mail."+key+".heading", args...)
	if lead := "mail." + key + ".lead"; k.w.Has(lead) {
		k.m.Lead = k.w.T(lead, args...)
	}
}

func (k *mailMaker) add(s MailSection) { k.m.Sections = append(k.m.Sections, s) }

// day gives a date as it stands in a sentence.
func (k *mailMaker) day(t time.Time) string {
	return k.w.DayAsOf(t, k.now, k.loc)
}

// clip shortens a long text at a word, and remembers that it did.
func (k *mailMaker) clip(s string) string {
	limit := [...]int{1500, 500, 160}[min(max(k.Brief, 0), 2)]
	r := []rune(s)
	if len(r) <= limit {
		return s
	}
	k.cut = true
	cut := string(r[:limit])
	if i := strings.LastIndexAny(cut, " \n"); i > len(cut)/2 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " \n,;:.") + " …"
}

// few keeps a list short, and remembers that it did.
func few[T any](k *mailMaker, list []T) []T {
	if limit := [...]int{20, 8, 4}[min(max(k.Brief, 0), 2)]; len(list) > limit {
		k.cut = true
		return list[:limit]
	}
	return list
}

// paras adds a section with a text of its own, if there is one.
func (k *mailMaker) paras(heading string, texts ...string) {
	var out []string
	for _, t := range texts {
		if t != "" {
			out = append(out, k.clip(t))
		}
	}
	if len(out) > 0 {
		k.add(MailSection{Heading: k.w.T(heading), Paras: out})
	}
}

// photos gives views of photos, each of which a mail shows once.
func (k *mailMaker) photos(views []PhotoView) []*MailPhoto {
	var out []*MailPhoto
	for _, v := range views {
		if k.seen[v.ID] {
			continue
		}
		k.seen[v.ID] = true
		says := v.Alt // where the bench did not describe it, it begins with "Photo" by itself
		if p := k.j.Photo(v.ID); p != nil && p.Alt != "" {
			says = k.w.T("mail.photo", p.Alt)
		}
		out = append(out, &MailPhoto{PhotoView: v, Words: says, rank: len(out)})
	}
	return out
}

// of gives the photos of some kinds that are on the job.
func (k *mailMaker) of(kinds ...workflow.PhotoKind) []*MailPhoto {
	var views []PhotoView
	for i := range k.j.Photos {
		if p := &k.j.Photos[i]; !p.Removed && slices.Contains(kinds, p.Kind) {
			views = append(views, PhotoOf(k.j, p, k.w, k.loc, noURLs))
		}
	}
	return k.photos(views)
}

// noURLs leaves a photo's addresses open: a mail's pictures get theirs from whoever builds it.
func noURLs(*workflow.Photo) (small, large string) { return "", "" }

// quoteAsked gives the revision that the mail shows, nil if there is none.
func (k *mailMaker) quoteAsked() *workflow.Quote {
	n := k.Entry.Quote
	if n == 0 && (k.Entry.Kind == workflow.NoticeReminder || k.Entry.Kind == workflow.NoticeLastNotice || k.Entry.Kind == workflow.NoticeUndone) {
		n = len(k.j.Quotes)
	}
	if n < 1 || n > len(k.j.Quotes) {
		return nil
	}
	return &k.j.Quotes[n-1]
}

// quoteAsks lets a mail that shows an open quote ask for its answer, whatever stage the job is in.
func (k *mailMaker) quoteAsks() {
	q := k.quoteAsked()
	if q == nil || !q.Answerable(k.now) || k.Decide == "" {
		return
	}
	until := k.day(q.ExpiresAt)
	s := &k.m.Status
	s.NeedAction, s.Need, s.NeedMore = workflow.NeedDecide, k.w.T("need.decide"), k.w.T("need.decide.more", until)
	k.m.Act = MailLink{k.w.T("mail.act.decide"), k.Decide}
	k.m.Decides = true
}

// answers sets the three answers and the preview.
func (k *mailMaker) answers() {
	s, w := &k.m.Status, k.w
	more := func(texts ...string) []string {
		return slices.DeleteFunc(texts, func(t string) bool { return t == "" })
	}
	hold := s.HoldNote
	if hold != "" {
		hold = w.T("mail.hold.note", k.clip(hold))
	}
	if s.NeedAction == workflow.NeedAnswer { // a page says "below", a mail can't
		if q := k.j.Quote(); s.Need == w.T("need.expired") && q != nil {
			s.NeedMore = w.T("mail.need.expired", k.day(q.ExpiresAt))
		} else {
			s.NeedMore = w.T("mail.need.answer")
		}
	}
	k.m.Answers = []MailAnswer{
		{Asked: w.T("mail.asked.where"), Answer: s.Where, More: more(s.WhereMore, s.Hold, hold)},
		{Asked: w.T("mail.asked.need"), Answer: s.Need, More: more(s.NeedMore), Acts: s.NeedAction != workflow.NeedNone},
		{Asked: w.T("mail.asked.when"), Answer: s.When, More: more(s.WhenMore)},
	}
	k.m.Preview = strings.Join([]string{k.m.Heading, s.Need, s.When}, " ")
}

func (k *mailMaker) booked() {
	k.say("booked", k.m.Number)
	w := k.w
	if k.j.Inbound != "" {
		k.m.Heading, k.m.Subject = w.T("mail.booked.sent.heading"), w.T("mail.booked.sent.subject", k.device)
	}
	k.add(MailSection{Heading: w.T("mail.booked.to"), Paras: []string{k.Shop.Name + "\n" + strings.TrimSpace(k.Shop.Address) + "\n" + w.T("mail.booked.number", k.m.Number)}})
	pack := MailSection{Heading: w.T("mail.booked.pack")}
	for _, key := range []string{"slip", "box", "extras", "copies"} {
		pack.Items = append(pack.Items, MailItem{Text: w.T("mail.booked.pack."+key, k.m.Number)})
	}
	pack.After = w.T("mail.booked.guide", k.Packing)
	k.add(pack)
	k.add(MailSection{Heading: w.T("mail.caution"), Caution: true, Paras: []string{w.T("mail.booked.lithium")}})
	k.add(MailSection{Heading: w.T("mail.fault"), Letter: k.clip(k.j.Fault.Text)})
}

func (k *mailMaker) received() {
	w := k.w
	k.say("received", k.day(k.j.ReceivedAt))
	if due := k.m.Status.Due; !due.IsZero() {
		k.m.Subject = w.T("mail.received.subject.by", k.device, k.day(due))
	}
	list := MailSection{Heading: w.T("mail.contents"), After: w.T("mail.received.missing")}
	for _, c := range few(k, ContentsOf(k.j, w)) {
		list.Items = append(list.Items, contentItem(w, c, k.j.Device.Serial))
	}
	k.add(list)
	k.cautions()
	if p := k.of(workflow.PhotoArrival); len(p) > 0 {
		k.add(MailSection{Heading: w.T("mail.received.photos"), Photos: p})
	}
	k.paras("mail.next", w.T("mail.received.next"))
}

func contentItem(w *locale.Words, c ContentView, serial string) MailItem {
	it := MailItem{Text: c.Text}
	if c.Device {
		it.Text = w.T("mail.contents.device", c.Text)
	}
	if c.Device && serial != "" {
		it.Notes = append(it.Notes, w.T("mail.contents.serial", serial))
	}
	if c.Condition != "" {
		it.Notes = append(it.Notes, c.Condition)
	}
	if c.Fate != "" {
		it.Notes = append(it.Notes, c.Fate)
	}
	return it
}

func (k *mailMaker) cautions() {
	if c := CautionsOf(k.j, k.w); len(c) > 0 {
		k.add(MailSection{Heading: k.w.T("mail.caution"), Caution: true, Paras: c})
	}
}

// findings is the findings report, in its order, shortened to what a mail carries.
func (k *mailMaker) findings() {
	j, w := k.j, k.w
	n := k.Entry.Ref
	if n < 1 || n > len(j.Reports) {
		k.link()
		return
	}
	r := ReportOf(j, &j.Reports[n-1], k.Shop, k.now, w, noURLs)
	q := k.quoteAsked()
	if q != nil && k.m.Decides {
		k.say("findings.quote", k.day(q.ExpiresAt))
	} else {
		k.say("findings")
	}
	k.paras("mail.report.short", r.Short)
	if c := r.Changes; c != nil {
		s := MailSection{Heading: c.Title}
		if c.None != "" {
			s.Paras = []string{c.None}
		}
		for _, text := range few(k, c.Items) {
			s.Items = append(s.Items, MailItem{Text: k.clip(text)})
		}
		k.add(s)
	}
	arrived := MailSection{Heading: w.T("mail.report.arrived")}
	if r.Fault != "" {
		arrived.Paras = append(arrived.Paras, w.T("mail.report.fault", k.clip(r.Fault)))
	}
	var items []string
	for _, c := range few(k, r.Contents) {
		items = append(items, c.Text)
	}
	if len(items) > 0 {
		arrived.Paras = append(arrived.Paras, w.T("mail.report.contents", w.List(items)))
	}
	if r.Condition != "" {
		arrived.Paras = append(arrived.Paras, w.T("mail.report.condition", k.clip(r.Condition)))
	}
	if r.Tried != "" {
		arrived.Paras = append(arrived.Paras, strings.TrimSpace(r.Tried+" "+k.clip(r.TriedNote)))
	}
	k.add(arrived)
	k.findingList("mail.report.saw", "", r.Seen)
	k.findingList("mail.report.prior", "mail.report.prior.note", r.Prior)
	if len(r.Suspects) > 0 {
		s := MailSection{Heading: w.T("mail.report.checked")}
		for _, x := range few(k, r.Suspects) {
			it := MailItem{Lead: locale.Capital(x.VerdictWords), Text: x.Text}
			for _, c := range few(k, x.Checks) {
				note := strings.TrimRight(k.clip(c.Text), ".")
				if c.Reading != "" && c.Measured == nil {
					note = w.T("mail.report.reading", note, c.Reading)
				}
				it.Notes = append(it.Notes, w.T("mail.report.check", note, c.Outcome))
				if c.Measured != nil {
					it.Notes = append(it.Notes, c.Measured.Line())
				}
				it.Photos = append(it.Photos, k.photos(c.Photos)...)
			}
			s.Items = append(s.Items, it)
		}
		k.add(s)
	}
	k.leave(r)
	k.paras("mail.report.cause", r.Cause, r.CauseHow)
	k.paras("mail.report.proposal", r.Proposal)
	if q != nil {
		k.ways(q)
	}
	if p, pairs := k.couples(); pairs > 0 {
		k.add(MailSection{Heading: w.T("mail.before_after"), Photos: p, Pairs: pairs})
	}
	if len(r.Left) > 0 {
		s := MailSection{Heading: w.T("report.left")}
		for _, d := range few(k, r.Left) {
			s.Items = append(s.Items, MailItem{Text: d.Text, Notes: []string{d.State}})
		}
		k.add(s)
	}
	if len(r.Cautions) > 0 {
		k.add(MailSection{Heading: w.T("mail.caution"), Caution: true, Paras: few(k, r.Cautions)})
	}
	k.paras("mail.next", r.Next)
}

// leave counts the report's photos that belong to what was left out.
func (k *mailMaker) leave(r ReportView) {
	count := func(views []PhotoView) {
		for _, v := range views {
			if !k.seen[v.ID] {
				k.seen[v.ID] = true
				k.m.left++
			}
		}
	}
	for _, f := range slices.Concat(r.Seen, r.Prior) {
		count(f.Photos)
	}
	for _, s := range r.Suspects {
		for _, c := range s.Checks {
			count(c.Photos)
		}
	}
}

func (k *mailMaker) findingList(heading, note string, list []FindingView) {
	if len(list) == 0 {
		return
	}
	s := MailSection{Heading: k.w.T(heading)}
	if note != "" {
		s.Paras = append(s.Paras, k.w.T(note))
	}
	for _, f := range few(k, list) {
		it := MailItem{Lead: f.WeightName, Text: k.clip(f.Text)}
		if f.Term != "" {
			it.Text = k.w.T("finding.named", f.Term, it.Text)
		}
		if f.Where != "" {
			it.Notes = append(it.Notes, k.w.T("mail.report.where", f.Where))
		}
		if f.Plain != "" {
			it.Notes = append(it.Notes, k.w.T("finding.plain", f.Plain))
		}
		it.Notes = append(it.Notes, f.Sentence)
		if f.Measured != nil {
			it.Notes = append(it.Notes, f.Measured.Line())
		}
		if f.Matters != "" {
			it.Notes = append(it.Notes, k.clip(f.Matters))
		}
		for _, d := range few(k, f.Duties) {
			it.Notes = append(it.Notes, k.w.T("mail.report.duty", d.Text, d.State))
		}
		it.Photos = k.photos(f.Photos)
		s.Items = append(s.Items, it)
	}
	k.add(s)
}

// ways shows a quote's options, its words and until when it stands.
func (k *mailMaker) ways(q *workflow.Quote) {
	v := QuoteOf(k.j, q, k.Shop, k.now, k.w)
	s := MailSection{Heading: k.w.T("mail.quote.ways"), Ways: v.Options}
	for i := range s.Ways {
		o := &s.Ways[i]
		o.Text = k.clip(o.Text)
		if o.Excluded != "" {
			o.Excluded = k.w.T("mail.quote.excluded", k.clip(o.Excluded))
		}
		o.Lines = few(k, o.Lines)
	}
	if v.Changes != nil {
		v.Before = ""
	}
	for _, t := range []string{v.Reason, v.Before, v.Note} {
		if t != "" {
			s.Paras = append(s.Paras, k.clip(t))
		}
	}
	if c := v.Changes; c != nil {
		x := MailSection{Heading: c.Title, Paras: []string{c.Since}}
		for _, l := range few(k, c.Lines) {
			x.Items = append(x.Items, MailItem{Text: l})
		}
		x.Items = append(x.Items, MailItem{Text: c.Total})
		k.add(x)
	}
	if v.Limit != "" {
		s.Paras = append(s.Paras, v.Limit)
	}
	if v.Fee != "" {
		s.Paras = append(s.Paras, v.Fee)
	}
	after := []string{k.w.T("mail.quote.stands", v.Expires)}
	if v.TaxNote != "" {
		after = append(after, v.TaxNote)
	}
	s.After = strings.Join(append(after, k.w.T("mail.quote.free")), " ")
	k.add(s)
}

func (k *mailMaker) quote() {
	q := k.quoteAsked()
	if q == nil {
		k.link()
		return
	}
	key := map[workflow.NoticeKind]string{workflow.NoticeQuote: "quote", workflow.NoticeFurtherQuote: "further", workflow.NoticeReminder: "reminder", workflow.NoticeLastNotice: "last"}[k.Entry.Kind]
	k.say(key, k.day(q.ExpiresAt))
	k.ways(q)
}

// fee reminds of the diagnostic fee, where there is one.
func (k *mailMaker) fee() {
	if f := k.j.Fee; f != nil && f.Minor > 0 {
		k.paras("mail.fee", k.w.T("quote.fee", k.w.Money(*f)))
	}
}

func (k *mailMaker) quoteWithdrawn() {
	k.say("taken_back")
	if q := k.j.Quote(); q != nil {
		k.paras("mail.moved.why", q.TakenBack)
	}
	k.fee()
	k.paras("mail.next", k.w.T("mail.taken_back.next"))
}

func (k *mailMaker) decision() {
	j, w := k.j, k.w
	n := k.Entry.Ref
	if n < 1 || n > len(j.Decisions) {
		k.link()
		return
	}
	d := &j.Decisions[n-1]
	if d.Revision < 1 || d.Revision > len(j.Quotes) {
		k.link()
		return
	}
	q := &j.Quotes[d.Revision-1]
	o := q.Option(d.Option)
	byUs := d.By.Role != workflow.RoleCustomer
	rows := MailSection{Heading: w.T("mail.decision.what")}
	row := func(key, value string) {
		if value != "" {
			rows.Rows = append(rows.Rows, MailRow{w.T("mail.decision." + key), value})
		}
	}
	switch {
	case d.Verdict == workflow.VerdictAsk:
		k.say("ask")
		k.add(MailSection{Heading: w.T("mail.ask.yours"), Letter: k.clip(d.Words.Text)})
		k.paras("mail.next", NextAfter(j, q, d.Verdict, d.Option, k.Shop, w)...)
		return
	case d.Verdict == workflow.VerdictDecline || o == nil:
		k.say("declined")
	case o.Kind == workflow.OptionReturn:
		k.say("returning")
	case o.Kind == workflow.OptionRecycle:
		k.say("recycling")
	case byUs && d.Name.Empty():
		k.say("within_limit", w.Money(o.Result.Total))
	default:
		k.say("approved", w.Money(o.Result.Total))
	}
	if o != nil {
		row("option", w.T("mail.decision.option.named", o.Key, o.Title))
		row("total", w.Money(o.Result.Total))
	}
	row("name", d.Name.Text)
	row("at", w.DateTime(d.At, k.loc))
	if byUs && !d.Name.Empty() {
		row("how", w.T("mail.decision.how.staff"))
	}
	if d.Call != nil {
		row("called", w.DateTime(d.Call.At, k.loc)+", "+d.Call.Number.Text)
	}
	if until := j.UndoUntil(k.Shop); d.UndoneAt.IsZero() && k.now.Before(until) {
		row("undo", w.T("mail.decision.undo.until", w.DateTime(until, k.loc)))
		if k.Decide != "" {
			k.m.Act = MailLink{w.T("undo.look"), k.Decide + "/done"}
			k.m.Decides = true
		}
	}
	row("quote", w.T("mail.decision.quote.named", d.Revision, short(d.Digest)))
	if !(byUs && d.Name.Empty()) {
		rows.After = w.T("mail.decision.wrong")
		if k.Shop.Phone != "" {
			rows.After = w.T("mail.decision.wrong.phone", k.Shop.Phone)
		}
	}
	k.add(rows)
	if d.Words.Text != "" && o != nil {
		k.add(MailSection{Heading: w.T("mail.decision.words"), Letter: k.clip(d.Words.Text)})
	}
	k.paras("mail.next", NextAfter(j, q, d.Verdict, d.Option, k.Shop, w)...)
	if p := PaidOf(j, k.Shop, w); p != nil && p.PayURL != "" {
		k.add(MailSection{Heading: w.T("mail.pay"), Paras: []string{p.PayURL}})
	}
}

// undone confirms that an answer was taken back.
func (k *mailMaker) undone() {
	j, w, n := k.j, k.w, k.Entry.Ref
	q := j.Quote()
	if n < 1 || n > len(j.Decisions) || q == nil {
		k.link()
		return
	}
	d := &j.Decisions[n-1]
	k.say("undone", w.DateTime(q.ExpiresAt, k.loc))
	rows := MailSection{Heading: w.T("mail.undone.what")}
	if o := q.Option(d.Option); o != nil {
		rows.Rows = append(rows.Rows, MailRow{w.T("mail.decision.option"), w.T("mail.decision.option.named", o.Key, o.Title)})
	}
	rows.Rows = append(rows.Rows, MailRow{w.T("mail.decision.at"), w.DateTime(d.At, k.loc)}, MailRow{w.T("mail.undone.at"), w.DateTime(d.UndoneAt, k.loc)},
		MailRow{w.T("mail.decision.quote"), w.T("mail.decision.quote.named", d.Revision, short(d.Digest))})
	k.add(rows)
	k.ways(q)
}

// uncollected is a notice about goods that wait for their customer, in the shop's own words.
func (k *mailMaker) uncollected() {
	j, w, n := k.j, k.w, k.Entry.Ref
	if n < 1 || n > len(j.Uncollected) || j.Ready == nil {
		k.link()
		return
	}
	u := &j.Uncollected[n-1]
	k.say("uncollected", k.day(j.Ready.At))
	k.add(MailSection{Heading: w.T("mail.uncollected.text"), Letter: u.Text})
	rows := MailSection{Heading: w.T("mail.uncollected.dates"), Rows: []MailRow{{w.T("mail.uncollected.since"), w.Date(j.Ready.At, k.loc)}}}
	if by, err := time.ParseInLocation(time.DateOnly, u.By, k.loc); err == nil {
		rows.Rows = append(rows.Rows, MailRow{w.T("mail.uncollected.by"), w.Date(by, k.loc)})
	}
	if b := j.Balance(k.Shop); b.Minor > 0 {
		rows.Rows = append(rows.Rows, MailRow{w.T("mail.uncollected.paid"), w.Money(b)})
	}
	k.add(rows)
	k.money()
}

// short gives the beginning of a digest: enough to compare by eye.
func short(digest string) string {
	if len(digest) > 12 {
		return digest[:12]
	}
	return digest
}

func (k *mailMaker) ready() {
	j, w := k.j, k.w
	switch j.Outcome {
	case workflow.OutcomeNoFault:
		k.say("ready.no_fault")
	case workflow.OutcomeUnrepaired:
		k.say("ready.unrepaired")
	default:
		k.say("ready")
	}
	if j.Ready != nil && j.Ready.Note != "" {
		k.add(MailSection{Heading: w.T("mail.note"), Letter: k.clip(j.Ready.Note)})
	}
	k.work()
	if tests := j.LatestTests(); len(tests) > 0 {
		s := MailSection{Heading: w.T("mail.tests")}
		for _, t := range few(k, tests) {
			verdict := w.T("mail.tests.passed")
			if !t.Passed {
				verdict = w.T("mail.tests.failed")
			}
			it := MailItem{Lead: locale.Capital(verdict), Text: t.Name, Photos: k.photos(PhotosOf(j, t.Photos, w, k.loc, noURLs))}
			if t.Reading != "" {
				it.Notes = append(it.Notes, t.Reading)
			}
			if t.Note != "" {
				it.Notes = append(it.Notes, k.clip(t.Note))
			}
			s.Items = append(s.Items, it)
		}
		k.add(s)
	}
	k.waived()
	k.before()
	k.money()
}

func (k *mailMaker) work() {
	if len(k.j.Work) == 0 {
		return
	}
	paired := map[int]bool{} // before and after stay together, see before
	for _, p := range PairsOf(k.j, k.w, k.loc, noURLs) {
		paired[p.Before.ID], paired[p.After.ID] = true, true
	}
	s := MailSection{Heading: k.w.T("mail.work")}
	for _, x := range few(k, k.j.Work) {
		alone := slices.DeleteFunc(slices.Clone(x.Photos), func(id int) bool { return paired[id] })
		s.Items = append(s.Items, MailItem{Text: k.clip(x.Text), Photos: k.photos(PhotosOf(k.j, alone, k.w, k.loc, noURLs))})
	}
	k.add(s)
}

// waived tells of duties that were let go: the customer reads the reason.
func (k *mailMaker) waived() {
	var items []MailItem
	for _, d := range k.j.Duties {
		if d.Waived != "" {
			items = append(items, MailItem{Text: d.Words(), Notes: []string{k.w.T("duty.waived", d.Waived)}})
		}
	}
	if len(items) > 0 {
		k.add(MailSection{Heading: k.w.T("mail.waived"), Items: few(k, items)})
	}
}

// couples gives the photos of one place before and after, and how many pairs they are.
func (k *mailMaker) couples() (photos []*MailPhoto, pairs int) {
	for _, p := range PairsOf(k.j, k.w, k.loc, noURLs) {
		if k.seen[p.Before.ID] || k.seen[p.After.ID] {
			continue // one of them stands further up: the other follows among the single ones
		}
		views := []PhotoView{p.Before, p.After}
		for i := range views {
			if v := &views[i]; v.Caption == "" {
				v.Caption = v.Label
			} else {
				v.Caption = k.w.Named(v.Label, v.Caption)
			}
		}
		photos = append(photos, k.photos(views)...)
		pairs++
	}
	return photos, pairs
}

// before sets photos of one place before and after.
func (k *mailMaker) before() {
	p, pairs := k.couples()
	if p = append(p, k.of(workflow.PhotoAfter, workflow.PhotoTest)...); len(p) > 0 {
		k.add(MailSection{Heading: k.w.T("mail.before_after"), Photos: p, Pairs: pairs})
	}
}

func (k *mailMaker) money() {
	v := PaidOf(k.j, k.Shop, k.w)
	if v == nil {
		return
	}
	k.add(MailSection{Heading: k.w.T("mail.money"), Rows: []MailRow{
		{k.w.T("mail.money.charge"), v.Charge}, {k.w.T("mail.money.paid"), v.Paid}, {k.w.T("mail.money.balance"), v.Balance},
	}, After: v.Less})
	if v.PayURL != "" {
		k.add(MailSection{Heading: k.w.T("mail.pay"), Paras: []string{v.PayURL}})
	}
}

func (k *mailMaker) shipped() {
	j, w := k.j, k.w
	p := j.Shipment
	rows := MailSection{Heading: w.T("mail.shipped.parcel")}
	row := func(key, value string) {
		if value != "" {
			rows.Rows = append(rows.Rows, MailRow{w.T("mail.shipped." + key), value})
		}
	}
	if p != nil && p.InPerson {
		k.say("handed_over")
		rows.Heading = w.T("mail.shipped.handed_over")
	} else {
		k.say("shipped")
		rows.After = w.T("mail.shipped.open")
	}
	if p != nil {
		row("carrier", p.Carrier)
		row("number", p.Parcel)
		row("on", w.Date(j.EndedAt, k.loc))
		row("serial", firstOf(j.Device.Serial, p.Serial))
		if p.WarrantyDays > 0 && j.Outcome == workflow.OutcomeRepaired {
			row("warranty", w.Date(j.EndedAt.AddDate(0, 0, p.WarrantyDays), k.loc))
		}
	}
	k.add(rows)
	list := MailSection{Heading: w.T("mail.shipped.contents")}
	for _, c := range few(k, ContentsOf(j, w)) {
		c.Condition = ""
		list.Items = append(list.Items, contentItem(w, c, ""))
	}
	if len(list.Items) > 0 {
		k.add(list)
	}
	k.work()
	k.waived()
	if photos := k.of(workflow.PhotoPacking); len(photos) > 0 {
		k.add(MailSection{Heading: w.T("mail.shipped.photos"), Photos: photos})
	}
	k.before()
	k.money()
	k.cautions()
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

func (k *mailMaker) withdrawn() {
	if k.j.Outcome == workflow.OutcomeRecycled {
		k.say("recycled")
	} else {
		k.say("cancelled")
	}
	k.paras("mail.moved.why", k.j.EndReason)
	k.paras("mail.next", k.w.T("mail.withdrawn.next"))
}

func (k *mailMaker) promiseMoved() {
	j, w := k.j, k.w
	p := j.Promise()
	if p == nil {
		k.link()
		return
	}
	due := k.m.Status.Due
	if due.IsZero() {
		k.say("moved.open")
	} else {
		k.say("moved", k.day(due))
	}
	rows := MailSection{Heading: w.T("mail.moved.dates")}
	for i := range j.Promises {
		x := &j.Promises[i]
		key, at := "mail.moved.before", j.ToldOf(k.Shop, x)
		if i == len(j.Promises)-1 {
			key, at = "mail.moved.now", j.DueOf(k.Shop, x, k.now)
		}
		if at.IsZero() {
			continue
		}
		value := w.Date(at, k.loc)
		if !x.BreachedAt.IsZero() {
			value = w.T("mail.moved.missed", value)
		}
		rows.Rows = append(rows.Rows, MailRow{w.T(key), value})
	}
	k.paras("mail.moved.why", p.Reason)
	k.add(rows)
	if d := j.Delay(); d != nil && d.NewPromise == p.Number {
		k.delay()
	}
	k.m.Status.WhenWhy = nil // said already
}

func (k *mailMaker) breach() {
	missed := k.m.Status.Due
	if n := k.Entry.Ref; n >= 1 && n <= len(k.j.Promises) && !k.j.Promises[n-1].BreachedAt.IsZero() {
		missed = k.j.Promises[n-1].BreachedAt
	}
	k.say("breach", k.day(missed))
	k.delay()
	k.m.Status.WhenWhy = nil // said already
}

func (k *mailMaker) expired() {
	k.say("expired")
	k.fee()
	k.paras("mail.next", k.w.T("mail.expired.next"))
}

func (k *mailMaker) message() {
	n := k.Entry.Ref
	if n < 1 || n > len(k.j.Messages) {
		k.link()
		return
	}
	msg := &k.j.Messages[n-1]
	if msg.Question {
		k.say("question")
		k.m.Act.Words = k.w.T("mail.act.answer")
	} else {
		k.say("message")
	}
	k.add(MailSection{Heading: k.w.T("mail.message.from", k.Shop.Name), Letter: k.clip(msg.Text.Text), After: k.w.T("mail.message.after")})
}

func (k *mailMaker) link() { k.say("link", k.m.Number) }

// Fold breaks a text into lines of at most 72 characters, each begun with a prefix. Lines that the
// writer broke stay broken; a word that is longer, such as an address, stays whole.
func (MailText) Fold(prefix, s string) string {
	const width = 72
	var out []string
	for _, line := range strings.Split(s, "\n") {
		at := prefix
		n := utf8.RuneCountInString(prefix)
		used := n
		// Only where a text may break: "1 250,00 €" and a sign of French punctuation stay together.
		for _, word := range strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == '\t' || r == '\r' }) {
			size := utf8.RuneCountInString(word)
			if used > n && used+1+size > width {
				out = append(out, at)
				at, used = prefix, n
			}
			if used > n {
				at += " "
				used++
			}
			at += word
			used += size
		}
		out = append(out, strings.TrimRight(at, " "))
	}
	return strings.Join(out, "\n")
}

// Item folds a list's item: the first line begins with a dash.
func (t MailText) Item(s string) string {
	s = t.Fold("  ", s)
	if strings.HasPrefix(s, "  ") {
		return "- " + s[2:]
	}
	return "- " + s
}

// Heading2 underlines a section's heading.
func (MailText) Heading2(s string) string {
	return s + "\n" + strings.Repeat("-", min(utf8.RuneCountInString(s), 72))
}
