package redis

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"hash/maphash"
	"iter"
	"maps"
	"math/bits"
	"slices"
	"strconv"
	"strings"
	"time"

	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/store"

	driver "github.com/redis/go-redis/v9"
)

// Link looks a link up.
func (s *Store) Link(ctx context.Context, shop workflow.ShopID, hash link.Hash) (workflow.LinkRow, error) {
	var text string
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		text, err = c.HGet(ctx, of(shop).links(), string(hash[:])).Result()
		return err
	})
	if err == driver.Nil {
		return workflow.LinkRow{}, s.missing(ctx, "link")
	}
	if err != nil {
		return workflow.LinkRow{}, err
	}
	return decodeLink(hash, text)
}

// rows reads the index entries of jobs, in their order; those that went in between are left out.
func (s *Store) rows(ctx context.Context, shop workflow.ShopID, numbers []workflow.JobNumber) ([]workflow.Row, error) {
	if len(numbers) == 0 {
		return nil, ctx.Err()
	}
	k := of(shop)
	var found []*driver.StringCmd
	err := s.batch(ctx, false, func(p driver.Pipeliner) {
		found = nil
		for _, n := range numbers {
			found = append(found, p.HGet(ctx, k.job(n), "x"))
		}
	})
	if err != nil {
		return nil, err
	}
	var out []workflow.Row
	for i, f := range found {
		if f.Err() != nil {
			continue
		}
		r, err := decodeRow(numbers[i], f.Val())
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// Board lists jobs. A stage that jobs end in is listed in the order of running ones unless Ended is
// set. A limit of zero or less lists nothing.
func (s *Store) Board(ctx context.Context, shop workflow.ShopID, f workflow.BoardFilter) ([]workflow.Row, error) {
	if f.Limit <= 0 {
		return nil, ctx.Err()
	}
	// A list is one stretch of ix; the ended ones of all stages are several, merged.
	var prefixes []string
	rest := 13 // a calm digit and an instant
	switch {
	case f.Ended && f.Stage != "":
		prefixes, rest = []string{"f" + string(f.Stage) + "\x00"}, 12
	case f.Ended:
		for _, stage := range workflow.Stages {
			prefixes = append(prefixes, "f"+string(stage)+"\x00")
		}
		rest = 12
	case f.Stage != "":
		prefixes = []string{"s" + string(f.Stage) + "\x00"}
	default:
		prefixes = []string{"r"}
	}
	after := ""
	if a := f.After; a != nil {
		switch {
		case f.Ended:
			after = back(a.ChangedAt) + string(a.Job)
		case a.DueAt.IsZero():
			after = calm(a.Breached) + latest + string(a.Job)
		default:
			after = calm(a.Breached) + place(a.DueAt) + string(a.Job)
		}
	}
	var parts []*driver.StringSliceCmd
	err := s.batch(ctx, false, func(p driver.Pipeliner) {
		parts = nil
		for _, prefix := range prefixes {
			from := "[" + prefix
			if after != "" {
				from = "(" + prefix + after
			}
			parts = append(parts, p.ZRangeByLex(ctx, of(shop).ix(), &driver.ZRangeBy{Min: from, Max: "(" + prefix + "\xff", Count: int64(f.Limit)}))
		}
	})
	if err != nil {
		return nil, err
	}
	var places []string
	for i, part := range parts {
		for _, m := range part.Val() {
			places = append(places, m[len(prefixes[i]):])
		}
	}
	slices.Sort(places)
	var numbers []workflow.JobNumber
	for _, m := range places[:min(f.Limit, len(places))] {
		numbers = append(numbers, workflow.JobNumber(m[rest:]))
	}
	return s.rows(ctx, shop, numbers)
}

// every calls do with all jobs of a shop, some at a time.
func (s *Store) every(ctx context.Context, shop workflow.ShopID, do func(numbers []workflow.JobNumber) error) error {
	cursor, seen := uint64(0), map[string]bool{}
	for {
		var page []string
		var next uint64
		if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
			page, next, err = c.ZScan(ctx, of(shop).changed(), cursor, "", 500).Result()
			return err
		}); err != nil {
			return err
		}
		var numbers []workflow.JobNumber
		for i := 0; i < len(page); i += 2 { // member, score
			if !seen[page[i]] { // a scan may give one twice
				seen[page[i]] = true
				numbers = append(numbers, workflow.JobNumber(page[i]))
			}
		}
		if err := do(numbers); err != nil {
			return err
		}
		if cursor = next; cursor == 0 {
			return nil
		}
	}
}

