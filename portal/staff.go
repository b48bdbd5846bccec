package portal

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
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

// RemoveStaff ends an account; its sessions end with their next request. Error: ErrNotFound.
func RemoveStaff(ctx context.Context, s *workflow.Service, login string) error {
	if _, err := FindStaff(ctx, s, login); err != nil {
		return NoStaff(login, err)
	}
	return s.Bucket(bucketStaff).Delete(ctx, cleanLogin(login))
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
		a.Password = ""
		out = append(out, a)
	}
	return out, nil
}
