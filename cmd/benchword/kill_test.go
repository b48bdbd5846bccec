package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	mathrand "math/rand/v2"
	"net"
	"net/http"
	"net/mail"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"benchword/notify/smtptest"
	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/longtest"

	"github.com/stretchr/testify/require"
)

// serveFolder tells the test binary to be a server: the real "benchword serve", in a process that can
// be killed.
const serveFolder = "BENCHWORD_TEST_SERVE"

func TestMain(m *testing.M) {
	evidence.WorkIfWorker()
	if dir := os.Getenv(serveFolder); dir != "" {
		ctx, _ := signal.NotifyContext(context.Background(), syscall.SIGTERM)
		if _, err := os.Stat(filepath.Join(dir, deploymentName)); err == nil {
			os.Exit(run(ctx, []string{"serve", "--shops", dir}, os.Stdin, os.Stdout, io.Discard))
		}
		os.Exit(run(ctx, []string{"serve", "--config", filepath.Join(dir, "shop.toml"), "--data", filepath.Join(dir, "data")}, os.Stdin, os.Stdout, io.Discard))
	}
	if args := os.Getenv(runCommand); args != "" {
		os.Exit(run(context.Background(), strings.Split(args, "\n"), os.Stdin, os.Stdout, os.Stderr))
	}
	if at := os.Getenv(listenTo); at != "" {
		if err := browsers(at); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	portal.HashMemory = 64 // KiB
	here := http.DefaultTransport.(*http.Transport)
	here.Proxy, here.DialContext = nil, dialHere
	os.Exit(m.Run())
}

// dialHere finds every host below .example on this machine, so that shops can be asked by their hosts.
func dialHere(ctx context.Context, network, addr string) (net.Conn, error) {
	if host, port, err := net.SplitHostPort(addr); err == nil && strings.HasSuffix(host, ".example") {
		addr = net.JoinHostPort("127.0.0.1", port)
	}
	return new(net.Dialer).DialContext(ctx, network, addr)
}

// TestKilledAtAnyMoment kills a running server, in a long run two hundred times (SIGKILL), in the middle of a stream of
// commands and mails. After each restart every command that was acknowledged is there; at the end every
// event that leads to a notice has it, every notice was sent, and no notice ever went out under two
// Message-IDs or with two contents.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	kills := longtest.Times(200, 25, 2)
	dir := t.TempDir()
	post, err := smtptest.Start(smtptest.Config{})
	require.NoError(t, err)
	defer func() { require.NoError(t, post.Close()) }()
	settings := fmt.Sprintf(demoSettings, "http://127.0.0.1:1") + fmt.Sprintf("host = \"127.0.0.1\"\nport = %d\nsecurity = \"none\"\n[web]\nlisten = \"127.0.0.1:0\"\n", post.Port())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "shop.toml"), []byte(settings), 0o600))
	var token string
	require.NoError(t, withStore(context.Background(), filepath.Join(dir, "shop.toml"), filepath.Join(dir, "data"), func(s *workflow.Service) error {
		var err error
		token, err = portal.AddToken(context.Background(), s, "stream", workflow.RoleCounter, time.Time{})
		return err
	}))

	acked := map[string][]string{} // job -> texts acknowledged on it
	for k := range kills {
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), serveFolder+"="+dir)
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		line, err := bufio.NewReader(out).ReadString('\n')
		require.NoError(t, err, "the server did not start")
		base := "http://" + strings.TrimSpace(line[strings.LastIndex(line, " on ")+4:])

		var mu sync.Mutex
		var wg sync.WaitGroup
		dead := make(chan struct{})
		for w := range 4 {
			wg.Go(func() {
				for i := 0; ; i++ {
					select {
					case <-dead:
						return
					default:
					}
					text := fmt.Sprintf("word %d-%d-%d", k, w, i)
					mu.Lock()
					job := ""
					for n := range acked { // any one, or none
						if mathrand.IntN(3) > 0 {
							job = n
						}
						break
					}
					mu.Unlock()
					n, ok := sendWord(base, token, job, text)
					if ok {
						mu.Lock()
						acked[n] = append(acked[n], text)
						mu.Unlock()
					}
				}
			})
		}
		if k == 0 { // the first lives until it has acknowledged something, however slow the machine is
			require.Eventually(t, func() bool {
				mu.Lock()
				defer mu.Unlock()
				return len(acked) > 0
			}, time.Minute, 5*time.Millisecond, "nothing was acknowledged")
		}
		time.Sleep(time.Duration(5+mathrand.IntN(90)) * time.Millisecond)
		require.NoError(t, child.Process.Signal(syscall.SIGKILL))
		close(dead)
		_ = child.Wait()
		wg.Wait()

		require.NoError(t, withStore(context.Background(), filepath.Join(dir, "shop.toml"), filepath.Join(dir, "data"), func(s *workflow.Service) error {
			for n, texts := range acked {
				if k < kills-1 && mathrand.IntN(20) > 0 {
					continue // a sample each time, all of them at the end
				}
				j, err := s.Job(context.Background(), workflow.JobNumber(n))
				require.NoError(t, err, "job %s was acknowledged and is gone after kill %d", n, k+1)
				there := map[string]bool{j.Fault.Text: true}
				for _, m := range j.Messages {
					there[m.Text.Text] = true
				}
				for _, x := range texts {
					require.True(t, there[x], "%q was acknowledged on %s and is gone after kill %d", x, n, k+1)
				}
			}
			return nil
		}))
	}
	require.NotEmpty(t, acked)

	// Let a last server send what is left, and stop it in peace.
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), serveFolder+"="+dir)
	out, err := child.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, child.Start())
	// Only once it has the folder may others look into it beside it.
	_, err = bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err, "the last server did not start")
	require.Eventually(t, func() bool {
		left := 1
		err := withStore(context.Background(), filepath.Join(dir, "shop.toml"), filepath.Join(dir, "data"), func(s *workflow.Service) error {
			list, err := s.EntriesIn(context.Background(), workflow.EntryQueued, 1)
			left = len(list)
			return err
		})
		return err == nil && left == 0
	}, 10*time.Minute, 200*time.Millisecond, "mails were left behind")
	require.NoError(t, child.Process.Signal(syscall.SIGTERM))
	require.NoError(t, child.Wait(), "a stop in peace ends with 0")

	sent := map[string]map[string][]byte{} // job -> Message-ID -> bytes
	for _, m := range post.Mails() {
		msg, err := mail.ReadMessage(bytes.NewReader(m.Data))
		require.NoError(t, err)
		id := msg.Header.Get("Message-Id")
		job := regexp.MustCompile(`[0-9A-Z]{7}`).FindString(id)
		if sent[job] == nil {
			sent[job] = map[string][]byte{}
		}
		if before, ok := sent[job][id]; ok {
			require.Equal(t, string(before), string(m.Data), "a repeat of %s has other contents", id)
		}
		sent[job][id] = m.Data
	}
	notices, events := 0, 0
	require.NoError(t, withStore(context.Background(), filepath.Join(dir, "shop.toml"), filepath.Join(dir, "data"), func(s *workflow.Service) error {
		for n := range acked {
			list, err := s.Events(context.Background(), workflow.JobNumber(n), 0)
			require.NoError(t, err)
			_, err = workflow.VerifyChain(list)
			require.NoError(t, err)
			want, made := 0, map[string]bool{}
			for _, e := range list {
				events++
				switch p := e.Payload.(type) {
				case *workflow.JobBooked, *workflow.MessageSent:
					want++
				case *workflow.NoticeMade:
					made[p.ID] = true
				}
			}
			require.Len(t, made, want, "job %s: an event stands without its notice", n)
			require.Len(t, sent[n], want, "job %s: its notices went out under other Message-IDs than they are", n)
			notices += want
		}
		return nil
	}))
	t.Logf("%d kills, %d jobs, %d events, %d notices, %d mails received (%d repeats with the same Message-ID and bytes)", kills, len(acked), events, notices, len(post.Mails()), len(post.Mails())-notices)
}

// sendWord books a job, or writes a message on one; it reports the job and whether it was acknowledged.
func sendWord(base, token, job, text string) (string, bool) {
	path, body := "/api/v1/jobs", fmt.Sprintf(`{"person":{"name":"Kit","email":"kit@post.example"},"kind":"field recorder","fault":%q}`, text)
	if job != "" {
		path, body = "/api/v1/jobs/"+job+"/messages", fmt.Sprintf(`{"text":%q}`, text)
	}
	req, err := http.NewRequest(http.MethodPost, base+path, strings.NewReader(body))
	if err != nil {
		return "", false
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+token)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", false
	}
	defer resp.Body.Close()
	var j struct{ Number string }
	if err := json.NewDecoder(resp.Body).Decode(&j); err != nil || resp.StatusCode >= 300 {
		return "", false
	}
	return j.Number, true
}
