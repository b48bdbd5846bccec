package redis

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
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
		return workflow.LinkRow{}, notFound("link")
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

// Counts gives the number of jobs in each stage that has any.
func (s *Store) Counts(ctx context.Context, shop workflow.ShopID) (map[workflow.Stage]int, error) {
	var counts []*driver.IntCmd
	err := s.batch(ctx, false, func(p driver.Pipeliner) {
		counts = nil
		for _, stage := range workflow.Stages {
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
			out[workflow.Stages[i]] = int(n.Val())
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

// Due gives the jobs whose wake-up instant is at or before now, the longest overdue first.
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

// NextWake gives the earliest wake-up instant, zero if there is none.
func (s *Store) NextWake(ctx context.Context, shop workflow.ShopID) (time.Time, error) {
	return s.first(ctx, of(shop).wakes())
}

// first gives the least score of a sorted set as an instant.
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

// What a search may cost, in looks at one job. Tests change them.
var (
	fewMatches = 1000  // so many are gone through without a second thought
	mostWalked = 30000 // so many of the newest jobs are tried before all matches are gone through
	atOnce     = 1000  // so many in one call, during which the server does nothing else: 1 to 3 ms
	inAPage    = 200   // so many before it is asked whether there are enough
)

// stretch is where in words a word stands, or all words that begin with it.
type stretch struct {
	word, min, max string
	size           int64
}

// Search finds jobs by words; a query without any finds nothing.
//
// The jobs of the rarest word can be gone through for those that have the other words, too. Where words are
// so common that this is many, the newest jobs are gone through first: if enough of them match, that is as
// far as one needs to look. Both are done beside the data, in bounded steps.
func (s *Store) Search(ctx context.Context, shop workflow.ShopID, query string, limit int) ([]workflow.Row, error) {
	want := store.Query(query)
	if len(want) == 0 || limit <= 0 {
		return nil, ctx.Err()
	}
	last := want[len(want)-1]
	exact := slices.Clone(want[:len(want)-1])
	slices.Sort(exact)
	exact = slices.Compact(exact)
	all := []stretch{{last, "[" + last, "(" + last + "\xff", 0}}
	for _, w := range exact {
		all = append(all, stretch{w, "[" + w + "\x00", "(" + w + "\x01", 0})
	}
	k := of(shop)
	var total *driver.IntCmd
	var sizes []*driver.IntCmd
	if err := s.batch(ctx, false, func(p driver.Pipeliner) {
		sizes = nil
		for _, x := range all {
			sizes = append(sizes, p.ZLexCount(ctx, k.words(), x.min, x.max))
		}
		total = p.ZCard(ctx, k.changed())
	}); err != nil {
		return nil, err
	}
	for i := range sizes {
		all[i].size = sizes[i].Val()
	}
	begins := all[0]
	slices.SortFunc(all[1:], func(a, b stretch) int { return cmp.Compare(a.size, b.size) })
	exact = exact[:0]
	for _, x := range all[1:] {
		exact = append(exact, x.word) // the rarest first: it leaves least for the others
	}
	rarest := slices.MinFunc(all, func(a, b stretch) int { return cmp.Compare(a.size, b.size) })
	if rarest.size == 0 {
		return nil, nil
	}
	if rarest.size > int64(fewMatches) && total.Val()*int64(limit)/rarest.size < rarest.size {
		found, enough, err := s.walk(ctx, shop, begins.word, exact, limit, int(rarest.size))
		if err != nil {
			return nil, err
		}
		if enough {
			return s.rows(ctx, shop, found)
		}
	}
	if rarest.word == begins.word {
		last = "" // all of the stretch begin with it
	} else {
		exact = slices.DeleteFunc(exact, func(w string) bool { return w == rarest.word })
	}
	found, err := s.sift(ctx, shop, rarest, last, exact)
	if err != nil {
		return nil, err
	}
	found, err = s.newest(ctx, shop, found)
	if err != nil {
		return nil, err
	}
	return s.rows(ctx, shop, found[:min(limit, len(found))])
}

// ask calls a function that changes nothing; its answer is a place to go on from, and jobs.
func (s *Store) ask(ctx context.Context, name string, keys []string, args ...any) (next string, numbers []workflow.JobNumber, err error) {
	var answer []string
	for range tries {
		err = s.read(ctx, func(c driver.UniversalClient) (err error) {
			answer, err = c.FCallRO(ctx, libraryName+"_"+name, keys, args...).StringSlice()
			return err
		})
		if err == nil || !strings.Contains(err.Error(), "Function not found") {
			break
		}
		if err := s.load(ctx); err != nil {
			return "", nil, s.lost(ctx, err)
		}
	}
	if err != nil {
		return "", nil, err
	}
	return answer[0], numbersOf(answer[1:]), nil
}

// walk goes through the newest jobs until enough of them match. It gives up where so few do that to go
// through the others, so many, is less. Between two calls a job may have moved to the front, so what was
// found is kept once.
func (s *Store) walk(ctx context.Context, shop workflow.ShopID, last string, exact []string, limit, others int) (found []workflow.JobNumber, enough bool, err error) {
	k, seen := of(shop), map[workflow.JobNumber]bool{}
	for at := 0; ; {
		a := args{k.job(""), last, at, atOnce, inAPage, limit - len(found)}
		a.add(anys(exact)...)
		next, numbers, err := s.ask(ctx, "walk", []string{k.changed(), k.words()}, a...)
		if err != nil {
			return nil, false, err
		}
		for _, n := range numbers {
			if !seen[n] && len(found) < limit {
				seen[n] = true
				found = append(found, n)
			}
		}
		if next == "" || len(found) >= limit {
			return found, true, nil
		}
		if at, err = strconv.Atoi(next); err != nil {
			return nil, false, err
		}
		// Twice as many, so that none is as good as half a one.
		if left := (limit - len(found)) * at * 2 / max(1, 2*len(found)); at >= mostWalked || left > others {
			return nil, false, nil
		}
	}
}

// sift gives the jobs of a stretch of words that have the other words, too, each once.
func (s *Store) sift(ctx context.Context, shop workflow.ShopID, x stretch, last string, exact []string) (found []workflow.JobNumber, err error) {
	k, seen := of(shop), map[workflow.JobNumber]bool{}
	for from := x.min; from != ""; {
		a := args{k.job(""), last, from, x.max, atOnce}
		a.add(anys(exact)...)
		next, numbers, err := s.ask(ctx, "sift", []string{k.words()}, a...)
		if err != nil {
			return nil, err
		}
		for _, n := range numbers {
			if !seen[n] {
				seen[n] = true
				found = append(found, n)
			}
		}
		from = next
	}
	return found, nil
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

func numbersOf(list []string) []workflow.JobNumber {
	out := make([]workflow.JobNumber, len(list))
	for i, n := range list {
		out[i] = workflow.JobNumber(n)
	}
	return out
}
