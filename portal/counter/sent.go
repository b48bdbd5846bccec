package counter

import (
	"strconv"

	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// sentPage is a report as it was sent.
type sentPage struct {
	jobBase
	Report templates.ReportView
}

func (*sentPage) Template() string { return "sent.html" }

// sent returns the report that the address names.
func (x *counter) sent(c *fiber.Ctx) (*request, *workflow.Report, error) {
	r, err := x.open(c, "")
	if err != nil {
		return nil, nil, err
	}
	n := r.param("n")
	if n < 1 || n > len(r.job.Reports) {
		return nil, nil, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such findings report on this job."}
	}
	return r, &r.job.Reports[n-1], nil
}

// showSentPaper is a report that was sent, as PDF.
func (x *counter) showSentPaper(c *fiber.Ctx) error {
	r, sent, err := x.sent(c)
	if err != nil {
		return err
	}
	return x.s.SendReportPaper(c, r.job, sent)
}

// showSent shows a report as it was sent.
func (x *counter) showSent(c *fiber.Ctx) error {
	r, sent, err := x.sent(c)
	if err != nil {
		return err
	}
	v := &sentPage{jobBase: r.title("Report " + strconv.Itoa(sent.Number))}
	v.Report = templates.ReportOf(r.job, sent, x.s.Shop(), x.s.Now(), r.customersWords(), photoURLs(r.job))
	return x.render(c, fiber.StatusOK, v)
}