// Counts returns the number of jobs in each stage that has any.
func (s *Store) Counts(ctx context.Context, shop workflow.ShopID) (map[workflow.Stage]int, error) {
	var counts []*driver.IntCmd
	stages := append(slices.Clone(workflow.Stages), workflow.StageUnconfirmed, workflow.StageUnarrived)
	err := s.batch(ctx, false, func(p driver.Pipeliner) {
		counts = nil
		for _, stage := range stages {
			prefix := "s" + string(stage) + "\x00"
			counts = append(counts, p.ZLexCount(ctx, of(shop).ix(), "["+prefix, "("+prefix+"\xff"))
		}
	})
	if err != nil {
		return nil, err
	}
	out := map[workflow.Stage]int{}
	for i, n := range counts {
		if n.Val() > 0 {
			out[stages[i]] = int(n.Val())
		}
	}
	return out, nil
}

// Courses lists courses, the latest booked first.
func (s *Store) Courses(ctx context.Context, shop workflow.ShopID, after *workflow.Course, limit int) ([]workflow.Course, error) {
	if limit <= 0 {
		return nil, ctx.Err()
	}
	k, from := of(shop), "(c\xff"
	if after != nil {
		from = "(" + coursePlace(after)
	}
	var places []string
	if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		places, err = c.ZRevRangeByLex(ctx, k.ix(), &driver.ZRangeBy{Max: from, Min: "[c", Count: int64(limit)}).Result()
		return err
	}); err != nil || len(places) == 0 {
		return nil, err
	}
	var found []*driver.StringCmd
	if err := s.batch(ctx, false, func(p driver.Pipeliner) {
		found = nil
		for _, at := range places {
			found = append(found, p.HGet(ctx, k.job(workflow.JobNumber(at[13:])), "c"))
		}
	}); err != nil {
		return nil, err
	}
	out := make([]workflow.Course, len(found))
	for i, f := range found {
		if err := json.Unmarshal([]byte(f.Val()), &out[i]); err != nil {
			return nil, fmt.Errorf("course of %s: %w", places[i][13:], err)
		}
	}
	return out, nil
}

// Due returns the jobs whose wake-up instant is at or before now, the longest overdue first.
func (s *Store) Due(ctx context.Context, shop workflow.ShopID, now time.Time, limit int) ([]workflow.JobNumber, error) {
	if limit <= 0 {
		return nil, ctx.Err()
	}
	var found []string
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		found, err = c.ZRangeByScore(ctx, of(shop).wakes(), &driver.ZRangeBy{Min: "-inf", Max: ms(now), Count: int64(limit)}).Result()
		return err
	})
	var out []workflow.JobNumber
	for _, n := range found {
		out = append(out, workflow.JobNumber(n))
	}
	return out, err
}

// NextWake returns the earliest wake-up instant, zero if there is none.
func (s *Store) NextWake(ctx context.Context, shop workflow.ShopID) (time.Time, error) {
	return s.first(ctx, of(shop).wakes())
}

// first returns the least score of a sorted set as an instant.
func (s *Store) first(ctx context.Context, key string) (time.Time, error) {
	var z []driver.Z
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		z, err = c.ZRangeWithScores(ctx, key, 0, 0).Result()
		return err
	})
	if err != nil || len(z) == 0 {
		return time.Time{}, err
	}
	return time.UnixMilli(int64(z[0].Score)).UTC(), nil
}

// What a search may cost. Tests change them.
var (
	mostRead   = 4 << 20 // so many bytes of lists are read
	mostWords  = 2000    // so many words that begin with the last one are looked up
	mostTried  = 3000    // so many of the newest jobs are read for a word that is common
	mostWalked = 10000   // so many of them are gone through for those that have the rarest word
	inAPage    = 2000    // so many numbers of jobs are asked for at once
	readAtOnce = 200     // so many jobs are read at once
)

