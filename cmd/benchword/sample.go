package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"benchword/notify/mail"
	"benchword/templates"
	"benchword/templates/locale"
	"benchword/workflow"
	"benchword/workflow/money"
	"benchword/workflow/store/memory"
)

// sampler plays an invented job through the shop's own settings, in memory, so that the owner sees texts
// where customers will read them. Nothing of it touches the shop's data.
type sampler struct {
	service *workflow.Service // of the shop, for its settings and link keys
	set     *templates.Set
	from    string
}

// sample is the invented job as it stood at every notice, and while its quote waited.
type sample struct {
	mails   *mail.Writer
	clock   *time.Time
	made    map[workflow.NoticeKind]sampleNotice
	waiting *workflow.Job
}

type sampleNotice struct {
	job   *workflow.Job
	entry workflow.Entry
}

// play makes a sample for a customer of that language. What this shop's settings do not let happen is left
// out of it.
func (s *sampler) play(ctx context.Context, lang string, words *locale.Set) (*sample, error) {
	shop := *s.service.Shop
	shop.Languages, shop.ConfirmBookings = []string{lang}, false
	shop.Consent, shop.ConsentRecycle = templates.Consent(words, locale.Languages, "words"), templates.Consent(words, locale.Languages, "recycle")
	now := s.service.Now().UTC()
	svc := workflow.Service{
		Shop: &shop, Links: s.service.Links, Random: s.service.Random, Log: slog.New(slog.DiscardHandler),
		Now: func() time.Time { return now },
	}.On(memory.New())
	out := &sample{clock: &now, made: map[workflow.NoticeKind]sampleNotice{}, mails: &mail.Writer{Service: svc, Templates: s.set, Words: words, From: s.from}}
	var n workflow.JobNumber
	seen := map[string]bool{}
	do := func(by workflow.Actor, commands ...workflow.Command) (*workflow.Job, error) {
		now = now.Add(time.Minute)
		j, err := svc.Do(ctx, workflow.Order{Job: n, By: by, Commands: commands})
		if err != nil {
			return nil, err
		}
		n = j.Number
		entries, err := svc.Entries(ctx, n)
		if err != nil {
			return nil, err
		}
		for _, e := range entries {
			if _, known := out.made[e.Kind]; !known && !seen[e.ID] {
				out.made[e.Kind] = sampleNotice{j, e}
			}
			seen[e.ID] = true
		}
		return j, nil
	}
	quote := func(reason, hour string) workflow.IssueQuote {
		return workflow.IssueQuote{Reason: reason, Options: []workflow.Option{
			{Kind: workflow.OptionRepair, Title: "Repair", WorkingDays: 3, WarrantyDays: 90, Price: money.Request{Lines: []money.Line{
				{Kind: money.Labour, Text: "Bench time", Quantity: money.MustDecimal("1.5"), UnitPrice: money.MustDecimal(hour)},
				{Kind: money.Carriage, Text: "Parcel back", Quantity: money.MustDecimal("1"), UnitPrice: money.MustDecimal("18")}}}},
		}}
	}
	desk := workflow.Actor{Role: workflow.RoleOwner, ID: "sample"}
	person := workflow.Person{Name: "Robin O’Hara", Email: "robin@post.example", Phone: "+1 555 0100", Language: lang}
	book := func() error {
		n = ""
		_, err := do(byLink, workflow.Book{Person: person, Kind: "film scanner", Maker: "Halden", Model: "FS-35", Fault: "It starts, then stops half-way."})
		return err
	}
	later := func(d time.Duration) error {
		now = now.Add(d)
		_, err := do(workflow.Actor{Role: workflow.RoleSystem, ID: "clock"}, workflow.Wake{})
		return err
	}
	steps := func(steps ...[]workflow.Command) error {
		for _, commands := range steps {
			if _, err := do(desk, commands...); err != nil {
				return err
			}
		}
		return nil
	}
	arrived := [][]workflow.Command{
		{workflow.AddPhoto{Photo: workflow.Photo{Kind: workflow.PhotoArrival, Original: "x", Caption: workflow.Plain("The parcel as it came")}},
			workflow.ListContents{Items: []workflow.Item{{Text: "Film scanner", Device: true}, {Text: "Power supply"}}},
			workflow.AnswerScreening{Screening: workflow.Screening{Lithium: workflow.No, CellDamaged: workflow.No, Mains: workflow.Yes, Liquid: workflow.No}},
			workflow.Go{To: workflow.StageReceived}},
		{workflow.NoteCondition{Text: "Clean, one scratch."}, workflow.TryFault{Result: workflow.FaultReproduced}, workflow.Go{To: workflow.StageDiagnosing}},
		{workflow.NoteFinding{Finding: workflow.Finding{Text: "A solder joint is cracked.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}},
			workflow.NoteFinding{Finding: workflow.Finding{Text: "A wire has been added.", Origin: workflow.OriginEarlierWork, Weight: workflow.WeightPutRight, Certainty: workflow.CertaintyInferred}},
			workflow.NameSuspect{Text: "The motor"}, workflow.DoCheck{Suspect: 1, Check: workflow.Check{Text: "Ran it by itself", Outcome: workflow.CheckRuledOut}}},
		{workflow.SendReport{Text: workflow.ReportText{Short: "It can be repaired.", Cause: "The joint opens when it warms up.", Certainty: workflow.CertaintySeen, Proposal: "Remake the joint."}},
			quote("", "60"), workflow.Go{To: workflow.StageAwaitingApproval}},
	}
	decide := func(v workflow.Verdict, option, words string) error {
		j, err := svc.Job(ctx, n)
		if err != nil {
			return err
		}
		_, err = do(byLink, workflow.Decide{Verdict: v, Digest: j.Quote().Digest, Option: option, Name: "Robin O’Hara", Words: words})
		return err
	}
	first := func() error {
		if err := book(); err != nil {
			return err
		}
		if err := steps(arrived...); err != nil {
			return err
		}
		var err error
		if out.waiting, err = svc.Job(ctx, n); err != nil {
			return err
		}
		if err := steps([]workflow.Command{workflow.SendMessage{Text: "May we keep the worn part?", Question: true}}); err != nil {
			return err
		}
		if _, err := do(byLink, workflow.AskLink{}); err != nil {
			return err
		}
		if err := decide(workflow.VerdictApprove, "A", ""); err != nil {
			return err
		}
		if err := steps([]workflow.Command{
			workflow.NoteFinding{Finding: workflow.Finding{Text: "A belt is worn.", Origin: workflow.OriginWear, Weight: workflow.WeightFault, Certainty: workflow.CertaintySeen}},
			quote("A belt is worn as well.", "70"), workflow.Go{To: workflow.StageAwaitingApproval}}); err != nil {
			return err
		}
		if err := decide(workflow.VerdictApprove, "A", ""); err != nil {
			return err
		}
		if err := later(shop.UndoFor + time.Hour); err != nil {
			return err
		}
		ready := []workflow.Command{workflow.DoWork{Text: "Remade the joint."}, workflow.Go{To: workflow.StageTesting}}
		for _, name := range append([]string{workflow.SafetyTest}, shop.Tests...) {
			ready = append(ready, workflow.DoTest{Test: workflow.Test{Name: name, Passed: true}})
		}
		if err := steps(
			[]workflow.Command{workflow.MovePromise{Days: 8, Reason: "A part came late."}}, append(ready, workflow.DeclareReady{}),
		); err != nil {
			return err
		}
		if j, err := svc.Job(ctx, n); err == nil && j.Balance(&shop).Minor > 0 {
			if err := steps([]workflow.Command{workflow.RecordPayment{Amount: j.Balance(&shop).Plain(), How: "bank"}}); err != nil {
				return err
			}
		}
		return steps([]workflow.Command{workflow.Pack{Items: []workflow.PackedItem{{Item: 1, Fate: workflow.FateReturned}, {Item: 2, Fate: workflow.FateReturned}}},
			workflow.PrepareShipment{Carrier: "Coast Parcels", Parcel: "RB123456785CA"}, workflow.Go{To: workflow.StageShipped}})
	}
	second := func() error { // nobody answers
		if err := book(); err != nil {
			return err
		}
		if err := steps(arrived...); err != nil {
			return err
		}
		for range 6 {
			if err := later(time.Duration(max(shop.QuoteDays, 6)) * 24 * time.Hour / 5); err != nil {
				return err
			}
		}
		return nil
	}
	third := func() error { // late, and the quote taken back
		if err := book(); err != nil {
			return err
		}
		if err := steps(arrived[:3]...); err != nil {
			return err
		}
		if err := later(time.Duration(shop.PromiseDays+10) * 2 * 24 * time.Hour); err != nil {
			return err
		}
		if err := steps(arrived[3], []workflow.Command{workflow.WithdrawQuote{Reason: "We found more."}}); err != nil {
			return err
		}
		return nil
	}
	fourth := func() error { // cancelled
		if err := book(); err != nil {
			return err
		}
		return steps([]workflow.Command{workflow.Go{To: workflow.StageWithdrawn, Outcome: workflow.OutcomeCancelled, Reason: "You asked us to."}})
	}
	var err error
	for _, part := range []func() error{first, second, third, fourth} {
		if e := part(); e != nil {
			s.service.Log.Warn("a sample for the page of words is not whole", "cause", e)
			err = e
		}
	}
	if out.waiting == nil {
		return nil, fmt.Errorf("no sample could be made: %w", err)
	}
	return out, nil
}

// mail implements [counter.Config]'s SampleMail.
func (s *sampler) mail(ctx context.Context, words *locale.Set, lang string, kind workflow.NoticeKind) (html, text []byte, err error) {
	x, err := s.play(ctx, lang, words)
	if err != nil {
		return nil, nil, err
	}
	kept, ok := x.made[kind]
	if !ok {
		return nil, nil, &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no sample of this mail."}
	}
	*x.clock = kept.entry.MadeAt
	return x.mails.PreviewEntry(ctx, kept.job, &kept.entry)
}

// job implements [counter.Config]'s SampleJob.
func (s *sampler) job(ctx context.Context, words *locale.Set, lang string) (*workflow.Job, error) {
	x, err := s.play(ctx, lang, words)
	if err != nil {
		return nil, err
	}
	return x.waiting, nil
}
