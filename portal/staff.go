package portal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"benchword/workflow"
)

var errRole = &workflow.Error{Code: workflow.CodeInvalid, Field: "role", Message: "Say what the role is: bench, counter or owner."}

func isStaff(r workflow.Role) bool {
	return r == workflow.RoleBench || r == workflow.RoleCounter || r == workflow.RoleOwner
}

// cleanLogin is a sign-in name as it is kept.
func cleanLogin(login string) string { return strings.ToLower(strings.TrimSpace(login)) }

// AddStaff writes a new account down. An empty password is none yet: nobody can sign in by it. Error: ErrConflict if
// somebody has the name.
func AddStaff(ctx context.Context, s *workflow.Service, login, name string, role workflow.Role, password string) error {
	login = cleanLogin(login)
	if login == "" || len(login) > 64 || strings.ContainsAny(login, " \t\r\n/\\\"'<>") {
		return &workflow.Error{Code: workflow.CodeInvalid, Field: "login", Message: "A sign-in name has 1 to 64 characters without spaces or quotation marks."}
	}
	if !isStaff(role) {
		return errRole
	}
	if name = strings.TrimSpace(name); name == "" {
		name = login
	}
	a := Account{Login: login, Name: name, Role: role, MadeAt: s.Now()}
	if password != "" {
		if err := newPassword(s.Shop, a, password); err != nil {
			return err
		}
		var err error
		if a.Password, err = HashPassword(s.Random, password); err != nil {
			return err
		}
	}
	mine, err := json.Marshal(a)
	if err != nil {
		return err
	}
	there, err := s.Bucket(bucketStaff).First(ctx, login, mine)
	if err == nil && !bytes.Equal(there, mine) {
		return &workflow.Error{Code: workflow.CodeConflict, Field: "login", Message: "Somebody already signs in as " + login + ". Nothing was changed; choose another name."}
	}
	return err
}

// FindStaff returns an account. Error: ErrNotFound.
func FindStaff(ctx context.Context, s *workflow.Service, login string) (a Account, err error) {
	return a, getJSON(ctx, s.Bucket(bucketStaff), cleanLogin(login), &a)
}

// changeStaff changes an account that is there.
func changeStaff(ctx context.Context, s *workflow.Service, login string, change func(a *Account) error) error {
	a, err := FindStaff(ctx, s, login)
	if err != nil {
		return NoStaff(login, err)
	}
	if err := change(&a); err != nil {
		return err
	}
	return putJSON(ctx, s.Bucket(bucketStaff), a.Login, a, time.Time{})
}

// NoStaff says that nobody has the name, if that is the error.
func NoStaff(login string, err error) error {
	if !errors.Is(err, workflow.ErrNotFound) {
		return err
	}
	return &workflow.Error{Code: workflow.CodeNotFound, Field: "login", Message: "Nobody signs in as “" + login + "”, so nothing was changed. Check the name against the list of staff."}
}

// SetPassword gives somebody a new password; their sessions end.
func SetPassword(ctx context.Context, s *workflow.Service, login, password string) error {
	return changeStaff(ctx, s, login, func(a *Account) error {
		if err := newPassword(s.Shop, *a, password); err != nil {
			return err
		}
		hash, err := HashPassword(s.Random, password)
		a.Password, a.MadeAt = hash, s.Now()
		return err
	})
}

// SetRole gives somebody another role, at once.
func SetRole(ctx context.Context, s *workflow.Service, login string, role workflow.Role) error {
	if !isStaff(role) {
		return errRole
	}
	return changeStaff(ctx, s, login, func(a *Account) error {
		a.Role = role
		return nil
	})
}

// SetLocked locks an account or opens it again. Locking ends its sessions.
func SetLocked(ctx context.Context, s *workflow.Service, login string, locked bool) error {
	err := changeStaff(ctx, s, login, func(a *Account) error {
		a.Locked = locked
		return nil
	})
	if err != nil || !locked {
		return err
	}
	return deleteOf(ctx, s.Bucket(bucketSession), login)
}

// RemoveStaff ends an account with all that belongs to it; its sessions end with their next request. Error: ErrNotFound.
func RemoveStaff(ctx context.Context, s *workflow.Service, login string) error {
	if _, err := FindStaff(ctx, s, login); err != nil {
		return NoStaff(login, err)
	}
	if err := s.Bucket(bucketStaff).Delete(ctx, cleanLogin(login)); err != nil {
		return err
	}
	if err := RemoveFactors(ctx, s, login); err != nil {
		return err
	}
	for _, b := range []string{bucketSession, bucketReset, bucketHalf, bucketPhone} {
		if err := deleteOf(ctx, s.Bucket(b), login); err != nil {
			return err
		}
	}
	return s.Bucket(bucketFirst).Delete(ctx, cleanLogin(login))
}

