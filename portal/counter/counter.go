// Package counter is what staff see: the board of jobs in the order of their promise, and everything that
// is done to a job from the parcel to the post.
//
// Rules that every page keeps: a job changes only through [workflow.Service.Do]; a GET changes nothing.
// A form that is refused comes back with all that was typed, the plain sentence beside its field and
// above the form; one that is accepted redirects (303) with a sentence on the next page. Sending a form
// twice does its step once. Every page works without scripts. What a role can't do is not offered, and
// refused if it is tried all the same. Photos that came with a refused form are kept on the job, since a
// browser can't send them again by itself.
package counter

import (
	"context"
	"embed"
	"sync"

	"benchword/portal"
	"benchword/portal/action"
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// Config is what the counter needs beyond the portal.
type Config struct {
	// PreviewMail renders the mail that a notice of this kind would be, for a job as it would then stand.
	// Pictures in it are addresses on this server or data addresses. If nil, no mail is shown.
	PreviewMail func(ctx context.Context, j *workflow.Job, kind workflow.NoticeKind) (html, text []byte, err error)
	// SampleMail renders a mail about an invented job in these words; SampleJob gives such a job while its
	// quote waits. If nil, the page of words shows no samples.
	SampleMail func(ctx context.Context, words *locale.Set, lang string, kind workflow.NoticeKind) (html, text []byte, err error)
	SampleJob  func(ctx context.Context, words *locale.Set, lang string) (*workflow.Job, error)
}

//go:embed *.html
var files embed.FS

// load parses the counter's pages, once for all shops of the process.
var load = sync.OnceValues(func() (*templates.Set, error) { return templates.Parse(files, "parts.html", "measure.html") })

type counter struct {
	s     *portal.Server
	cfg   Config
	pages *templates.Set
}

var (
	counterUp = []workflow.Role{workflow.RoleCounter, workflow.RoleOwner}
	ownerOnly = []workflow.Role{workflow.RoleOwner}
)

// Mount adds the counter's pages to the portal. It fails only where a template can't be parsed.
func Mount(s *portal.Server, cfg Config) error {
	pages, err := load()
	if err != nil {
		return err
	}
	x := &counter{s: s, cfg: cfg, pages: pages}
	g := s.App().Group("/counter")
	g.Get("/sign-in", x.showSignIn)
	g.Post("/sign-in", s.AskStrangers(), x.postSignIn)
	anybody := s.Need()
	desk := s.Need(counterUp...)
	g.Post("/sign-out", anybody, x.postSignOut)
	g.Get("/sign-in/second", x.showSecond)
	g.Post("/sign-in/second", s.Ask(false), x.postSecond)
	g.Post("/sign-in/passkey/options", x.passkeyToUse)
	g.Post("/sign-in/passkey", s.Ask(false), x.postPasskey)
	g.Get("/welcome/:secret", s.Ask(false), x.showWelcome)
	g.Post("/welcome/:secret", s.Ask(false), x.postWelcome)
	x.accountRoutes(g)
	x.staffRoutes(g)
	x.phoneRoutes(g)
	g.Get("/", anybody, x.showBoard)
	g.Get("/search", anybody, x.showSearch)
	g.Get("/hours", anybody, x.showHours)
	owner := s.Need(ownerOnly...)
	g.Get("/words", owner, x.showWords)
	g.Get("/words/mail", owner, x.wordsMail)
	g.Get("/words/page", owner, x.wordsPage)
	g.Get("/log", owner, x.showLog)
	g.Get("/figures", owner, x.showFigures)
	g.Get("/figures/:table.csv", owner, x.figureFile)
	g.Get("/mails", anybody, x.showMails)
	g.Post("/mails/hook", desk, x.postHook)
	g.Post("/mails/again", desk, x.postOtherAgain)
	g.Get("/new", desk, x.showNew)
	g.Post("/new", desk, x.postNew)

	j := g.Group("/job/:number")
	j.Get("/", anybody, x.showJob)
	j.Get("/history", anybody, x.showHistory)
	j.Get("/photo/:id/:size.jpg", anybody, x.photoFile)
	j.Get("/quote/:n/:form.pdf", anybody, x.quotePaper)
	j.Get("/decisions", anybody, x.showDecisions)
	j.Get("/decisions.json", desk, x.exportDecisions)
	j.Get("/data.zip", owner, x.dataFile)
	j.Get("/report/preview/paper.pdf", anybody, x.previewPaper)
	j.Get("/report/preview/page", anybody, x.previewPage)
	j.Get("/report/preview/quote", anybody, x.previewQuote)
	j.Get("/report/preview/mail", anybody, x.previewMail)
	j.Post("/quote/total", anybody, x.quoteTotal)
	j.Post("/photos/one", anybody, x.photoOne)
	for _, t := range tasks() {
		need := anybody
		if !t.Draft {
			need = s.Need(workflow.RolesFor(t.Command)...)
		}
		if t.view != nil {
			j.Get("/"+t.Form, need, x.show(t))
		}
		if t.read != nil {
			j.Post("/"+t.Form, need, x.post(t))
		}
	}
	j.Get("/damage/:lang.pdf", anybody, x.damagePaper)
	j.Get("/slip.pdf", anybody, x.slipPaper)
	j.Get("/report/:n.pdf", anybody, x.showSentPaper)
	j.Get("/report/:n", anybody, x.showSent)
	return nil
}

// render sends one of the counter's pages.
func (x *counter) render(c *fiber.Ctx, status int, v templates.View) error {
	return x.s.RenderFrom(x.pages, c, status, v)
}

// taskBy returns how each form of the list of actions is shown and read here.
func taskBy() map[string]*task {
	return map[string]*task{
		"intake": intakeTask, "look": lookTask, "photos": photosTask, "photos/words": photoWordsTask, "photo/:id": photoTask,
		"photo/:id/remove": photoRemoveTask, "finding": findingTask, "finding/:id": correctTask, "finding/:id/withdraw": withdrawTask, "checks": checksTask,
		"symptom": symptomTask, "check-plan": planTask, "begin": beginTask, "work": workTask, "duties": dutiesTask, "duty/done": dutyDoneTask, "duty/waive": dutyWaiveTask,
		"safe": safeTask, "tests": testsTask, "test": testTask, "test/begin": soakTask, "shut": shutTask, "ready": readyTask, "packing": packingTask, "arrival": arrivalTask, "damage": damageTask, "damage/told": damageToldTask, "hold": holdTask, "hold/lift": liftTask,
		"report": reportTask, "report/preview": previewTask, "report/send": sendTask, "quote": quoteTask, "quote/back": takeBackTask, "answer": answerTask,
		"undo": undoTask, "charge": chargeTask, "promise": promiseTask, "delay": delayTask, "delay/choice": delayChoiceTask, "level": levelTask,
		"payment": paymentTask, "customer": customerTask, "customer/change": changeTask, "customer/wishes": wishesTask, "passcode": passcodeTask, "passcode/give": passcodeGiveTask, "passcode/wipe": passcodeWipeTask, "letters": lettersTask, "letters/confirm": letterConfirmTask, "link": linkTask, "link/revoke": linkRevokeTask, "link/mail": linkMailTask,
		"notices": noticesTask, "notices/again": againTask, "notices/told": toldTask, "data": dataTask, "erase": eraseTask, "move/:to": moveTask,
	}
}

// tasks returns every form on a job, in the order of the list of actions.
func tasks() []*task {
	var out []*task
	by := taskBy()
	for _, a := range action.List {
		t := by[a.Form]
		if t == nil || t.Form != "" {
			continue // it has no form, or an action before has the same
		}
		made := *t
		made.Action, made.on = a, by[a.On]
		by[a.Form] = &made
		out = append(out, &made)
	}
	return out
}
