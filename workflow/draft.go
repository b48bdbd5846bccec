package workflow

import (
	"context"
	"strings"
	"time"
)

// A draft is a text that somebody is writing about a job: it is kept as it is typed, outside of the job's
// history, until it is sent or forgotten.

const (
	bucketDraft = "draft"
	draftFor    = 60 * 24 * time.Hour
)

func draftKey(n JobNumber, name string) string { return string(n) + "/" + name }

// Draft returns a draft's bytes. Error: ErrNotFound.
func (s *Service) Draft(ctx context.Context, n JobNumber, name string) ([]byte, error) {
	return s.Bucket(bucketDraft).Get(ctx, draftKey(n, name))
}

// KeepDraft keeps a draft for 60 days.
func (s *Service) KeepDraft(ctx context.Context, n JobNumber, name string, b []byte) error {
	return s.Bucket(bucketDraft).Put(ctx, draftKey(n, name), b, s.Now().Add(draftFor))
}

// dropDrafts removes every draft about a job.
func (s *Service) dropDrafts(ctx context.Context, n JobNumber) error {
	all, err := s.store.ListKeys(ctx, s.Shop.ID, bucketDraft, time.Time{}) // expired ones too, until they are swept away
	if err != nil {
		return err
	}
	for _, kv := range all {
		if strings.HasPrefix(kv.Key, draftKey(n, "")) {
			if err := s.Bucket(bucketDraft).Delete(ctx, kv.Key); err != nil {
				return err
			}
		}
	}
	return nil
}
