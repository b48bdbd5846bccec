package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"benchword/notify"
	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics are what Prometheus reads of a shop's mails. They name no job and no person.
type metrics struct {
	service    *workflow.Service
	dispatcher func() notify.Health
	registry   *prometheus.Registry
	attempts   *prometheus.CounterVec
	accepted   prometheus.Histogram

	oldest, buried, away *prometheus.Desc
}

func newMetrics(service *workflow.Service) *metrics {
	m := &metrics{
		service: service, registry: prometheus.NewRegistry(),
		attempts: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "benchword_notice_attempts_total", Help: "Tries at sending a notice, by its way (mail, hook:name, push) and what came of them."}, []string{"way", "result"}),
		accepted: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "benchword_mail_accept_seconds", Help: "Time from when an email was due until the mail server accepted it.",
			Buckets: []float64{1, 5, 15, 60, 300, 900, 3600, 6 * 3600, 24 * 3600},
		}),
		oldest: prometheus.NewDesc("benchword_outbox_oldest_seconds", "Age of the oldest notice that waits, by way, 0 if none does (of the thousand oldest).", []string{"way"}, nil),
		buried: prometheus.NewDesc("benchword_outbox_given_up", "Notices given up and not sent again, by way (counted up to 1000).", []string{"way"}, nil),
		away:   prometheus.NewDesc("benchword_mail_server_away_seconds", "How long the mail server has been away, 0 while it is there.", nil, nil),
	}
	for _, r := range []notify.Fate{notify.Accepted, notify.PutOff, notify.Unknown, notify.Unreached, notify.Refused, notify.Unwritten, notify.Held, notify.Paced} {
		m.attempts.WithLabelValues("mail", string(r)) // so that a figure is there before it is needed
	}
	m.register(m.registry)
	return m
}

// register lets a registry give the figures.
func (m *metrics) register(r prometheus.Registerer) { r.MustRegister(m, m.attempts, m.accepted) }

// tried takes a try into the figures.
func (m *metrics) tried(e *workflow.Entry, fate notify.Fate, _ time.Duration) {
	m.attempts.WithLabelValues(channelOf(e.Channel), string(fate)).Inc()
	if fate == notify.Accepted && e.Channel == workflow.Email {
		due := e.MadeAt
		if len(e.Attempts) == 0 && e.NotBefore.After(due) {
			due = e.NotBefore
		}
		m.accepted.Observe(max(m.service.Now().Sub(due).Seconds(), 0))
	}
}

// Describe implements [prometheus.Collector].
func (m *metrics) Describe(to chan<- *prometheus.Desc) { to <- m.oldest; to <- m.buried; to <- m.away }

// Collect implements [prometheus.Collector]: what the outbox knows is asked for when somebody wants it.
func (m *metrics) Collect(to chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	now := m.service.Now()
	since := func(t time.Time) float64 {
		if t.IsZero() {
			return 0
		}
		return max(now.Sub(t).Seconds(), 0)
	}
	gauge := func(d *prometheus.Desc, v float64, err error) {
		if err != nil {
			to <- prometheus.NewInvalidMetric(d, err)
			return
		}
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v)
	}
	// By way: one that is switched off must not hide the others' figures, whatever gathered for it. Those of
	// mail are there always.
	const among = 20_000
	by := func(d *prometheus.Desc, state workflow.EntryState, of func(found []workflow.Entry) float64) {
		all, err := m.service.EntriesIn(ctx, state, among)
		found := map[string][]workflow.Entry{"mail": nil}
		for _, e := range all {
			found[channelOf(e.Channel)] = append(found[channelOf(e.Channel)], e)
		}
		for way, entries := range found {
			if err != nil {
				to <- prometheus.NewInvalidMetric(d, err)
				return
			}
			to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, of(entries), way)
		}
	}
	by(m.oldest, workflow.EntryQueued, func(waits []workflow.Entry) float64 {
		if len(waits) == 0 {
			return 0
		}
		return since(waits[0].MadeAt)
	})
	by(m.buried, workflow.EntryBuried, func(given []workflow.Entry) float64 { return float64(len(given)) })
	if m.dispatcher != nil {
		gauge(m.away, since(m.dispatcher().AwaySince), nil)
	}
}

// workersEnded gives the processes for pictures that had to be ended, of all shops of the process.
func workersEnded(w *evidence.Workers) prometheus.Collector {
	return endings{w, prometheus.NewDesc("benchword_picture_processes_ended_total", "Processes ended by a picture that took too much of them, by cause; the picture was refused.", []string{"cause"}, nil)}
}

type endings struct {
	workers *evidence.Workers
	desc    *prometheus.Desc
}

// Describe implements [prometheus.Collector].
func (e endings) Describe(to chan<- *prometheus.Desc) { to <- e.desc }

// Collect implements [prometheus.Collector].
func (e endings) Collect(to chan<- prometheus.Metric) {
	for i, n := range e.workers.Ended() {
		to <- prometheus.MustNewConstMetric(e.desc, prometheus.CounterValue, float64(n), evidence.Endings[i])
	}
}

// channelOf names the channel of an entry.
func channelOf(v workflow.Channel) string {
	if v == "" {
		return "mail"
	}
	return string(v.Base())
}

// handler answers Prometheus.
func (m *metrics) handler() http.Handler { return metricsHandler(m.registry) }

// metricsHandler answers Prometheus, under any path.
func metricsHandler(r *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{})
}

// serveMetrics answers Prometheus on an address of its own, which is not public, until it is closed.
func serveMetrics(addr string, h http.Handler) (io.Closer, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("can't listen on web.metrics %s: %w", addr, err)
	}
	s := &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = s.Serve(l) }()
	return s, nil
}
