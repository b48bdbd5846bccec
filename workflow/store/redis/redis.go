// Package redis keeps the jobs, outbox and keys of many shops in Redis 7 or later: one server, one with
// replicas behind Sentinel, or a Cluster. It is the store of several processes that work side by side.
//
// Contract, beyond that of [workflow.Store]:
//
//   - Every change is one Redis function: it is done whole or not at all, also where several processes
//     write at once. All keys of a shop carry the hash tag {shop}, so they lie in one slot and a shop is
//     the unit by which a Cluster grows.
//   - The functions are loaded under a name that is made of their text. Processes of two versions work
//     side by side on one server, each with its own.
//   - What was acknowledged is as safe as the server is set up to keep it: [Store.Durability] says how
//     safe that is, [Open] refuses a server that keeps nothing. Replicas, and the replicas' disks, are
//     waited for as [Options] demands.
//   - A commit whose answer was lost is asked for again; it is known by a random word of its own and never
//     done twice. If the server can't be reached the error is [workflow.ErrUnavailable], and whether a
//     change was made is unknown.
//   - A server whose data is gone, or another's, is not taken for a shop without jobs: from the first thing that
//     is missing on, everything fails with [workflow.ErrUnavailable] until the data is there again. In a Cluster
//     one server's part stands for the others'.
//   - Personal data that is forgotten is gone from the data set at once, and from the append-only file with
//     its next rewriting.
//
// Instants are kept to the millisecond.
//
// # Decisions
//
//   - 2026-11-25: One function a change, under names made of their text, so that processes of two versions
//     can share a server while one replaces the other. Rejected: MULTI with WATCH (a round trip more, and
//     retries under load), EVALSHA (lost when a server restarts).
//   - 2026-11-25: A commit whose answer was lost is asked for again. It carries a random word that is kept
//     with its first event, so the repeat is known and not taken for a conflict, which would make the service
//     decide it twice.
//   - 2026-11-27: Each word has a list of its jobs, a plain string of numbers that a booking appends to. The
//     lists of a query's rarer words are read whole and intersected in the asking process (a sieve of hashed
//     bits; what it lets through wrongly falls when the job is read); words too common to read only rule jobs
//     out. Many matches are found by going through the newest jobs, few are put in order. A job leaves a long
//     list by line feeds in place of its line, and one time in so many the list is written anew without the
//     blanks: writing it anew each time sent megabytes to the file and the replicas whenever a device was
//     renamed in a large shop. Before, word and number were members of one sorted set that a function went
//     through beside the data: 0.7 ms of Redis for a booking among half a million, and 7.6 KB a job instead
//     of 5.4. Rejected: RediSearch (not core); lists by recency, which every commit would have to move;
//     bitmaps, which are wide for words that only one job has. Data written before that day is searched only
//     after "benchword move" into an empty shop.
package redis

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	_ "embed"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
)

//go:embed functions.lua
var source string

// library is the functions' text under the name that it is loaded as, which says what the text is.
var library, libraryName = func() (string, string) {
	sum := sha256.Sum256([]byte(source))
	name := "benchword_" + hex.EncodeToString(sum[:5])
	return strings.ReplaceAll(source, "LIBRARY", name), name
}()

// Options say where the server is and what an acknowledgement is worth.
type Options struct {
	// URL is one of
	//
	//	redis://user@host:6379/0                       one server; rediss:// with TLS
	//	redis-sentinel://host:26379,host:26379/name/0  the primary called name, as the Sentinels know it
	//	redis-cluster://host:6379,host:6379            a Cluster
	//
	// The latter two with TLS as rediss-sentinel and rediss-cluster.
	URL      string
	Password string
	// Replicas is how many replicas must have a change before it is acknowledged (WAIT); 0 waits for none.
	Replicas int
	// Fsync waits until the change is on the disk of the server and of the replicas (WAITAOF, 7.2 or later).
	Fsync bool
	// Within bounds that wait; zero means a second. A change that is not confirmed in time was made, but is
	// answered as unknown.
	Within time.Duration
	// Lossy lets Open take a server that keeps nothing on disk.
	Lossy bool
}

// Store is a connection to the server or servers. Make one with [Open]; it is safe for concurrent use.
type Store struct {
	opt  Options
	c    driver.UniversalClient
	says atomic.Pointer[Durability]
	mark string // of the data that was found, see here

	folded folded

	away    atomic.Int64 // until when (Unix ms) nobody asks again, after the server was not there
	emptied atomic.Bool  // the mark was not there when it was last looked for
	closing sync.Once
	ended   atomic.Bool
	closed  error
}

