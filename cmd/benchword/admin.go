package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/calendar"

	"golang.org/x/term"
)

// version is what "benchword version" says: the module's version, or the commit it was built from.
func version() string {
	b, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	if v := b.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range b.Settings {
		if s.Key == "vcs.revision" {
			return s.Value[:min(12, len(s.Value))]
		}
	}
	return "development"
}

func runVersion(_ context.Context, _ []string, _ io.Reader, out, _ io.Writer) error {
	fmt.Fprintf(out, "benchword %s\ntime zone data %s\n", version(), calendar.ZoneDataVersion())
	return nil
}

// runHealth asks a running server how it is: the container's health check, since the image holds no shell.
func runHealth(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("health", errOut)
	url := f.String("url", "http://127.0.0.1:8080/healthz", "health page to ask")
	if _, err := parse(f, args); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, *url, nil)
	if err != nil {
		return misused("%s is not an address", *url)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("the server does not answer: %w", err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, 1<<16))
	if err != nil {
		return err
	}
	fmt.Fprintln(out, strings.TrimSpace(string(body)))
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("the server says that it is not well (%s)", resp.Status)
	}
	return nil
}

// withStore opens a shop's data folder for one command.
func withStore(ctx context.Context, config, data string, do func(s *workflow.Service) error) error {
	settings, err := ReadSettings(config)
	if err != nil {
		return err
	}
	shop, err := settings.shop()
	if err != nil {
		return err
	}
	h, err := openCore(ctx, settings.Store, shop, data)
	if err != nil {
		return err
	}
	return errors.Join(do(h.service), h.store.Close())
}

func runStaff(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) error {
	f := flags("staff", errOut)
	config, data := f.String("config", "shop.toml", "settings file"), f.String("data", "data", "data folder")
	role, name := f.String("role", "", "bench, counter or owner"), f.String("name", "", "the person's name")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) == 1 && rest[0] == "list" {
		return withStore(ctx, *config, *data, func(s *workflow.Service) error {
			return list(out, func() ([]portal.Account, error) { return portal.ListStaff(ctx, s) })
		})
	}
	if len(rest) != 2 {
		return misused("say add NAME --role ROLE, password NAME, role NAME --role ROLE, reset NAME, remove NAME or list")
	}
	who := rest[1]
	if (rest[0] == "add" || rest[0] == "role") && *role == "" {
		return misused("say what %s may do: --role bench, --role counter or --role owner", who)
	}
	return withStore(ctx, *config, *data, func(s *workflow.Service) error {
		switch rest[0] {
		case "add":
			// Said before a password is asked for.
			if there, err := portal.FindStaff(ctx, s, who); err == nil {
				return fmt.Errorf("somebody already signs in as %s (%s, %s), so nothing was changed: “staff password %s” gives a new password, “staff role %s --role ROLE” another role", there.Login, there.Name, there.Role, who, who)
			} else if !errors.Is(err, workflow.ErrNotFound) {
				return err
			}
			password, err := askPassword(in, errOut, who)
			if err != nil {
				return err
			}
			if err := portal.AddStaff(ctx, s, who, *name, workflow.Role(*role), password); err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "%s may now sign in at %s/counter as %s.\n", who, s.Shop.BaseURL, *role)
			return nil
		case "password":
			if _, err := portal.FindStaff(ctx, s, who); err != nil {
				return plain(portal.NoStaff(who, err))
			}
			password, err := askPassword(in, errOut, who)
			if err != nil {
				return err
			}
			if err := portal.SetPassword(ctx, s, who, password); err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "%s has a new password, and is signed out everywhere.\n", who)
			return nil
		case "role":
			if err := portal.SetRole(ctx, s, who, workflow.Role(*role)); err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "%s now works as %s.\n", who, *role)
			return nil
		case "reset":
			link, err := portal.NewReset(ctx, s, who)
			if err != nil {
				return plain(err)
			}
			if err := portal.RemoveFactors(ctx, s, who); err != nil {
				return err
			}
			fmt.Fprintf(out, "%s\n", link)
			fmt.Fprintf(errOut, "By this link %s chooses a password, once, within a day. Their second factor is forgotten.\n", who)
			return nil
		case "remove":
			if err := portal.RemoveStaff(ctx, s, who); err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "%s can't sign in any more.\n", who)
			return nil
		}
		return misused("say add NAME --role ROLE, password NAME, role NAME --role ROLE, reset NAME, remove NAME or list")
	})
}

