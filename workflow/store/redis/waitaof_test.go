package redis

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"
)

// scripted is a server that knows two commands: it confirms every function, and answers WAITAOF as it is
// told to. The form of commands and answers is that of RESP2 (redis.io, "Redis serialization protocol
// specification"), WAITAOF's answer that of its own page there: local disks, then replicas. Servers older
// than 7.2, as most distributions still have them, lack the command.
type scripted struct {
	mu     sync.Mutex
	disks  [2]int
	waited []string
}

func (s *scripted) serve(l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		go func() {
			defer c.Close()
			in := bufio.NewReader(c)
			for {
				words, err := command(in)
				if err != nil {
					return
				}
				if _, err := io.WriteString(c, s.answer(words)); err != nil {
					return
				}
			}
		}()
	}
}

// command reads an array of texts.
func command(in *bufio.Reader) ([]string, error) {
	number := func(kind string) (int, error) {
		line, err := in.ReadString('\n')
		if err != nil {
			return 0, err
		}
		return strconv.Atoi(strings.TrimPrefix(strings.TrimSpace(line), kind))
	}
	n, err := number("*")
	if err != nil {
		return nil, err
	}
	words := make([]string, n)
	for i := range words {
		size, err := number("$")
		if err != nil {
			return nil, err
		}
		b := make([]byte, size+2)
		if _, err := io.ReadFull(in, b); err != nil {
			return nil, err
		}
		words[i] = string(b[:size])
	}
	return words, nil
}

func (s *scripted) answer(words []string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch strings.ToLower(words[0]) {
	case "fcall":
		return "*1\r\n$2\r\nok\r\n"
	case "waitaof":
		s.waited = append(s.waited, strings.Join(words, " "))
		return fmt.Sprintf("*2\r\n:%d\r\n:%d\r\n", s.disks[0], s.disks[1])
	}
	return "-ERR unknown command\r\n"
}

// A change is acknowledged once it is on so many disks, and on no others' word.
func TestDisksAreWaitedFor(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	server := &scripted{}
	go server.serve(l)
	opt := Options{URL: "redis://" + l.Addr().String() + "/0", Replicas: 1, Fsync: true, Within: 250 * time.Millisecond}
	u, err := parse(opt)
	require.NoError(t, err)
	s := &Store{opt: opt, c: driver.NewUniversalClient(u)}
	defer s.Close()
	for _, x := range []struct {
		disks [2]int
		safe  bool
	}{{[2]int{1, 1}, true}, {[2]int{1, 2}, true}, {[2]int{0, 1}, false}, {[2]int{1, 0}, false}, {[2]int{0, 0}, false}} {
		server.mu.Lock()
		server.disks, server.waited = x.disks, nil
		server.mu.Unlock()
		err := s.PutKey(t.Context(), harbour, "staff", "ada", []byte("x"), time.Time{})
		if x.safe {
			require.NoError(t, err, x.disks)
		} else {
			require.ErrorIs(t, err, workflow.ErrUnavailable, x.disks)
			require.ErrorContains(t, err, fmt.Sprintf("%d disks, %d replicas", x.disks[0], x.disks[1]))
		}
		require.Equal(t, []string{"waitaof 1 1 250"}, server.waited, "asked once: a change that is not confirmed is not made again")
	}
}
