package redis

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
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

// What a search may cost, in look-ups of one job. Tests change them.
var (
	fewMatches = 2000  // so many are looked at without a second thought
	mostWalked = 20000 // so many of the newest jobs are tried before all matches are fetched
	atOnce     = 100   // so many are asked for in one go
)

// Search finds jobs by words; a query without any finds nothing.
//
// The rarest word leads: its jobs are fetched and put in order. If even that word is in many jobs, the
// newest jobs are gone through instead, since then the first few of them will do.
func (s *Store) Search(ctx context.Context, shop workflow.ShopID, query string, limit int) ([]workflow.Row, error) {
	want := store.Query(query)
	if len(want) == 0 || limit <= 0 {
		return nil, ctx.Err()
	}
	last := want[len(want)-1]
	exact := slices.Clone(want[:len(want)-1])
	slices.Sort(exact)
	exact = slices.Compact(exact)
	matches := func(words string) bool {
		have := strings.Split(words, " ") // sorted
		for _, w := range exact {
			if _, ok := slices.BinarySearch(have, w); !ok {
				return false
			}
		}
		i, _ := slices.BinarySearch(have, last)
		return i < len(have) && strings.HasPrefix(have[i], last)
	}
	type stretch struct {
		min, max string
		size     int64
	}
	all := []stretch{{"[" + last, "(" + last + "\xff", 0}}
	for _, w := range exact {
		all = append(all, stretch{"[" + w + "\x00", "(" + w + "\x01", 0})
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
	rarest := slices.MinFunc(all, func(a, b stretch) int { return cmp.Compare(a.size, b.size) })
	if rarest.size == 0 {
		return nil, nil
	}
	// take goes through jobs, newest first, until enough of them match.
	var found []workflow.JobNumber
	take := func(numbers []workflow.JobNumber) error {
		numbers, err := s.having(ctx, shop, numbers, exact)
		if err != nil {
			return err
		}
		words, err := s.words(ctx, shop, numbers)
		for i, w := range words {
			if len(found) < limit && matches(w) {
				found = append(found, numbers[i])
			}
		}
		return err
	}
	if rarest.size > int64(fewMatches) && total.Val()*int64(limit)/rarest.size < rarest.size {
		for from := 0; from < mostWalked && len(found) < limit; from += atOnce {
			var page []string
			if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
				page, err = c.ZRange(ctx, k.changed(), int64(from), int64(from+atOnce-1)).Result()
				return err
			}); err != nil {
				return nil, err
			}
			if err := take(numbersOf(page)); err != nil {
				return nil, err
			}
			if len(page) < atOnce {
				return s.rows(ctx, shop, found)
			}
		}
		if len(found) >= limit {
			return s.rows(ctx, shop, found)
		}
		found = nil
	}
	numbers, err := s.matching(ctx, shop, rarest.min, rarest.max)
	if err != nil {
		return nil, err
	}
	if len(exact) == 0 {
		return s.rows(ctx, shop, numbers[:min(limit, len(numbers))])
	}
	for part := range slices.Chunk(numbers, 4*atOnce) {
		if err := take(part); err != nil {
			return nil, err
		}
		if len(found) >= limit {
			break
		}
	}
	return s.rows(ctx, shop, found)
}

func numbersOf(list []string) []workflow.JobNumber {
	out := make([]workflow.JobNumber, len(list))
	for i, n := range list {
		out[i] = workflow.JobNumber(n)
	}
	return out
}

// matching gives the jobs of a stretch of words, newest first.
func (s *Store) matching(ctx context.Context, shop workflow.ShopID, from, to string) ([]workflow.JobNumber, error) {
	k := of(shop)
	at := map[string]float64{}
	const page = 10000
	for {
		var members []string
		var scores []float64
		var numbers []string
		err := s.read(ctx, func(c driver.UniversalClient) (err error) {
			if members, err = c.ZRangeByLex(ctx, k.words(), &driver.ZRangeBy{Min: from, Max: to, Count: page}).Result(); err != nil || len(members) == 0 {
				return err
			}
			numbers = numbers[:0]
			for _, m := range members {
				n := m[strings.IndexByte(m, 0)+1:]
				if _, known := at[n]; !known {
					numbers = append(numbers, n)
				}
			}
			if len(numbers) == 0 {
				return nil
			}
			scores, err = c.ZMScore(ctx, k.changed(), numbers...).Result()
			return err
		})
		if err != nil {
			return nil, err
		}
		for i, n := range numbers {
			at[n] = scores[i]
		}
		if len(members) < page {
			break
		}
		from = "(" + members[len(members)-1]
	}
	order := make([]driver.Z, 0, len(at))
	for n, score := range at {
		order = append(order, driver.Z{Score: score, Member: n})
	}
	slices.SortFunc(order, func(a, b driver.Z) int {
		return cmp.Or(cmp.Compare(a.Score, b.Score), cmp.Compare(a.Member.(string), b.Member.(string)))
	})
	out := make([]workflow.JobNumber, len(order))
	for i, z := range order {
		out[i] = workflow.JobNumber(z.Member.(string))
	}
	return out, nil
}

// having gives those jobs that have all of these words: one question a word, however many jobs.
func (s *Store) having(ctx context.Context, shop workflow.ShopID, numbers []workflow.JobNumber, words []string) ([]workflow.JobNumber, error) {
	for _, w := range words {
		if len(numbers) == 0 {
			break
		}
		question := []any{"zmscore", of(shop).words()}
		for _, n := range numbers {
			question = append(question, w+"\x00"+string(n))
		}
		var there []any
		if err := s.read(ctx, func(c driver.UniversalClient) (err error) {
			there, err = c.Do(ctx, question...).Slice()
			return err
		}); err != nil {
			return nil, err
		}
		var left []workflow.JobNumber
		for i, score := range there {
			if score != nil {
				left = append(left, numbers[i])
			}
		}
		numbers = left
	}
	return numbers, nil
}

// words gives the words of jobs, "" for those that are gone.
func (s *Store) words(ctx context.Context, shop workflow.ShopID, numbers []workflow.JobNumber) ([]string, error) {
	if len(numbers) == 0 {
		return nil, nil
	}
	k := of(shop)
	var found []*driver.StringCmd
	err := s.batch(ctx, false, func(p driver.Pipeliner) {
		found = nil
		for _, n := range numbers {
			found = append(found, p.HGet(ctx, k.job(n), "t"))
		}
	})
	if err != nil {
		return nil, err
	}
	out := make([]string, len(found))
	for i, f := range found {
		out[i] = f.Val()
	}
	return out, nil
}