// readingPays is how many entries of a list are read in the time that one job is, walkingPays how many jobs
// are walked past in the time that one is put in order. Both are rough, from single measurements.
const (
	readingPays = 100
	walkingPays = 5
)

// entrySize is what a job takes in the list of a word, as a rule.
const entrySize = 8

// term is one of the words that are looked for, or, for the last, all words that begin with it.
type term struct {
	words []string
	size  int64 // bytes of their lists
	many  bool  // there are more words than were counted
}

// Search finds jobs by words; a query without any finds nothing.
//
// Each word has a list of its jobs. Those of the rarest words are read and held against each other here;
// words that are too common for that rule jobs out when these are read, by the words each is kept with. Of
// many that match, those wanted are found by going through the newest jobs; few are put in order themselves.
func (s *Store) Search(ctx context.Context, shop workflow.ShopID, query string, limit int) ([]workflow.Row, error) {
	want := store.Query(query)
	if len(want) == 0 || limit <= 0 {
		return nil, ctx.Err()
	}
	terms, total, err := s.terms(ctx, shop, want)
	if err != nil {
		return nil, err
	}
	rarest := &terms[0]
	if rarest.size == 0 {
		return nil, nil
	}
	f := finder{s: s, shop: shop, want: want, limit: limit, seen: map[workflow.JobNumber]bool{}}
	// how many of the newest jobs are looked at for the limit, where every so many-th has what is looked for
	stretch := func(having int) int { return int(min(total, total*int64(limit)/int64(max(1, having)))) }
	common := len(terms) == 1 && stretch(int(rarest.size/entrySize)) <= mostTried
	if common || rarest.many || rarest.size > int64(mostRead) {
		if done, err := f.walk(ctx, nil, mostTried); done || err != nil {
			return f.rows(ctx, err)
		}
	}
	candidates, err := s.having(ctx, shop, want[len(want)-1], rarest)
	if err != nil {
		return nil, err
	}
	pays := func() bool { return stretch(candidates.count()) < candidates.count()*walkingPays }
	if len(terms) > 1 && stretch(candidates.count()) <= mostWalked && pays() {
		x := sieveOf(candidates)
		if done, err := f.walk(ctx, &x, mostWalked); done || err != nil {
			return f.rows(ctx, err)
		}
	}
	left := int64(mostRead)
	for i := range terms[1:] {
		t := &terms[1+i]
		if left -= t.size; t.many || left < 0 || t.size > int64(candidates.count()*entrySize*readingPays) {
			break
		}
		if candidates, err = s.narrow(ctx, shop, candidates, t); err != nil {
			return nil, err
		}
	}
	if pays() {
		x := sieveOf(candidates)
		if done, err := f.walk(ctx, &x, 4*stretch(candidates.count())); done || err != nil {
			return f.rows(ctx, err)
		}
	}
	ordered, err := s.newest(ctx, shop, slices.Collect(candidates.all()))
	if err != nil {
		return nil, err
	}
	f.seen, f.found = map[workflow.JobNumber]bool{}, nil
	for part := range slices.Chunk(ordered, readAtOnce) {
		if err := f.try(ctx, part); err != nil || len(f.found) == limit {
			return f.rows(ctx, err)
		}
	}
	return f.rows(ctx, nil)
}

// terms looks up how common words are, and returns the rarest first, and how many jobs there are.
func (s *Store) terms(ctx context.Context, shop workflow.ShopID, want []string) (out []term, total int64, err error) {
	k, last := of(shop), want[len(want)-1]
	exact := slices.Clone(want[:len(want)-1])
	slices.Sort(exact)
	exact = slices.Compact(exact)
	var all *driver.IntCmd
	var sizes []*driver.IntCmd
	var begin *driver.StringSliceCmd
	if err := s.batch(ctx, false, func(p driver.Pipeliner) {
		sizes = nil
		for _, w := range exact {
			sizes = append(sizes, p.StrLen(ctx, k.word(w)))
		}
		begin = p.ZRangeByLex(ctx, k.words(), &driver.ZRangeBy{Min: "[" + last, Max: "(" + last + "\xff", Count: int64(mostWords) + 1})
		all = p.ZCard(ctx, k.changed())
	}); err != nil {
		return nil, 0, err
	}
	for i, w := range exact {
		out = append(out, term{words: []string{w}, size: sizes[i].Val()})
	}
	t := term{words: begin.Val()}
	if t.many = len(t.words) > mostWords; t.many {
		t.size = int64(len(t.words)) * entrySize
	} else if len(t.words) > 0 {
		if err := s.batch(ctx, false, func(p driver.Pipeliner) {
			sizes = nil
			for _, w := range t.words {
				sizes = append(sizes, p.StrLen(ctx, k.word(w)))
			}
		}); err != nil {
			return nil, 0, err
		}
		for _, n := range sizes {
			t.size += n.Val()
		}
	}
	out = append(out, t)
	slices.SortStableFunc(out, func(a, b term) int { return cmp.Compare(a.size, b.size) })
	return out, all.Val(), nil
}

