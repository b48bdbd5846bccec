package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"benchword/portal"
	"benchword/workflow"
	"benchword/workflow/calendar"
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
	role, name := f.String("role", "owner", "bench, counter or owner"), f.String("name", "", "the person's name")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) == 0 {
		return misused("say add NAME, remove NAME or list")
	}
	return withStore(ctx, *config, *data, func(s *workflow.Service) error {
		switch {
		case rest[0] == "add" && len(rest) == 2:
			fmt.Fprintf(errOut, "Password for %s (at least %d characters): ", rest[1], portal.MinPassword)
			password, err := bufio.NewReader(in).ReadString('\n')
			if err != nil && !errors.Is(err, io.EOF) {
				return err
			}
			if err := portal.AddStaff(ctx, s, rest[1], *name, workflow.Role(*role), strings.TrimRight(password, "\r\n")); err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "\n%s may now sign in at %s/counter as %s.\n", rest[1], s.Shop.BaseURL, *role)
			return nil
		case rest[0] == "remove" && len(rest) == 2:
			return portal.RemoveStaff(ctx, s, rest[1])
		case rest[0] == "list" && len(rest) == 1:
			return list(out, func() ([]portal.Account, error) { return portal.ListStaff(ctx, s) })
		}
		return misused("say add NAME, remove NAME or list")
	})
}

func list(out io.Writer, get func() ([]portal.Account, error)) error {
	accounts, err := get()
	for _, a := range accounts {
		fmt.Fprintf(out, "%-20s %-8s %s\n", a.Login, a.Role, a.Name)
	}
	return err
}

func runToken(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("token", errOut)
	config, data := f.String("config", "shop.toml", "settings file"), f.String("data", "data", "data folder")
	role, days := f.String("role", "counter", "bench, counter or owner"), f.Int("days", 0, "days until it ends, 0 for never")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	if len(rest) == 0 {
		return misused("say add NAME, remove NAME or list")
	}
	return withStore(ctx, *config, *data, func(s *workflow.Service) error {
		switch {
		case rest[0] == "add" && len(rest) == 2:
			var until time.Time
			if *days > 0 {
				until = s.Now().AddDate(0, 0, *days)
			}
			token, err := portal.AddToken(ctx, s, rest[1], workflow.Role(*role), until)
			if err != nil {
				return plain(err)
			}
			fmt.Fprintf(out, "%s\n", token)
			fmt.Fprintln(errOut, "This token is shown once; only its digest is kept.")
			return nil
		case rest[0] == "remove" && len(rest) == 2:
			return portal.RemoveToken(ctx, s, rest[1])
		case rest[0] == "list" && len(rest) == 1:
			return list(out, func() ([]portal.Account, error) { return portal.ListTokens(ctx, s) })
		}
		return misused("say add NAME, remove NAME or list")
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
