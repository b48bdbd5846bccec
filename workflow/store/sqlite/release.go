package sqlite

import (
	"context"

	"benchword/workflow"
)

// ReleaseLeases ends the leases of a shop's outbox entries: those of a process that was killed. Only the
// server that has the folder for itself ([Open]) may call it, before it sends anything; whoever held a
// lease finds it lost.
func (s *Store) ReleaseLeases(ctx context.Context, shop workflow.ShopID) error {
	return s.write.update(ctx, func(t *tx) error {
		return t.exec("UPDATE outbox SET lease = '', lease_until = NULL WHERE shop = ? AND head = 1 AND lease <> ''", shop)
	})
}
