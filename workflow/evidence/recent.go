package evidence

import (
	"slices"
	"strings"
	"sync"
)

// Recent keeps the newest of the values that were made: photos with their marks drawn in, which take longer
// than all the rest of a mail or paper. The zero value is ready; it is safe for concurrent use.
type Recent[V any] struct {
	mu   sync.Mutex
	kept map[string]V
	age  []string // oldest first
}

// Get returns what is kept under a key.
func (r *Recent[V]) Get(key string) (V, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	v, ok := r.kept[key]
	return v, ok
}

// Drop lets every value go whose key begins like this.
func (r *Recent[V]) Drop(prefix string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.age = slices.DeleteFunc(r.age, func(key string) bool {
		gone := strings.HasPrefix(key, prefix)
		if gone {
			delete(r.kept, key)
		}
		return gone
	})
}

// Keep keeps a value, unless the key has one, and lets the oldest go until there are at most that many.
func (r *Recent[V]) Keep(key string, v V, most int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.kept[key]; ok {
		return
	}
	if r.kept == nil {
		r.kept = map[string]V{}
	}
	r.kept[key] = v
	r.age = append(r.age, key)
	for len(r.age) > most {
		delete(r.kept, r.age[0])
		r.age = r.age[1:]
	}
}