// deleteOf removes what a bucket keeps of somebody.
func deleteOf(ctx context.Context, b workflow.Bucket, login string) error {
	rows, err := b.List(ctx)
	if err != nil {
		return err
	}
	for _, r := range rows {
		var of struct{ Login string }
		if err := json.Unmarshal(r.Value, &of); err != nil {
			return err
		}
		if of.Login == cleanLogin(login) {
			if err := b.Delete(ctx, r.Key); err != nil {
				return err
			}
		}
	}
	return nil
}

// OnlyOwner refuses what would leave the shop without an owner who can sign in.
func OnlyOwner(ctx context.Context, s *workflow.Service, login string) error {
	all, err := ListStaff(ctx, s)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(all, func(a Account) bool {
		return a.Role == workflow.RoleOwner && !a.Locked && a.Login != cleanLogin(login)
	}) {
		return nil
	}
	return &workflow.Error{Code: workflow.CodeConflict, Message: "Nobody else is an owner who can sign in, so nothing was changed. Make somebody else an owner first."}
}

// resetFor is how long a link to choose a password holds: until somebody is in the next day.
const resetFor = 24 * time.Hour

// NewReset makes a link by which somebody chooses a password, once; links made before end. Who hands it over never
// learns the password (ASVS 5.0 V6.4.6), and a second factor is asked for as before (V6.4.3).
func NewReset(ctx context.Context, s *workflow.Service, login string) (link string, err error) {
	a, err := FindStaff(ctx, s, login)
	if err != nil {
		return "", NoStaff(login, err)
	}
	if err := deleteOf(ctx, s.Bucket(bucketReset), a.Login); err != nil {
		return "", err
	}
	secret, err := newSecret(s.Random)
	if err != nil {
		return "", err
	}
	return s.Shop.BaseURL + "/counter/welcome/" + secret, putJSON(ctx, s.Bucket(bucketReset), hashed(secret), Account{Login: a.Login}, s.Now().Add(resetFor))
}

// FindReset returns whose password a link is for.
func FindReset(ctx context.Context, s *workflow.Service, secret string) (a Account, err error) {
	err = getJSON(ctx, s.Bucket(bucketReset), hashed(secret), &a)
	if err == nil {
		a, err = FindStaff(ctx, s, a.Login)
	}
	if errors.Is(err, workflow.ErrNotFound) {
		err = &workflow.Error{Code: workflow.CodeNotFound, Message: "This link has been used, or its day is over. Ask the owner for a new one.", Err: err}
	}
	return a, err
}

// UseReset gives the person of a link the password that they chose.
func UseReset(ctx context.Context, s *workflow.Service, secret, password string) error {
	a, err := FindReset(ctx, s, secret)
	if err != nil {
		return err
	}
	if err := newPassword(s.Shop, a, password); err != nil {
		return err
	}
	if first, err := once(ctx, s, "reset", hashed(secret), resetFor); err != nil {
		return err
	} else if !first {
		return &workflow.Error{Code: workflow.CodeConflict, Message: "This link has just been used. Sign in with the password that was chosen, or ask the owner for a new link."}
	}
	if err := SetPassword(ctx, s, a.Login, password); err != nil {
		return err
	}
	return deleteOf(ctx, s.Bucket(bucketReset), a.Login)
}

// once reports whether this is the first use of something, over all processes; within says when it is forgotten.
func once(ctx context.Context, s *workflow.Service, what, key string, within time.Duration) (bool, error) {
	n, err := s.Bucket("used").Count(ctx, what+" "+key, within)
	return n == 1, err
}

// ListStaff returns the accounts, without their password hashes.
func ListStaff(ctx context.Context, s *workflow.Service) ([]Account, error) {
	return listAccounts(ctx, s.Bucket(bucketStaff))
}

func listAccounts(ctx context.Context, b workflow.Bucket) ([]Account, error) {
	rows, err := b.List(ctx)
	if err != nil {
		return nil, err
	}
	var out []Account
	for _, r := range rows {
		var a Account
		if err := json.Unmarshal(r.Value, &a); err != nil {
			return nil, err
		}
		a.NoPassword, a.Password = a.Password == "", ""
		out = append(out, a)
	}
	return out, nil
}
