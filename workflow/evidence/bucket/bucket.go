// Package bucket keeps photos in an S3-compatible bucket, for servers that share them: the same contract
// as the folder beside the database.
//
// Keys are SHOP/JOB/AREA/DIGEST below a prefix. Objects are private: nothing here ever makes one
// readable without the server's own key, and [Open] refuses a bucket whose policy lets everybody read.
// Bytes are streamed both ways; on their way in they lie in a temporary file, since their name, the
// digest, is known only at their end. A Put that returned is as safe as the bucket keeps what it
// acknowledged: how many copies, on how many disks, is the bucket's promise and not ours.
package bucket

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path"
	"slices"
	"strings"

	"benchword/workflow"
	"benchword/workflow/evidence"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// Bucket is an open bucket.
type Bucket struct {
	client *minio.Client
	name   string
	prefix string
}

var _ evidence.Blobs = (*Bucket)(nil)

// Place is where a bucket is, as settings write it: s3+https://HOST[:PORT]/BUCKET[/PREFIX][?region=…]
// (s3+http for a trial on one machine).
type Place struct {
	Endpoint, Bucket, Prefix, Region string
	Secure                           bool
}

// ParsePlace reads a place.
func ParsePlace(s string) (Place, error) {
	bad := func(why string) (Place, error) {
		return Place{}, fmt.Errorf("%q is no place of a bucket: %s. Example: s3+https://s3.example.net/photos", s, why)
	}
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return bad("it can't be read as an address")
	case u.Scheme != "s3+https" && u.Scheme != "s3+http":
		return bad("it must start with s3+https:// (or s3+http:// for a trial)")
	case u.Host == "":
		return bad("the server is missing")
	case u.User != nil:
		return bad("keys don't belong there; they come from the environment")
	}
	name, prefix, _ := strings.Cut(strings.Trim(u.Path, "/"), "/")
	if name == "" {
		return bad("the bucket's name is missing")
	}
	return Place{Endpoint: u.Host, Bucket: name, Prefix: prefix, Region: u.Query().Get("region"), Secure: u.Scheme == "s3+https"}, nil
}

// Open reaches the bucket, and makes it if it is not there.
func Open(ctx context.Context, p Place, key, secret string) (*Bucket, error) {
	client, err := minio.New(p.Endpoint, &minio.Options{Creds: credentials.NewStaticV4(key, secret, ""), Secure: p.Secure, Region: p.Region})
	if err != nil {
		return nil, fmt.Errorf("evidence: the bucket's address: %w", err)
	}
	b := &Bucket{client: client, name: p.Bucket, prefix: p.Prefix}
	there, err := client.BucketExists(ctx, b.name)
	if err != nil {
		return nil, fmt.Errorf("evidence: the bucket %s can't be reached: %w", b.name, err)
	}
	if !there {
		if err := client.MakeBucket(ctx, b.name, minio.MakeBucketOptions{Region: p.Region}); err != nil {
			return nil, fmt.Errorf("evidence: the bucket %s can't be made: %w", b.name, err)
		}
		return b, nil
	}
	policy, err := client.GetBucketPolicy(ctx, b.name)
	if err != nil && minio.ToErrorResponse(err).Code != "NoSuchBucketPolicy" && minio.ToErrorResponse(err).Code != "NotImplemented" && minio.ToErrorResponse(err).Code != "AccessDenied" {
		return nil, fmt.Errorf("evidence: the bucket's policy can't be read: %w", err)
	}
	open, err := public(policy)
	if err != nil {
		return nil, fmt.Errorf("evidence: the policy of bucket %s can't be understood, so it may let everybody read: %w", b.name, err)
	}
	if open {
		return nil, fmt.Errorf("evidence: the policy of bucket %s lets everybody read; customers' photos must not lie there. Take the policy away, or name another bucket", b.name)
	}
	return b, nil
}

// public reports whether a bucket policy allows something to everybody. A statement may stand alone or in a
// list, and so may a principal.
func public(policy string) (bool, error) {
	type statement struct {
		Effect    string
		Principal json.RawMessage
	}
	if policy == "" {
		return false, nil
	}
	var p struct{ Statement json.RawMessage }
	if err := json.Unmarshal([]byte(policy), &p); err != nil {
		return false, err
	}
	statements, err := oneOrMore[statement](p.Statement)
	if err != nil {
		return false, err
	}
	for _, s := range statements {
		if s.Effect != "Allow" || len(s.Principal) == 0 {
			continue
		}
		of := s.Principal
		var accounts struct{ AWS json.RawMessage }
		if of[0] == '{' {
			if err := json.Unmarshal(of, &accounts); err != nil {
				return false, err
			}
			if of = accounts.AWS; len(of) == 0 {
				continue // a service, or a federation
			}
		}
		names, err := oneOrMore[string](of)
		if err != nil {
			return false, err
		}
		if slices.Contains(names, "*") {
			return true, nil
		}
	}
	return false, nil
}

// oneOrMore reads a value, or a list of them.
func oneOrMore[T any](raw json.RawMessage) (list []T, err error) {
	if len(raw) > 0 && raw[0] == '[' {
		err = json.Unmarshal(raw, &list)
		return list, err
	}
	var one T
	if err := json.Unmarshal(raw, &one); err != nil {
		return nil, err
	}
	return []T{one}, nil
}

