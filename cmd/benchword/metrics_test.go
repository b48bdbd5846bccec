package main

import (
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"benchword/notify/smtptest"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/stretchr/testify/require"
)

// What Prometheus reads, held to its own linter; nothing in it names a job or a person, and the public
// address does not have it.
func TestMetrics(t *testing.T) {
	s := newStage(t)
	problems, err := testutil.GatherAndLint(s.srv.metrics.registry)
	require.NoError(t, err)
	require.Empty(t, problems)
	read := func() string {
		w := httptest.NewRecorder()
		s.srv.metrics.handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
		require.Equal(t, 200, w.Code)
		return w.Body.String()
	}
	value := func(name string) string {
		m := regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(name) + ` (.*)$`).FindStringSubmatch(read())
		require.NotNil(t, m, name)
		return m[1]
	}
	require.Equal(t, "0", value(`benchword_outbox_oldest_seconds{way="mail"}`))
	require.Equal(t, "0", value(`benchword_picture_processes_ended_total{cause="memory"}`))
	s.post.Fail(smtptest.Fault{At: smtptest.AtRcpt, Reply: "450 4.2.0 later", Times: 1})
	n, ok := sendWord(s.base, s.tokens["counter"], "", "It hums.")
	require.True(t, ok)
	require.Eventually(t, func() bool { return value(`benchword_notice_attempts_total{result="put off",way="mail"}`) == "1" }, 10*time.Second, time.Millisecond)
	s.clock.set(s.clock.now().Add(2 * time.Hour))
	require.Equal(t, "7200", value(`benchword_outbox_oldest_seconds{way="mail"}`))
	s.settle()
	require.Equal(t, "1", value(`benchword_notice_attempts_total{result="accepted",way="mail"}`))
	require.Equal(t, "7200", value("benchword_mail_accept_seconds_sum"))
	require.Equal(t, "0", value(`benchword_outbox_oldest_seconds{way="mail"}`))
	require.NotContains(t, read(), n)
	require.NotContains(t, strings.ToLower(read()), "kit")

	resp, err := http.Get(s.base + "/metrics")
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, 404, resp.StatusCode)
}

// The mailbox of the settings is the one that is read.
func TestInboxSettings(t *testing.T) {
	none, err := (&InboxSettings{}).inbox()
	require.NoError(t, err)
	require.Nil(t, none)
	_, err = ParseSettings("x", []byte("[inbox]\nmaildir = \"/no/such/folder\"\n"))
	require.Error(t, err)
}