var _ workflow.Store = (*Store)(nil)

// awayFor is how long a server that was not there is left alone: meanwhile everybody is told so at once,
// instead of waiting for it one after the other.
const awayFor = 200 * time.Millisecond

// Open connects, looks at what the server keeps, and loads the functions. Errors are [workflow.Error]
// with a sentence for the person who started the program.
func Open(ctx context.Context, opt Options) (*Store, error) {
	if opt.Within <= 0 {
		opt.Within = time.Second
	}
	hush()
	u, err := parse(opt)
	if err != nil {
		return nil, err
	}
	s := &Store{opt: opt, c: driver.NewUniversalClient(u)}
	if err := s.prepare(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// Check reports whether the address can be read.
func (opt Options) Check() error {
	_, err := parse(opt)
	return err
}

// hush keeps the client from writing to standard error, once for every try to reach a server that is away:
// what it has to say comes back as errors, and those who get them have a log.
var hush = sync.OnceFunc(func() { driver.SetLogger(silence{}) })

type silence struct{}

func (silence) Printf(context.Context, string, ...any) {}

func parse(opt Options) (*driver.UniversalOptions, error) {
	wrong := func(cause error) error {
		return unusable(cause, "The store's address can't be read. Write it like redis://host:6379/0, redis-sentinel://host:26379,host:26379/name/0 or redis-cluster://host:6379,host:6379.")
	}
	scheme, rest, ok := strings.Cut(opt.URL, "://")
	if !ok {
		return nil, wrong(nil)
	}
	user, hosts := "", rest
	if i := strings.LastIndex(rest, "@"); i >= 0 {
		user, hosts = rest[:i], rest[i+1:]
	}
	hosts, path, _ := strings.Cut(hosts, "/")
	u := &driver.UniversalOptions{
		Password: opt.Password, Protocol: 2,
		// Retries are ours: only what may be asked twice is.
		MaxRetries: -1, MaxRedirects: 8,
		DialTimeout: time.Second, ReadTimeout: 3*time.Second + opt.Within, WriteTimeout: 3 * time.Second, PoolTimeout: 3 * time.Second,
		DialerRetries: 1,
		PoolSize:      64, MinIdleConns: 2, DisableIdentity: true,
	}
	if user != "" {
		name, secret, given := strings.Cut(user, ":")
		u.Username = name
		if given && opt.Password == "" {
			var err error
			if u.Password, err = url.QueryUnescape(secret); err != nil {
				return nil, wrong(err)
			}
		}
	}
	for h := range strings.SplitSeq(hosts, ",") {
		if h == "" {
			return nil, wrong(nil)
		}
		if !strings.Contains(h, ":") {
			h += ":6379"
		}
		u.Addrs = append(u.Addrs, h)
	}
	parts := strings.Split(strings.Trim(path, "/"), "/")
	db := parts[len(parts)-1]
	switch kind := strings.Replace(scheme, "rediss", "redis", 1); kind {
	case "redis":
		if len(u.Addrs) != 1 || len(parts) != 1 {
			return nil, wrong(nil)
		}
	case "redis-sentinel":
		if u.MasterName = parts[0]; u.MasterName == "" || len(parts) > 2 {
			return nil, wrong(nil)
		}
		if len(parts) == 1 {
			db = ""
		}
	case "redis-cluster":
		u.IsClusterMode = true
		if db != "" {
			return nil, wrong(nil)
		}
	default:
		return nil, wrong(nil)
	}
	if db != "" {
		n, err := strconv.Atoi(db)
		if err != nil || n < 0 {
			return nil, wrong(err)
		}
		u.DB = n
	}
	if strings.HasPrefix(scheme, "rediss") {
		u.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	return u, nil
}

// unusable is a server that can't be used.
func unusable(cause error, format string, args ...any) error {
	return &workflow.Error{Code: workflow.CodeInternal, Message: fmt.Sprintf(format, args...), Err: cause}
}

func (s *Store) prepare(ctx context.Context) error {
	if err := s.Look(ctx); err != nil {
		return err
	}
	if err := s.load(ctx); err != nil {
		return unusable(err, "The Redis server takes no functions. benchword needs Redis 7 or later, and a user who may load functions.")
	}
	if err := s.c.SetNX(ctx, markKey, word(), 0).Err(); err != nil {
		return unusable(err, "The Redis server can't be written to. Give benchword's user the right to write all keys.")
	}
	var err error
	if s.mark, err = s.c.Get(ctx, markKey).Result(); err != nil {
		return unusable(err, "The Redis server can't be read. Give benchword's user the right to read all keys.")
	}
	return nil
}

// markKey holds a random word that stays as long as the data does.
const markKey = "benchword:data"

// ErrEmptied is the cause of an ErrUnavailable: the server is there, and holds other data or none.
var ErrEmptied = errors.New("the Redis server is not as it was when this program started: its data is gone, or another's. Put the data back; if it is lost, restore the last backup and start again")

// here looks whether the server still has the data that it had when it was opened. One that was emptied would
// answer every customer that there is no such job, and take bookings that nobody will find.
func (s *Store) here(ctx context.Context) error {
	mark, err := s.c.Get(ctx, markKey).Result()
	if err != nil && err != driver.Nil {
		return s.lost(ctx, err)
	}
	s.emptied.Store(mark != s.mark)
	if mark != s.mark {
		return fmt.Errorf("%w: %w", workflow.ErrUnavailable, ErrEmptied)
	}
	return nil
}

// missing is the error of what is not there, unless nothing is.
func (s *Store) missing(ctx context.Context, what string) error {
	if err := s.here(ctx); err != nil {
		return err
	}
	return notFound(what)
}

// load returns every primary the functions.
func (s *Store) load(ctx context.Context) error {
	return s.primaries(ctx, func(ctx context.Context, c *driver.Client) error {
		err := c.FunctionLoad(ctx, library).Err()
		if err != nil && strings.Contains(err.Error(), "already exists") {
			return nil
		}
		return err
	})
}

// primaries calls do for every server that takes writes.
func (s *Store) primaries(ctx context.Context, do func(ctx context.Context, c *driver.Client) error) error {
	switch c := s.c.(type) {
	case *driver.ClusterClient:
		return c.ForEachMaster(ctx, do)
	case *driver.Client:
		return do(ctx, c)
	}
	return fmt.Errorf("a client of type %T", s.c)
}

// Close releases the connections.
func (s *Store) Close() error {
	s.closing.Do(func() {
		s.ended.Store(true)
		s.closed = s.c.Close()
	})
	return s.closed
}

// Ping asks whether the server is there, whatever was found a moment ago.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.c.Ping(ctx).Err(); err != nil {
		return s.lost(ctx, err)
	}
	s.away.Store(0)
	return s.here(ctx)
}

// lost tells a server that is not there from one that has something to say.
func (s *Store) lost(ctx context.Context, err error) error {
	var says driver.Error
	switch {
	case err == nil, errors.Is(err, context.Canceled), ctx.Err() != nil, errors.Is(err, driver.ErrClosed),
		errors.Is(err, errUnconfirmed): // the server is there; a replica was slow
		return err
	case errors.As(err, &says) && full(err):
		return fmt.Errorf("%w: %w", workflow.ErrFull, err)
	case errors.As(err, &says) && !passing(err):
		return err
	}
	s.away.Store(time.Now().Add(awayFor).UnixMilli())
	return fmt.Errorf("%w: %w", workflow.ErrUnavailable, err)
}

// passing reports whether what a server says is that it, or its part of a Cluster, can't answer now.
func passing(err error) bool {
	for _, word := range []string{"LOADING", "CLUSTERDOWN", "MASTERDOWN", "READONLY", "TRYAGAIN", "NOREPLICAS", "MOVED", "ASK", "BUSY"} {
		if strings.HasPrefix(err.Error(), word+" ") {
			return true
		}
	}
	return false
}

// full reports whether a server says that it has no room: in memory, or on its disk, where it then takes no
// change at all.
func full(err error) bool {
	return strings.HasPrefix(err.Error(), "OOM ") || strings.HasPrefix(err.Error(), "MISCONF ") || strings.Contains(err.Error(), "OOM command not allowed")
}

// ready refuses at once while the server is known to be away.
func (s *Store) ready(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if s.ended.Load() {
		return driver.ErrClosed
	}
	if t := s.away.Load(); t != 0 && time.Now().UnixMilli() < t {
		return fmt.Errorf("%w: it was not there a moment ago", workflow.ErrUnavailable)
	}
	if s.emptied.Load() {
		return s.here(ctx)
	}
	return nil
}

// tries is how often a question is asked: a connection may have ended with the server before this one.
const tries = 2

// read asks; a question may be asked again.
func (s *Store) read(ctx context.Context, ask func(c driver.UniversalClient) error) error {
	if err := s.ready(ctx); err != nil {
		return err
	}
	var err error
	for range tries {
		var says driver.Error
		if err = ask(s.c); err == nil || errors.Is(err, driver.Nil) || errors.As(err, &says) || ctx.Err() != nil || errors.Is(err, driver.ErrClosed) {
			break
		}
	}
	if err == nil || errors.Is(err, driver.Nil) {
		return err
	}
	return s.lost(ctx, err)
}

// batch asks several questions at once; what is not there is no error. whole asks them in one moment.
func (s *Store) batch(ctx context.Context, whole bool, fill func(p driver.Pipeliner)) error {
	return s.read(ctx, func(c driver.UniversalClient) error {
		send := c.Pipelined
		if whole {
			send = c.TxPipelined
		}
		cmds, err := send(ctx, func(p driver.Pipeliner) error {
			fill(p)
			return nil
		})
		if err == driver.Nil {
			err = nil
			for _, cmd := range cmds {
				if e := cmd.Err(); e != nil && e != driver.Nil {
					err = e
				}
			}
		}
		return err
	})
}

// change calls a function and waits for what an acknowledgement is worth. again allows to call it once
// more where the answer was lost. The answer's first word says what came of it.
func (s *Store) change(ctx context.Context, again bool, name string, keys []string, args ...any) ([]any, error) {
	if err := s.ready(ctx); err != nil {
		return nil, err
	}
	var err error
	for try := 0; ; try++ {
		var answer []any
		if answer, err = s.call(ctx, name, keys, args); err == nil {
			return answer, nil
		}
		if try == 0 && strings.Contains(err.Error(), "Function not found") {
			if err := s.load(ctx); err != nil {
				return nil, s.lost(ctx, err)
			}
			continue
		}
		var says driver.Error
		if try >= tries || !again || errors.As(err, &says) || ctx.Err() != nil || errors.Is(err, driver.ErrClosed) || errors.Is(err, errUnconfirmed) {
			return nil, s.lost(ctx, err)
		}
	}
}

var errUnconfirmed = errors.New("too few replicas have confirmed the change in time")

func (s *Store) call(ctx context.Context, name string, keys []string, args []any) ([]any, error) {
	name = libraryName + "_" + name
	if s.opt.Replicas == 0 && !s.opt.Fsync {
		return s.c.FCall(ctx, name, keys, args...).Slice()
	}
	// Waiting is for what the same connection wrote, so both go down one, to the one server that has the
	// keys.
	c, ok := s.c.(*driver.Client)
	if !ok {
		var err error
		if c, err = s.c.(*driver.ClusterClient).MasterForKey(ctx, keys[0]); err != nil {
			return nil, err
		}
	}
	var f, w *driver.Cmd
	_, err := c.Pipelined(ctx, func(p driver.Pipeliner) error {
		args := append([]any{"fcall", name, len(keys)}, append(anys(keys), args...)...)
		f = p.Do(ctx, args...)
		if s.opt.Fsync {
			w = p.Do(ctx, "waitaof", 1, s.opt.Replicas, s.opt.Within.Milliseconds())
		} else {
			w = p.Do(ctx, "wait", s.opt.Replicas, s.opt.Within.Milliseconds())
		}
		return nil
	})
	if f.Err() != nil {
		if cluster, ok := s.c.(*driver.ClusterClient); ok && passing(f.Err()) {
			cluster.ReloadState(ctx)
		}
		return nil, f.Err()
	}
	answer, err2 := f.Slice()
	if err2 != nil || err != nil {
		return nil, errors.Join(err, err2)
	}
	if s.opt.Fsync {
		n, err := w.Int64Slice()
		if err != nil {
			return nil, err
		}
		if n[0] < 1 || n[1] < int64(s.opt.Replicas) {
			return nil, fmt.Errorf("%w: %w: %d disks, %d replicas", workflow.ErrUnavailable, errUnconfirmed, n[0], n[1])
		}
		return answer, nil
	}
	n, err := w.Int64()
	if err != nil {
		return nil, err
	}
	if n < int64(s.opt.Replicas) {
		return nil, fmt.Errorf("%w: %w: %d of %d", workflow.ErrUnavailable, errUnconfirmed, n, s.opt.Replicas)
	}
	return answer, nil
}

func anys(s []string) []any {
	out := make([]any, len(s))
	for i := range s {
		out[i] = s[i]
	}
	return out
}

// word returns a random word that no other call has.
func word() string {
	var b [9]byte
	_, _ = rand.Read(b[:]) // crypto/rand never fails
	return base64.RawURLEncoding.EncodeToString(b[:])
}

func notFound(what string) error {
	return &workflow.Error{Code: workflow.CodeNotFound, Message: "There is no such " + what + "."}
}

// said returns the i-th part of an answer as text, "" for nothing.
func said(answer []any, i int) string {
	if i >= len(answer) {
		return ""
	}
	s, _ := answer[i].(string)
	return s
}