func (b *Bucket) job(shop workflow.ShopID, job workflow.JobNumber) string {
	return path.Join(b.prefix, string(shop), string(job)) + "/"
}

func (b *Bucket) key(f evidence.Folder, d evidence.Digest) (string, error) {
	if err := f.Check(); err != nil {
		return "", err
	}
	if !d.Valid() {
		return "", fmt.Errorf("evidence: %q is no digest", string(d))
	}
	return b.job(f.Shop, f.Job) + string(f.Area) + "/" + string(d), nil
}

// failed puts an error of the bucket into our words.
func failed(ctx context.Context, doing string, err error) error {
	if ended := ctx.Err(); ended != nil {
		err = ended
	}
	return fmt.Errorf("evidence: %s: %w", doing, err)
}

func missing(err error) bool {
	code := minio.ToErrorResponse(err).Code
	return code == "NoSuchKey" || code == "NotFound"
}

// Put implements [evidence.Blobs].
func (b *Bucket) Put(ctx context.Context, f evidence.Folder, r io.Reader) (_ evidence.Digest, size int64, err error) {
	if err := f.Check(); err != nil {
		return "", 0, err
	}
	if err := ctx.Err(); err != nil {
		return "", 0, failed(ctx, "keeping a blob", err)
	}
	part, err := os.CreateTemp("", "benchword-photo-")
	if err != nil {
		return "", 0, fmt.Errorf("evidence: making a file: %w", err)
	}
	defer func() { err = errors.Join(err, part.Close(), os.Remove(part.Name())) }()
	sum := sha256.New()
	if size, err = io.Copy(io.MultiWriter(part, sum), r); err != nil {
		return "", 0, failed(ctx, "keeping a blob", err)
	}
	if err = ctx.Err(); err != nil {
		return "", 0, failed(ctx, "keeping a blob", err)
	}
	d := evidence.Digest(hex.EncodeToString(sum.Sum(nil)))
	key, err := b.key(f, d)
	if err != nil {
		return "", 0, err
	}
	if _, err = part.Seek(0, io.SeekStart); err != nil {
		return "", 0, fmt.Errorf("evidence: keeping a blob: %w", err)
	}
	if _, err = b.client.PutObject(ctx, b.name, key, part, size, minio.PutObjectOptions{ContentType: "application/octet-stream", SendContentMd5: true}); err != nil {
		return "", 0, failed(ctx, "keeping a blob", err)
	}
	return d, size, nil
}

// Open implements [evidence.Blobs].
func (b *Bucket) Open(ctx context.Context, f evidence.Folder, d evidence.Digest) (io.ReadCloser, int64, error) {
	key, err := b.key(f, d)
	if err != nil {
		return nil, 0, err
	}
	if err := ctx.Err(); err != nil {
		return nil, 0, failed(ctx, "opening a blob", err)
	}
	// The low-level call makes one request; the other one would make two.
	r, info, _, err := (&minio.Core{Client: b.client}).GetObject(ctx, b.name, key, minio.GetObjectOptions{})
	if err != nil {
		if missing(err) {
			return nil, 0, evidence.ErrNotThere
		}
		return nil, 0, failed(ctx, "opening a blob", err)
	}
	return evidence.Checked(r, d), info.Size, nil
}

// Has implements [evidence.Blobs].
func (b *Bucket) Has(ctx context.Context, f evidence.Folder, d evidence.Digest) (bool, error) {
	key, err := b.key(f, d)
	if err != nil {
		return false, err
	}
	if err := ctx.Err(); err != nil {
		return false, failed(ctx, "looking for a blob", err)
	}
	if _, err := b.client.StatObject(ctx, b.name, key, minio.StatObjectOptions{}); err != nil {
		if missing(err) {
			return false, nil
		}
		return false, failed(ctx, "looking for a blob", err)
	}
	return true, nil
}

// Delete implements [evidence.Blobs].
func (b *Bucket) Delete(ctx context.Context, f evidence.Folder, d evidence.Digest) error {
	key, err := b.key(f, d)
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return failed(ctx, "deleting a blob", err)
	}
	if err := b.client.RemoveObject(ctx, b.name, key, minio.RemoveObjectOptions{}); err != nil && !missing(err) {
		return failed(ctx, "deleting a blob", err)
	}
	return nil
}

// Clear implements [evidence.Blobs].
func (b *Bucket) Clear(ctx context.Context, shop workflow.ShopID, job workflow.JobNumber) error {
	if err := (evidence.Folder{Shop: shop, Job: job, Area: evidence.Original}).Check(); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return failed(ctx, "clearing a job's blobs", err)
	}
	for o := range b.client.ListObjectsIter(ctx, b.name, minio.ListObjectsOptions{Prefix: b.job(shop, job), Recursive: true}) {
		if o.Err != nil {
			return failed(ctx, "clearing a job's blobs", o.Err)
		}
		if err := b.client.RemoveObject(ctx, b.name, o.Key, minio.RemoveObjectOptions{}); err != nil && !missing(err) {
			return failed(ctx, "clearing a job's blobs", err)
		}
	}
	return nil
}
