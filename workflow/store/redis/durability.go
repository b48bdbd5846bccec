package redis

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"benchword/workflow"

	driver "github.com/redis/go-redis/v9"
)

// Durability is what an acknowledgement is worth, as the servers are set up.
type Durability struct {
	// Version is the oldest server's.
	Version string
	// Disk is what the weakest primary keeps: "always" syncs each change, "everysec" about every second, "no"
	// when the system likes, "snapshots" only now and then, "nothing" nothing.
	Disk string
	// Replicas is the least number of replicas that a primary has at this moment.
	Replicas int
	// Unfit says why Open would refuse the servers as they are by now, "" where it would not.
	Unfit string
	// Warnings are sentences for the person who runs the server: what can be lost, and what to set.
	Warnings []string
}

// rank orders what servers keep, the weakest first.
var rank = map[string]int{"nothing": 0, "snapshots": 1, "no": 2, "everysec": 3, "always": 4}

// Durability returns what was found when it was last looked.
func (s *Store) Durability() Durability { return *s.says.Load() }

// Look asks the servers anew how they keep what they are given: somebody may have changed that, or another server
// may have taken over. It fails where they can't be reached, or can't be relied on.
func (s *Store) Look(ctx context.Context) error {
	d, err := s.durability(ctx)
	if errors.Is(err, workflow.ErrUnavailable) {
		return err
	}
	if err != nil {
		d.Unfit = workflow.MessageOf(err)
	}
	s.says.Store(&d)
	return err
}

// durability asks every primary and refuses those that can't be relied on.
func (s *Store) durability(ctx context.Context) (Durability, error) {
	var mu sync.Mutex
	all := Durability{Disk: "always", Replicas: 1 << 30}
	n, hidden := 0, false
	err := s.primaries(ctx, func(ctx context.Context, c *driver.Client) error {
		info, err := c.Info(ctx).Result()
		if err != nil {
			return err
		}
		facts := map[string]string{}
		for line := range strings.Lines(info) {
			if name, value, ok := strings.Cut(strings.TrimSpace(line), ":"); ok {
				facts[name] = value
			}
		}
		d := Durability{Version: facts["redis_version"], Disk: "nothing"}
		d.Replicas, _ = strconv.Atoi(facts["connected_slaves"])
		set, err := c.ConfigGet(ctx, "appendfsync").Result()
		save, err2 := c.ConfigGet(ctx, "save").Result()
		switch {
		case facts["aof_enabled"] == "1" && (err != nil || set["appendfsync"] == ""):
			// A hosted server that does not tell: the usual setting is taken for granted.
			d.Disk = "everysec"
		case facts["aof_enabled"] == "1":
			d.Disk = set["appendfsync"]
		case err2 != nil || save["save"] != "":
			d.Disk = "snapshots"
		}
		mu.Lock()
		defer mu.Unlock()
		n++
		hidden = hidden || err != nil || err2 != nil
		if all.Version == "" || older(d.Version, all.Version) {
			all.Version = d.Version
		}
		if rank[d.Disk] < rank[all.Disk] {
			all.Disk = d.Disk
		}
		all.Replicas = min(all.Replicas, d.Replicas)
		if facts["maxmemory_policy"] != "" && facts["maxmemory_policy"] != "noeviction" {
			return errEvicts
		}
		return nil
	})
	switch {
	case errors.Is(err, errEvicts):
		return all, unusable(nil, "The Redis server throws data away when its memory is full. Set maxmemory-policy to noeviction: then it refuses what it can't keep, and says so.")
	case err != nil:
		return all, unusable(fmt.Errorf("%w: %w", workflow.ErrUnavailable, err), "The Redis server can't be reached, or does not let this user in. Check the store's address, user and password.")
	case n == 0:
		return all, unusable(nil, "The Redis cluster has no primary that answers.")
	case older(all.Version, "7"):
		return all, unusable(nil, "The Redis server is version %s; benchword needs 7 or later.", all.Version)
	case s.opt.Fsync && older(all.Version, "7.2"):
		return all, unusable(nil, "Waiting for the disk needs Redis 7.2 or later; the server is %s. Leave wait_disk out, and set appendfsync to always instead.", all.Version)
	case all.Replicas < s.opt.Replicas:
		return all, unusable(nil, "Every change is to be confirmed by %d replicas, but the Redis server has %d. Add replicas, or set wait_replicas to what there is.", s.opt.Replicas, all.Replicas)
	case all.Disk == "nothing" && !s.opt.Lossy:
		return all, unusable(nil, "The Redis server keeps nothing on disk: a restart would lose every job. Set appendonly to yes and appendfsync to always. If losing everything is fine, say so: data_may_be_lost = true.")
	}
	warn := func(format string, args ...any) { all.Warnings = append(all.Warnings, fmt.Sprintf(format, args...)) }
	switch all.Disk {
	case "nothing":
		warn("The Redis server keeps nothing on disk: when it stops, every job is lost. The settings say that this is fine.")
	case "snapshots":
		warn("The Redis server only writes snapshots: when it fails, all that was confirmed since the last one is lost, minutes to hours. Set appendonly to yes and appendfsync to always.")
	case "no":
		warn("The Redis server leaves writing to the system: a power cut may lose what was confirmed in about the last half minute. Set appendfsync to always.")
	case "everysec":
		if !s.opt.Fsync {
			warn("The Redis server writes to disk about once a second (appendfsync everysec): a crash of its machine may lose up to two seconds of confirmed steps. Set appendfsync to always.")
		}
	}
	if s.opt.Replicas == 0 && all.Replicas > 0 {
		warn("The Redis server has replicas, but steps are confirmed before they have them: a failover may lose the last moments. Set wait_replicas to 1 or more.")
	}
	if hidden {
		warn("The Redis server does not tell how it writes to disk (CONFIG is not allowed); what is said here is a guess.")
	}
	return all, nil
}

var errEvicts = errors.New("maxmemory-policy evicts")

// older compares versions like 7.0.15 by their first two numbers.
func older(a, b string) bool {
	number := func(v string) int {
		p := append(strings.Split(v, "."), "0", "0")
		major, _ := strconv.Atoi(p[0])
		minor, _ := strconv.Atoi(p[1])
		return 1000*major + minor
	}
	return number(a) < number(b)
}
