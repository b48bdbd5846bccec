package redis

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"benchword/workflow"
)

// Keys of a shop. Those of one job end in its number.
//
//	{shop}ix     sorted set, all scores 0, in the order of its members' bytes:
//	               r <calm> <due> <number>            the board of running jobs
//	               s <stage> NUL <calm> <due> <number> all jobs of a stage
//	               f <stage> NUL <-changed> <number>  those that ended, newest first
//	               a <changed> <number>               those that ended and are not packed
//	               c <booked> <number>                courses, the latest read from the end
//	               oq|ob <made> <number> NUL <seq> <id> entries queued, entries buried
//	{shop}words  sorted set, all scores 0: the words that jobs are found by
//	{shop}:<word> string: the jobs that have the word, each with a line feed after it, in no order;
//	             lines of those that left it are made of line feeds
//	{shop}wakes  sorted set: number by wake-up instant
//	{shop}changed sorted set: number by the last change, negative, so that the newest come first
//	{shop}queue  sorted set: number of each job that has a queued mail, by when its first may be claimed;
//	             {shop}queue:<channel> the same for entries that go another way, each with the "/<receiver>" of its lane
//	{shop}links  hash: link's hash -> row
//	{shop}once   hash: key -> word NL job NL JSON; {shop}results: key -> answer; {shop}ends: keys by their end
//	{shop}j<n>   hash: v version, s state, x index entry, m members of ix (lines), h sum of the text searched,
//	             t its words, c its course, w wake-up instant, $<digest> vault; packed ones: z 1, Z value instead of s and $
//	{shop}e<n>   list of events: word NL head NL payload
//	{shop}o<n>   hash: q<way> <seq><id> of queued entries (lines), and per entry: m<id> what never changes,
//	             s<id> state TAB not before TAB leased until, l<id> lease, a<id> attempts (lines),
//	             b<id> body, i<id> its place in ix
//	{shop}held   the reason why the shop's jobs stay as they are; not there usually
//	{shop}k<bucket> hash: key -> until NL value; {shop}kends sorted set of those that end
//
// Instants are milliseconds since 1970; in members of ix 12 hexadecimal digits, moved up so that those
// before 1970 sort, too.
type keys struct{ tag string }

func of(shop workflow.ShopID) keys { return keys{"{" + string(shop) + "}"} }

func (k keys) ix() string           { return k.tag + "ix" }
func (k keys) words() string        { return k.tag + "words" }
func (k keys) word(w string) string { return k.tag + ":" + w }
func (k keys) wakes() string        { return k.tag + "wakes" }
func (k keys) changed() string      { return k.tag + "changed" }
func (k keys) queue() string        { return k.tag + "queue" }
func (k keys) channel(v workflow.Channel) string {
	if v == "" {
		return k.queue()
	}
	return k.queue() + ":" + string(v)
}
func (k keys) links() string                      { return k.tag + "links" }
func (k keys) once() string                       { return k.tag + "once" }
func (k keys) results() string                    { return k.tag + "results" }
func (k keys) ends() string                       { return k.tag + "ends" }
func (k keys) job(n workflow.JobNumber) string    { return k.tag + "j" + string(n) }
func (k keys) events(n workflow.JobNumber) string { return k.tag + "e" + string(n) }
func (k keys) outbox(n workflow.JobNumber) string { return k.tag + "o" + string(n) }
func (k keys) bucket(b string) string             { return k.tag + "k" + b }
func (k keys) bucketEnds() string                 { return k.tag + "kends" }
func (k keys) held() string                       { return k.tag + "held" }
func (k keys) live() string                       { return k.tag + "live" }

const (
	epoch  = int64(1) << 47
	latest = "ffffffffffff" // no due instant: after every other
)

// place returns an instant as it sorts.
func place(t time.Time) string { return hex12(t.UnixMilli() + epoch) }

// back returns an instant as it sorts the other way round.
func back(t time.Time) string { return hex12(epoch - t.UnixMilli()) }

func hex12(n int64) string { return fmt.Sprintf("%012x", min(max(n, 0), 1<<48-2)) }

// ms returns an instant as it is stored, "" for none.
func ms(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return strconv.FormatInt(t.UnixMilli(), 10)
}

// instant reads what ms wrote.
func instant(text string) time.Time {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return time.Time{}
	}
	return time.UnixMilli(n).UTC()
}

func calm(breached bool) string {
	if breached {
		return "0"
	}
	return "1"
}

// members returns a job's places in ix.
func members(n workflow.JobNumber, x *workflow.Index) string {
	due := latest
	if !x.DueAt.IsZero() {
		due = place(x.DueAt)
	}
	rank := calm(x.Breached) + due + string(n)
	out := "s" + string(x.Stage) + "\x00" + rank
	if !x.Ended {
		return out + "\nr" + rank
	}
	return out + "\nf" + string(x.Stage) + "\x00" + back(x.ChangedAt) + string(n) + "\n" + mark(n, x.ChangedAt)
}

// mark is the place of a job that ended and is not packed.
func mark(n workflow.JobNumber, changed time.Time) string { return "a" + place(changed) + string(n) }

// coursePlace is where a course is in ix.
func coursePlace(c *workflow.Course) string { return "c" + place(c.BookedAt) + string(c.Job) }

// seal returns the field of a vault row. Digests are kept as bytes where they are 32 bytes in hexadecimal.
func seal(digest string) string {
	if raw, err := hex.DecodeString(digest); err == nil && len(raw) == 32 && hex.EncodeToString(raw) == digest {
		return "$!" + string(raw)
	}
	return "$:" + digest
}

func unseal(field string) (digest string, ok bool) {
	rest, ok := strings.CutPrefix(field, "$")
	if !ok {
		return "", false
	}
	if raw, ok := strings.CutPrefix(rest, "!"); ok {
		return hex.EncodeToString([]byte(raw)), true
	}
	return strings.CutPrefix(rest, ":")
}