// askPassword reads a new password: at a terminal twice and unseen, else one line.
func askPassword(in io.Reader, errOut io.Writer, login string) (string, error) {
	prompt := fmt.Sprintf("Password for %s (at least %d characters): ", login, portal.MinPassword)
	f, ok := in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		fmt.Fprint(errOut, prompt)
		line, err := bufio.NewReader(in).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		fmt.Fprintln(errOut)
		if line = strings.TrimRight(line, "\r\n"); line == "" {
			return "", errors.New("no password came, so nothing was changed")
		}
		return line, nil
	}
	// What is typed must not be shown even while the question is on its way.
	before, err := term.MakeRaw(int(f.Fd()))
	if err != nil {
		return "", err
	}
	defer func() { _ = term.Restore(int(f.Fd()), before) }()
	ask := term.NewTerminal(struct {
		io.Reader
		io.Writer
	}{in, errOut}, "")
	var typed [2]string
	for i, p := range []string{prompt, "The same again: "} {
		if typed[i], err = ask.ReadPassword(p); err != nil {
			return "", errors.New("no password came, so nothing was changed")
		}
	}
	if typed[0] == "" || typed[0] != typed[1] {
		return "", errors.New("the two passwords differ or are empty, so nothing was changed; please try again")
	}
	return typed[0], nil
}

func list(out io.Writer, get func() ([]portal.Account, error)) error {
	accounts, err := get()
	for _, a := range accounts {
		more := ""
		if a.Until != nil {
			more = "  ends " + a.Until.Format(time.DateOnly)
		}
		if a.Locked {
			more += "  locked"
		}
		fmt.Fprintf(out, "%-20s %-8s %s%s\n", a.Login, a.Role, a.Name, more)
	}
	return err
}

func runToken(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("token", errOut)
	config, data := f.String("config", "shop.toml", "settings file"), f.String("data", "data", "data folder")
	role, days := f.String("role", "", "bench, counter or owner"), f.Int("days", int(portal.TokenFor.Hours()/24), "days until it ends, 0 for never")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) == 0 {
		return misused("say add NAME --role ROLE, remove NAME or list")
	}
	return withStore(ctx, *config, *data, func(s *workflow.Service) error {
		switch {
		case rest[0] == "add" && len(rest) == 2 && *role == "":
			return misused("say what %s may do: --role bench, --role counter or --role owner", rest[1])
		case rest[0] == "add" && len(rest) == 2:
			var until time.Time
			ends := "It never ends; “token remove” ends it."
			if *days > 0 {
				until = s.Now().AddDate(0, 0, *days)
				ends = "It ends on " + until.Format(time.DateOnly) + "."
			}
			token, err := portal.AddToken(ctx, s, rest[1], workflow.Role(*role), until)
			if err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "%s\n", token)
			fmt.Fprintln(errOut, "This token is shown once; only its digest is kept. "+ends)
			return nil
		case rest[0] == "remove" && len(rest) == 2:
			if err := portal.RemoveToken(ctx, s, rest[1]); err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "%s is removed.\n", rest[1])
			return nil
		case rest[0] == "list" && len(rest) == 1:
			return list(out, func() ([]portal.Account, error) { return portal.ListTokens(ctx, s) })
		}
		return misused("say add NAME --role ROLE, remove NAME or list")
	})
}

// plain returns a domain error's sentence, any other error as it is.
func plain(err error) error {
	var e *workflow.Error
	if errors.As(err, &e) {
		return errors.New(e.Message)
	}
	return err
}
