package evidence

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"benchword/workflow"
)

// Workers take pictures apart in processes of their own: the same program, begun with a hidden argument, with
// an empty environment, bounded in memory and time, and ended when it goes beyond either. Whatever a picture
// does to a decoder, it is one refused picture, and the next one gets a new worker. Workers begin with the
// first picture and end with the program.
//
// Figures (two shared and busy cores, BenchmarkApart): a 12-megapixel JPEG takes 1.0 to 1.2 times as long as in
// the process itself, a picture of 640 x 480 1.0 to 1.5 times.
//
// # Decisions
//
//   - 2026-11-30: Pictures are decoded in a process of their own. Rejected: a bound on the server's own memory,
//     which ends the server with the picture; control groups, which a container seldom may make; a second
//     program in the image, whose version could differ.
type Workers struct {
	// Memory is what a worker may hold, in bytes, Time how long a picture may take. Zero fields mean what the
	// desk allows all decoding, and two minutes.
	Memory int64
	Time   time.Duration

	places chan *worker // nil for one that has not begun
	ended  [len(Endings)]atomic.Int64
}

// Endings are the causes for which workers were ended.
var Endings = [...]string{"memory", "time", "crash"}

const (
	endedMemory = iota
	endedTime
	endedCrash
)

// usualTime is far more than the largest picture takes on a busy machine.
const usualTime = 2 * time.Minute

// workerArgument begins a worker; what follows is the memory that it may take.
const workerArgument = "take-pictures-apart"

var mayWork atomic.Bool

