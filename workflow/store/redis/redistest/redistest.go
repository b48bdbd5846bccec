// Package redistest starts Redis servers of the system's own, private to a test: one, one with a replica
// and Sentinel, or a Cluster, each in a folder of the test and on a free port of the loopback address, with
// every change synced to the disk.
package redistest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	driver "github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"
)

// Server is one running server.
type Server struct {
	Addr string
	dir  string
	args []string
	cmd  *exec.Cmd
	out  *os.File
}

// Program skips the test where there is no Redis on this machine, or fails it where CI says that there
// must be.
func Program(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("redis-server")
	if err != nil {
		if os.Getenv("CI") == "" {
			t.Skip("redis-server is not installed")
		}
		t.Fatal("redis-server is not installed: apt-get install redis-server")
	}
	return path
}

// ports returns free ports of the loopback address.
func ports(t testing.TB, n int) []int {
	t.Helper()
	var out []int
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		defer l.Close()
		out = append(out, l.Addr().(*net.TCPAddr).Port)
	}
	return out
}

// Start runs a server until the test ends: append-only file, synced with every change, unless args, which
// are settings as on redis-server's command line, say otherwise.
func Start(t testing.TB, args ...string) *Server {
	t.Helper()
	port := ports(t, 1)[0]
	s := &Server{Addr: net.JoinHostPort("127.0.0.1", strconv.Itoa(port)), dir: folder(t)}
	s.args = append([]string{
		Program(t), "--port", strconv.Itoa(port), "--bind", "127.0.0.1", "--dir", s.dir, "--save", "",
		"--appendonly", "yes", "--appendfsync", "always", "--repl-diskless-sync-delay", "0", "--repl-ping-replica-period", "1",
	}, args...)
	s.run(t)
	t.Cleanup(s.Kill)
	s.wait(t)
	return s
}

