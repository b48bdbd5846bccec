package counter

import (
	"benchword/templates"
	"benchword/workflow"

	"github.com/gofiber/fiber/v2"
)

// dataPage sends the customer what is kept about them, once the owner has read it.
type dataPage struct {
	jobBase
	// Email is where it goes, "" for nowhere; Unproven says that nobody knows whether that is the customer's.
	Email    string
	Unproven bool
}

func (*dataPage) Template() string { return "data.html" }

var dataTask = &task{
	view: func(r *request) (templates.View, error) {
		if !r.job.Erased.IsZero() {
			return nil, &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job; nothing is kept about them."}
		}
		return &dataPage{r.title("What we keep about them"), r.job.Customer.Email.Text, !r.job.Proven()}, nil
	},
	read: func(r *request) ([]workflow.Command, error) {
		if r.value("read") != "yes" {
			r.form.Add("read", "Read the file first, and say that you have.")
			return nil, nil
		}
		return []workflow.Command{workflow.SendData{}}, nil
	},
	said: "The link to the file is on its way by email. It works for a week.",
}

func (x *counter) dataFile(c *fiber.Ctx) error {
	j, err := x.load(c)
	if err != nil {
		return err
	}
	if !j.Erased.IsZero() {
		return &workflow.Error{Code: workflow.CodeGone, Message: "The person was erased from this job; nothing is kept about them."}
	}
	return x.s.SendData(c, j)
}
