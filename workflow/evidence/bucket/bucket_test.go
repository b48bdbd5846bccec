package bucket_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"benchword/workflow"
	"benchword/workflow/evidence"
	"benchword/workflow/evidence/blobtest"
	"benchword/workflow/evidence/bucket"
	"benchword/workflow/evidence/bucket/buckettest"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
	"github.com/stretchr/testify/require"
)

// server starts a real S3 server and returns its address and the folder with its buckets.
func server(t *testing.T) (addr, dir string) {
	t.Helper()
	s := buckettest.Start(t)
	key, secret = s.Key, s.Secret
	return s.Addr, s.Dir
}

var key, secret string

func TestBucket(t *testing.T) {
	addr, data := server(t)
	var number atomic.Int64
	blobtest.Run(t, func(t *testing.T) (evidence.Blobs, blobtest.Damage) {
		p, err := bucket.ParsePlace(fmt.Sprintf("s3+http://%s/photos-%d/of/benchword", addr, number.Add(1)))
		require.NoError(t, err)
		b, err := bucket.Open(t.Context(), p, key, secret)
		require.NoError(t, err)
		return b, func(t *testing.T, f evidence.Folder, d evidence.Digest) {
			name := filepath.Join(data, p.Bucket, p.Prefix, string(f.Shop), string(f.Job), string(f.Area), string(d))
			whole, err := os.ReadFile(name)
			require.NoError(t, err)
			whole[len(whole)/2] ^= 1
			require.NoError(t, os.WriteFile(name, whole, 0o600))
		}
	})
}

// What lies in the bucket is nobody's but the server's: without its key, or with another, nothing is read.
func TestPrivate(t *testing.T) {
	addr, _ := server(t)
	p, err := bucket.ParsePlace("s3+http://" + addr + "/photos")
	require.NoError(t, err)
	b, err := bucket.Open(t.Context(), p, key, secret)
	require.NoError(t, err)
	number, err := workflow.ParseJobNumber("2222227")
	if err != nil {
		number, err = workflow.NewJobNumber(strings.NewReader(strings.Repeat("seed", 64)))
		require.NoError(t, err)
	}
	f := evidence.Folder{Shop: "harbour", Job: number, Area: evidence.Original}
	d, _, err := b.Put(t.Context(), f, strings.NewReader("a photo"))
	require.NoError(t, err)
	resp, err := http.Get(fmt.Sprintf("http://%s/photos/harbour/%s/original/%s", addr, number, d))
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusForbidden, resp.StatusCode)
	_, err = bucket.Open(t.Context(), p, key, "guessed")
	require.ErrorContains(t, err, "can't be reached")

	// A bucket that somebody opened to everybody is refused.
	c, err := minio.New(addr, &minio.Options{Creds: credentials.NewStaticV4(key, secret, "")})
	require.NoError(t, err)
	require.NoError(t, c.SetBucketPolicy(context.Background(), "photos", `{"Statement":[{"Effect":"Allow","Principal":"*","Action":["s3:GetObject"],"Resource":["arn:aws:s3:::photos/*"]}]}`))
	_, err = bucket.Open(t.Context(), p, key, secret)
	require.ErrorContains(t, err, "lets everybody read")
}

// Putting the same photo again, and giving up on it, leaves what is there.
func TestGivenUpAgain(t *testing.T) {
	addr, _ := server(t)
	p, err := bucket.ParsePlace("s3+http://" + addr + "/photos")
	require.NoError(t, err)
	b, err := bucket.Open(t.Context(), p, key, secret)
	require.NoError(t, err)
	number, err := workflow.NewJobNumber(strings.NewReader(strings.Repeat("seed", 64)))
	require.NoError(t, err)
	f := evidence.Folder{Shop: "harbour", Job: number, Area: evidence.Original}
	d, _, err := b.Put(t.Context(), f, strings.NewReader("a photo"))
	require.NoError(t, err)
	ctx, end := context.WithCancel(t.Context())
	_, _, err = b.Put(ctx, f, io.MultiReader(strings.NewReader("a photo"), ending{end}))
	require.ErrorIs(t, err, context.Canceled)
	there, err := b.Has(t.Context(), f, d)
	require.NoError(t, err)
	require.True(t, there)
}

type ending struct{ end func() }

func (e ending) Read([]byte) (int, error) { e.end(); return 0, io.EOF }

func TestParsePlace(t *testing.T) {
	p, err := bucket.ParsePlace("s3+https://s3.example.net:9000/photos/of/ours?region=ca-east-1")
	require.NoError(t, err)
	require.Equal(t, bucket.Place{Endpoint: "s3.example.net:9000", Bucket: "photos", Prefix: "of/ours", Region: "ca-east-1", Secure: true}, p)
	for text, why := range map[string]string{
		"": "must start with", "https://x/y": "must start with", "s3+https:///photos": "server is missing",
		"s3+https://host": "name is missing", "s3+https://a:b@host/photos": "environment", "s3+https://ho st/": "can't be read",
	} {
		_, err := bucket.ParsePlace(text)
		require.ErrorContains(t, err, why, text)
		require.ErrorContains(t, err, "Example: s3+https://")
	}
}