// folder is not the test's own: its name may hold what a settings file can't.
func folder(t testing.TB) string {
	dir, err := os.MkdirTemp("", "redis")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

func (s *Server) run(t testing.TB) {
	t.Helper()
	var err error
	s.out, err = os.OpenFile(filepath.Join(s.dir, "out"), os.O_CREATE|os.O_APPEND|os.O_RDWR, 0o600)
	require.NoError(t, err)
	s.cmd = exec.Command(s.args[0], s.args[1:]...)
	s.cmd.Stdout, s.cmd.Stderr = s.out, s.out
	require.NoError(t, s.cmd.Start())
}

// Kill ends the server at once (SIGKILL). Once is enough.
func (s *Server) Kill() {
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait()
	_ = s.out.Close()
	s.cmd = nil
}

// Again starts a killed server on what it left.
func (s *Server) Again(t testing.TB) {
	t.Helper()
	s.run(t)
	s.wait(t)
}

// URL returns the server's address as the store takes it.
func (s *Server) URL() string { return "redis://" + s.Addr + "/0" }

// Client connects to the server until the test ends.
func (s *Server) Client(t testing.TB) *driver.Client {
	c := driver.NewClient(&driver.Options{Addr: s.Addr, Protocol: 2, DisableIdentity: true, MaxRetries: -1})
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func (s *Server) wait(t testing.TB) {
	t.Helper()
	c := driver.NewClient(&driver.Options{Addr: s.Addr, Protocol: 2, DisableIdentity: true, MaxRetries: -1})
	defer c.Close()
	until(t, s, func() bool { return c.Ping(context.Background()).Err() == nil })
}

// until asks until it is so.
func until(t testing.TB, s *Server, so func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !so(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			log, _ := os.ReadFile(filepath.Join(s.dir, "out"))
			t.Fatalf("the Redis server at %s did not come up:\n%s", s.Addr, log)
		}
	}
}

// Replica runs a server that follows another, and waits until it has caught up.
func Replica(t testing.TB, of *Server) *Server {
	t.Helper()
	return ReplicaOver(t, of.Addr)
}

// ReplicaOver is Replica for a server behind an address, such as a [Proxy].
func ReplicaOver(t testing.TB, address string) *Server {
	t.Helper()
	host, port, _ := net.SplitHostPort(address)
	s := Start(t, "--replicaof", host, port)
	c := s.Client(t)
	until(t, s, func() bool {
		info, err := c.Info(context.Background(), "replication").Result()
		return err == nil && strings.Contains(info, "master_link_status:up")
	})
	return s
}

// Sentinel watches over a server under the name "shops", alone: enough to order a failover. It returns the
// store's address.
func Sentinel(t testing.TB, of *Server) (url string, sentinel *driver.SentinelClient) {
	t.Helper()
	host, port, _ := net.SplitHostPort(of.Addr)
	own := ports(t, 1)[0]
	s := &Server{Addr: net.JoinHostPort("127.0.0.1", strconv.Itoa(own)), dir: folder(t)}
	conf := filepath.Join(s.dir, "sentinel.conf")
	require.NoError(t, os.WriteFile(conf, fmt.Appendf(nil, "port %d\nbind 127.0.0.1\ndir %s\nsentinel monitor shops %s %s 1\nsentinel down-after-milliseconds shops 500\nsentinel failover-timeout shops 2000\n", own, s.dir, host, port), 0o600))
	s.args = []string{Program(t), conf, "--sentinel"}
	s.run(t)
	t.Cleanup(s.Kill)
	s.wait(t)
	sentinel = driver.NewSentinelClient(&driver.Options{Addr: s.Addr})
	t.Cleanup(func() { _ = sentinel.Close() })
	until(t, s, func() bool {
		replicas, err := sentinel.Replicas(context.Background(), "shops").Result()
		return err == nil && len(replicas) > 0 && replicas[0]["master-link-status"] == "ok"
	})
	return "redis-sentinel://" + s.Addr + "/shops/0", sentinel
}

// Cluster runs a Cluster of so many primaries and returns its servers and its address.
func Cluster(t testing.TB, primaries int) (servers []*Server, url string) {
	t.Helper()
	bus := ports(t, primaries)
	var addrs []string
	for i := range primaries {
		s := Start(t, "--cluster-enabled", "yes", "--cluster-port", strconv.Itoa(bus[i]), "--cluster-node-timeout", "2000")
		servers = append(servers, s)
		addrs = append(addrs, s.Addr)
	}
	ctx := context.Background()
	const slots = 16384
	var clients []*driver.Client
	for i, s := range servers {
		c := s.Client(t)
		clients = append(clients, c)
		require.NoError(t, c.ClusterAddSlotsRange(ctx, i*slots/primaries, (i+1)*slots/primaries-1).Err())
		require.NoError(t, c.Do(ctx, "cluster", "set-config-epoch", i+1).Err())
	}
	_, first, _ := net.SplitHostPort(servers[0].Addr)
	for _, c := range clients[1:] {
		require.NoError(t, c.Do(ctx, "cluster", "meet", "127.0.0.1", first, bus[0]).Err())
	}
	for i, c := range clients {
		until(t, servers[i], func() bool {
			info, err := c.ClusterInfo(ctx).Result()
			return err == nil && strings.Contains(info, "cluster_state:ok") && strings.Contains(info, fmt.Sprintf("cluster_known_nodes:%d", primaries)) && strings.Contains(info, "cluster_slots_assigned:16384")
		})
	}
	return servers, "redis-cluster://" + strings.Join(addrs, ",")
}

// Proxy is a wire to a server that can be cut.
type Proxy struct {
	Addr string
	l    net.Listener
	to   string
	mode chan func(*state)
}

type state struct {
	cut   bool
	conns map[net.Conn]bool
}

// NewProxy passes connections on to a server until the test ends.
func NewProxy(t testing.TB, to string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &Proxy{Addr: l.Addr().String(), l: l, to: to, mode: make(chan func(*state))}
	go func() {
		s := &state{conns: map[net.Conn]bool{}}
		for do := range p.mode {
			do(s)
		}
	}()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go p.pass(c)
		}
	}()
	t.Cleanup(func() { p.Cut(); _ = l.Close() })
	return p
}

// URL returns the proxy's address as the store takes it.
func (p *Proxy) URL() string { return "redis://" + p.Addr + "/0" }

func (p *Proxy) do(f func(*state)) {
	done := make(chan struct{})
	p.mode <- func(s *state) { f(s); close(done) }
	<-done
}

// Cut ends every connection, and every new one as soon as it is made.
func (p *Proxy) Cut() {
	p.do(func(s *state) {
		s.cut = true
		for c := range s.conns {
			_ = c.Close()
		}
		s.conns = map[net.Conn]bool{}
	})
}

// Mend lets connections pass again.
func (p *Proxy) Mend() { p.do(func(s *state) { s.cut = false }) }

func (p *Proxy) pass(c net.Conn) {
	defer c.Close()
	up, err := net.Dial("tcp", p.to)
	if err != nil {
		return
	}
	defer up.Close()
	ok := false
	p.do(func(s *state) {
		if ok = !s.cut; ok {
			s.conns[c], s.conns[up] = true, true
		}
	})
	if !ok {
		return
	}
	done := make(chan error, 2)
	go func() { _, err := io.Copy(up, c); done <- errors.Join(err, up.Close()) }()
	go func() { _, err := io.Copy(c, up); done <- errors.Join(err, c.Close()) }()
	<-done
	<-done
	p.do(func(s *state) { delete(s.conns, c); delete(s.conns, up) })
}