// WorkIfWorker turns this process into a worker if it was begun as one; then it does not return. Call it first
// in main, and in TestMain, of a program that uses [Workers].
func WorkIfWorker() {
	mayWork.Store(true)
	if len(os.Args) != 3 || os.Args[1] != workerArgument {
		return
	}
	memory, err := strconv.ParseInt(os.Args[2], 10, 64)
	if err == nil {
		err = limitMemory(memory)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	debug.SetMemoryLimit(memory)
	work(os.Stdin, os.Stdout)
}

// NewWorkers returns workers, at most two at a time.
func NewWorkers() *Workers {
	if !mayWork.Load() {
		panic("evidence: WorkIfWorker was not called first in this program")
	}
	w := &Workers{places: make(chan *worker, min(2, runtime.GOMAXPROCS(0)))}
	for range cap(w.places) {
		w.places <- nil
	}
	return w
}

// Apart returns a desk that has its pictures taken apart by workers, and is otherwise this one.
func (d *Desk) Apart(w *Workers) *Desk {
	out := *d
	out.workers = w
	return &out
}

// Ended returns how many workers were ended for each of [Endings].
func (w *Workers) Ended() (counts [len(Endings)]int64) {
	for i := range w.ended {
		counts[i] = w.ended[i].Load()
	}
	return counts
}

// Close ends the workers, as they come to an end with their pictures. A picture that comes later begins a new one.
func (w *Workers) Close() {
	for range cap(w.places) {
		if x := <-w.places; x != nil {
			x.end()
		}
	}
	for range cap(w.places) {
		w.places <- nil
	}
}

// ask is what a worker is asked, before the picture's own bytes; answer what it says, before the copies'.
type ask struct {
	Marks []workflow.Mark `json:"marks,omitempty"`
}

type answer struct {
	Code    workflow.Code `json:"code,omitempty"`
	Field   string        `json:"field,omitempty"`
	Message string        `json:"message,omitempty"`
	Cause   string        `json:"cause,omitempty"`
	// Width and Height are those of the copies.
	Width, Height [len(copies{})]int

	memory int64
}

// maxFrame bounds what is read from the other process at once.
const maxFrame = 1 << 30

func writeFrame(w io.Writer, b []byte) error {
	if err := binary.Write(w, binary.BigEndian, uint32(len(b))); err != nil {
		return err
	}
	_, err := w.Write(b)
	return err
}

func readFrame(r io.Reader) ([]byte, error) {
	var n uint32
	if err := binary.Read(r, binary.BigEndian, &n); err != nil {
		return nil, err
	}
	if n > maxFrame {
		return nil, fmt.Errorf("a frame of %d bytes", n)
	}
	b := make([]byte, n)
	_, err := io.ReadFull(r, b)
	return b, err
}

// work answers until the other side is gone; then it ends at once, whatever it is at.
func work(in io.Reader, out io.Writer) {
	type asked struct{ head, picture []byte }
	asks := make(chan asked)
	go func() {
		r := bufio.NewReader(in)
		for {
			head, err := readFrame(r)
			if err != nil {
				os.Exit(0)
			}
			picture, err := readFrame(r)
			if err != nil {
				os.Exit(0)
			}
			asks <- asked{head, picture}
		}
	}()
	w := bufio.NewWriter(out)
	for q := range asks {
		head, made := answerTo(q.head, q.picture)
		text, err := json.Marshal(head)
		for _, b := range [][]byte{text, made[0].jpeg, made[1].jpeg, made[2].jpeg} {
			if err == nil {
				err = writeFrame(w, b)
			}
		}
		if errors.Join(err, w.Flush()) != nil {
			os.Exit(1)
		}
		if q = (asked{}); head.memory > muchMemory {
			debug.FreeOSMemory() // the next one may come in an hour
		}
	}
}

// muchMemory is what a worker does not keep for the next picture.
const muchMemory = 64 << 20

func answerTo(head, picture []byte) (a answer, made copies) {
	var q ask
	err := json.Unmarshal(head, &q)
	var h Header
	if err == nil {
		h, err = Inspect(picture)
		a.memory = h.memory
	}
	if err == nil {
		made, err = h.copies(context.Background(), picture, q.Marks)
	}
	if err != nil {
		a.Cause, a.Code = err.Error(), workflow.CodeInternal
		var told *workflow.Error
		if errors.As(err, &told) {
			a.Code, a.Field, a.Message = told.Code, told.Field, told.Message
			if told.Err != nil {
				a.Cause = told.Err.Error()
			}
		}
	}
	for i, c := range made {
		a.Width[i], a.Height[i] = c.size.w, c.size.h
	}
	return a, made
}

// worker is a running one.
type worker struct {
	cmd  *exec.Cmd
	in   io.WriteCloser
	out  *bufio.Reader
	said tail
	used bool
}

// tail keeps the beginning of what a worker says in its distress.
type tail struct{ b bytes.Buffer }

func (t *tail) Write(p []byte) (int, error) {
	t.b.Write(p[:min(len(p), max(0, 4096-t.b.Len()))])
	return len(p), nil
}

// begin starts a worker.
func (w *Workers) begin(memory int64) (*worker, error) {
	self := "/proc/self/exe" // still this program where a newer one lies in its place
	if _, err := os.Stat(self); err != nil {
		if self, err = os.Executable(); err != nil {
			return nil, err
		}
	}
	x := &worker{cmd: exec.Command(self, workerArgument, strconv.FormatInt(memory, 10))}
	x.cmd.Env = []string{}
	x.cmd.Stderr = &x.said
	in, err := x.cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := x.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	x.in, x.out = in, bufio.NewReader(out)
	return x, x.cmd.Start()
}

// end ends a worker, and returns what it said and its exit code.
func (x *worker) end() (said string, code int) {
	_ = x.cmd.Process.Kill()
	_ = x.cmd.Wait()
	return x.said.b.String(), x.cmd.ProcessState.ExitCode()
}

// copies has a worker make the copies of a picture.
func (w *Workers) copies(ctx context.Context, memory int64, b []byte, marks []workflow.Mark) (made copies, err error) {
	var x *worker
	select {
	case x = <-w.places:
	case <-ctx.Done():
		return made, ctx.Err()
	}
	defer func() { w.places <- x }()
	if w.Memory > 0 {
		memory = w.Memory
	}
	within := usualTime
	if w.Time > 0 {
		within = w.Time
	}
	bounded, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	head, err := json.Marshal(ask{marks})
	if err != nil {
		return made, err
	}
	for {
		if x == nil {
			if x, err = w.begin(memory); err != nil {
				x = nil
				return made, fmt.Errorf("evidence: a process for pictures can't be begun: %w", err)
			}
		}
		fresh := !x.used
		var a answer
		a, made, err = x.exchange(bounded, head, b)
		if err == nil {
			if a.Code == workflow.CodeInternal {
				return made, fmt.Errorf("evidence: %s", a.Cause)
			}
			if a.Code != "" {
				e := &workflow.Error{Code: a.Code, Field: a.Field, Message: a.Message}
				if a.Cause != "" {
					e.Err = errors.New(a.Cause)
				}
				return made, e
			}
			return made, nil
		}
		said, code := x.end()
		x = nil
		if errors.Is(err, errGone) && !fresh {
			continue // it had ended while it waited, for another's reason
		}
		err = fmt.Errorf("the process for pictures ended: %w; it said: %.200q", err, said)
		switch {
		case ctx.Err() != nil && !errors.Is(ctx.Err(), context.DeadlineExceeded):
			return made, ctx.Err()
		case bounded.Err() != nil:
			w.ended[endedTime].Add(1)
			if ctx.Err() != nil {
				return made, ctx.Err()
			}
			return made, refuse(err, "The picture takes too long to be opened in this form. Please save it as an ordinary JPEG, or send a smaller copy.")
		case code != 1 && !strings.HasPrefix(said, "panic: "):
			// A decoder's panic is caught. What else ends a worker by itself is memory that it did not get,
			// which the runtime puts in many ways, and the kernel by a signal.
			w.ended[endedMemory].Add(1)
			return made, refuse(err, "The picture is too large to be opened in this form. Please save it as an ordinary JPEG, or send a smaller copy.")
		}
		w.ended[endedCrash].Add(1)
		return made, damaged(err)
	}
}

// errGone: the worker took nothing of the picture.
var errGone = errors.New("it was gone")

// exchange asks a worker and reads its answer; when ctx ends, so does the worker.
func (x *worker) exchange(ctx context.Context, head, b []byte) (a answer, made copies, err error) {
	stop := context.AfterFunc(ctx, func() { _ = x.cmd.Process.Kill() })
	defer stop()
	x.used = true
	if err := writeFrame(x.in, head); err != nil {
		return a, made, fmt.Errorf("%w: %w", errGone, err)
	}
	if err := writeFrame(x.in, b); err != nil {
		return a, made, err
	}
	var frames [1 + len(made)][]byte
	for i := range frames {
		if frames[i], err = readFrame(x.out); err != nil {
			return a, made, err
		}
	}
	if err := json.Unmarshal(frames[0], &a); err != nil {
		return a, made, err
	}
	for i := range made {
		if len(frames[1+i]) > 0 {
			made[i] = copied{frames[1+i], size{a.Width[i], a.Height[i]}}
		}
	}
	return a, made, nil
}