// having returns the jobs that a term's lists name, some perhaps twice.
func (s *Store) having(ctx context.Context, shop workflow.ShopID, last string, t *term) (found wordLists, err error) {
	for words := t.words; len(words) > 0; {
		more, err := s.lists(ctx, shop, words)
		if err != nil {
			return nil, err
		}
		found = append(found, more...)
		if !t.many {
			break
		}
		from := words[len(words)-1]
		if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
			words, err = c.ZRangeByLex(ctx, of(shop).words(), &driver.ZRangeBy{Min: "(" + from, Max: "(" + last + "\xff", Count: int64(mostWords)}).Result()
			return err
		}); err != nil {
			return nil, err
		}
	}
	return found, nil
}

// narrow keeps those of the jobs that a term's lists name as well, and a few others.
func (s *Store) narrow(ctx context.Context, shop workflow.ShopID, jobs wordLists, t *term) (wordLists, error) {
	named, err := s.lists(ctx, shop, t.words)
	if err != nil {
		return nil, err
	}
	x := sieveOf(named)
	var kept strings.Builder
	for n := range jobs.all() {
		if x.has(n) {
			kept.WriteString(string(n))
			kept.WriteByte('\n')
		}
	}
	return wordLists{kept.String()}, nil
}

// lists reads the lists of words.
func (s *Store) lists(ctx context.Context, shop workflow.ShopID, words []string) (wordLists, error) {
	names := make([]string, len(words))
	for i, w := range words {
		names[i] = of(shop).word(w)
	}
	var found []any
	err := s.read(ctx, func(c driver.UniversalClient) (err error) {
		found, err = c.MGet(ctx, names...).Result()
		return err
	})
	out := make(wordLists, 0, len(found))
	for _, f := range found {
		if list, ok := f.(string); ok {
			out = append(out, list)
		}
	}
	return out, err
}

// wordLists is what is kept for words: their jobs, each with a line feed after it. There may be empty lines.
type wordLists []string

func (l wordLists) all() iter.Seq[workflow.JobNumber] {
	return func(yield func(workflow.JobNumber) bool) {
		for _, list := range l {
			for at := 0; at < len(list); {
				n := strings.IndexByte(list[at:], '\n')
				if n < 0 || n > 0 && !yield(workflow.JobNumber(list[at:at+n])) {
					return
				}
				at += n + 1
			}
		}
	}
}

// count returns how many there are, as a rule.
func (l wordLists) count() (n int) {
	for _, list := range l {
		n += len(list)
	}
	return n / entrySize
}

// sieve is a set of jobs that may hold a few it was not given, one of seventy it is asked for or fewer: two bits
// for each job, of sixteen or more.
type sieve struct {
	seed maphash.Seed
	bits []uint64
}

func sieveOf(jobs wordLists) sieve {
	x := sieve{maphash.MakeSeed(), make([]uint64, 1<<bits.Len(uint(jobs.count()/4)))}
	for n := range jobs.all() {
		a, b := x.at(n)
		x.bits[a/64] |= 1 << (a % 64)
		x.bits[b/64] |= 1 << (b % 64)
	}
	return x
}

func (x *sieve) at(n workflow.JobNumber) (a, b uint64) {
	h, mask := maphash.String(x.seed, string(n)), uint64(len(x.bits))*64-1
	return h & mask, h >> 32 & mask
}

