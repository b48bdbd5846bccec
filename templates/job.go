package templates

import (
	"time"

	"benchword/templates/locale"
	"benchword/workflow"
)

// JobView is what staff see of a job in the same shapes as its customer, in English.
type JobView struct {
	Contents []ContentView
	Findings []FindingView // the withdrawn ones too
	Suspects []SuspectView
	Promises []PromiseView
	Holds    []HoldView
	Strip    *StripView
	Paid     *PaidView
	Story    []MomentView
}

// JobViewOf returns the view at an instant; base is the job's address, urls those of its photos.
func JobViewOf(j *workflow.Job, shop *workflow.Shop, now time.Time, base string, urls PhotoURLs) JobView {
	m := &statusMaker{j, shop, now, locale.For("en"), zoneOf(shop)}
	show := func(ids []int) ([]PhotoView, string) { return PhotosOf(j, ids, m.w, m.loc, urls), "" }
	v := JobView{
		Contents: ContentsOf(j, m.w), Promises: m.promises(), Holds: m.holds(),
		Strip: m.stripOf(true), Paid: PaidOf(j, shop, m.w), Story: m.story(base, urls),
	}
	for i := range j.Findings {
		v.Findings = append(v.Findings, findingView(j, &j.Findings[i], m.w, show))
	}
	for i := range j.Suspects {
		v.Suspects = append(v.Suspects, suspectView(&j.Suspects[i], m.w, show))
	}
	return v
}
