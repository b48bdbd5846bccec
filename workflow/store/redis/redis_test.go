package redis_test

import (
	"context"
	"flag"
	"os"
	"testing"

	"benchword/workflow"
	"benchword/workflow/longtest"
	"benchword/workflow/store/redis"
	"benchword/workflow/store/redis/redistest"
	"benchword/workflow/store/storetest"

	driver "github.com/redis/go-redis/v9"
	"github.com/stretchr/testify/require"
)

// A hundred sequences for the memory are enough of thirty for servers: they are the same ones.
func TestMain(m *testing.M) {
	flag.Parse()
	if f := flag.Lookup("rapid.checks"); longtest.Whole() && f.Value.String() == f.DefValue {
		_ = f.Value.Set("30")
	}
	os.Exit(m.Run())
}

func open(t testing.TB, o redis.Options) *redis.Store {
	t.Helper()
	s, err := redis.Open(context.Background(), o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// empty returns stores on servers that are emptied before each.
func empty(url string, servers ...*driver.Client) func(t testing.TB) workflow.Store {
	return func(t testing.TB) workflow.Store {
		for _, c := range servers {
			require.NoError(t, c.FlushAll(context.Background()).Err())
		}
		return open(t, redis.Options{URL: url})
	}
}

func TestStore(t *testing.T) {
	s := redistest.Start(t)
	fresh := empty(s.URL(), s.Client(t))
	storetest.Run(t, fresh)
	t.Run("durable", func(t *testing.T) {
		storetest.Durable(t, fresh, func(t testing.TB, old workflow.Store) workflow.Store {
			require.NoError(t, old.Close())
			s.Kill()
			s.Again(t)
			return open(t, redis.Options{URL: s.URL()})
		})
	})
}

func TestCluster(t *testing.T) {
	longtest.Gate(t)
	servers, url := redistest.Cluster(t, 3)
	var clients []*driver.Client
	for _, s := range servers {
		clients = append(clients, s.Client(t))
	}
	storetest.Run(t, empty(url, clients...))
}

var driverQuery = driver.FunctionListQuery{LibraryNamePattern: "benchword_*"}