func (x *sieve) has(n workflow.JobNumber) bool {
	a, b := x.at(n)
	return x.bits[a/64]&(1<<(a%64)) != 0 && x.bits[b/64]&(1<<(b%64)) != 0
}

// finder gathers the jobs that match, in the order in which they are tried.
type finder struct {
	s     *Store
	shop  workflow.ShopID
	want  []string
	limit int
	seen  map[workflow.JobNumber]bool
	found []workflow.JobNumber
}

// rows reads what was found, if nothing went wrong.
func (f *finder) rows(ctx context.Context, err error) ([]workflow.Row, error) {
	if err != nil {
		return nil, err
	}
	return f.s.rows(ctx, f.shop, f.found)
}

// walk tries the newest jobs, those in the sieve if one is given, and reports whether it found enough, or
// came to the end. It goes no further than so many jobs, and returns up before where those found say that it
// would not be enough.
func (f *finder) walk(ctx context.Context, some *sieve, most int) (done bool, err error) {
	page := inAPage
	if some == nil {
		page = readAtOnce
	}
	var try []workflow.JobNumber
	for at := 0; at < most; at += page {
		var numbers []string
		if err := f.s.read(ctx, func(c driver.UniversalClient) (err error) {
			numbers, err = c.ZRange(ctx, of(f.shop).changed(), int64(at), int64(at+page-1)).Result()
			return err
		}); err != nil {
			return false, err
		}
		for _, n := range numbers {
			if n := workflow.JobNumber(n); some == nil || some.has(n) {
				try = append(try, n)
			}
		}
		last := len(numbers) < page
		if !last && len(try) < f.limit-len(f.found) {
			continue // read them with those of the next page
		}
		for part := range slices.Chunk(try, readAtOnce) {
			if err := f.try(ctx, part); err != nil || len(f.found) == f.limit {
				return true, err
			}
		}
		if last {
			return true, nil
		}
		if seen := at + page; seen >= inAPage && f.limit*seen/max(1, len(f.found)) > 2*most {
			return false, nil
		}
		try = nil
	}
	return false, nil
}

// try reads what jobs are found by and keeps those that match, up to the limit. One that moved to the front
// between two pages is kept once.
func (f *finder) try(ctx context.Context, numbers []workflow.JobNumber) error {
	var texts []*driver.StringCmd
	if err := f.s.batch(ctx, false, func(p driver.Pipeliner) {
		texts = nil
		for _, n := range numbers {
			texts = append(texts, p.HGet(ctx, of(f.shop).job(n), "t"))
		}
	}); err != nil {
		return err
	}
	for i, n := range numbers {
		if len(f.found) < f.limit && !f.seen[n] && f.match(texts[i].Val()) {
			f.seen[n] = true
			f.found = append(f.found, n)
		}
	}
	return nil
}

// match reports whether words, with one blank between them, are those looked for.
func (f *finder) match(words string) bool {
	words = " " + words + " "
	for i, w := range f.want {
		if w = " " + w; i < len(f.want)-1 {
			w += " "
		}
		if !strings.Contains(words, w) {
			return false
		}
	}
	return true
}

// newest puts jobs in order, those that changed last first; those that are gone are left out.
func (s *Store) newest(ctx context.Context, shop workflow.ShopID, numbers []workflow.JobNumber) ([]workflow.JobNumber, error) {
	at := make(map[workflow.JobNumber]float64, len(numbers))
	for part := range slices.Chunk(numbers, 5000) {
		names := make([]any, 0, len(part)+2)
		names = append(names, "zmscore", of(shop).changed())
		for _, n := range part {
			names = append(names, string(n))
		}
		var scores []any
		if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
			scores, err = c.Do(ctx, names...).Slice()
			return err
		}); err != nil {
			return nil, err
		}
		for i, text := range scores {
			if text, ok := text.(string); ok {
				score, err := strconv.ParseFloat(text, 64)
				if err != nil {
					return nil, fmt.Errorf("the last change of job %s: %w", part[i], err)
				}
				at[part[i]] = score
			}
		}
	}
	return slices.SortedFunc(maps.Keys(at), func(a, b workflow.JobNumber) int {
		return cmp.Or(cmp.Compare(at[a], at[b]), cmp.Compare(a, b))
	}), nil
}
