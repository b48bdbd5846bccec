package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/url"
	"slices"
	"strings"
	"time"

	"benchword/notify"
	"benchword/notify/hook"
	"benchword/notify/push"
	"benchword/workflow"
)

// HookSettings is one of the shop's own systems that is told of steps (the Standard Webhooks specification).
type HookSettings struct {
	Name string `toml:"name" validate:"required,hookname" example:"till"`
	URL  string `toml:"url" validate:"required,max=2000" example:"https://till.example/hook"`
	// SecretFiles hold what signs the messages, one each; two stand side by side while it is changed.
	SecretFiles []string `toml:"secret_files" validate:"required,min=1,max=4,dive,file" example:"[\"/run/secrets/till\"]"`
	// Events limits what it is told of.
	Events []string `toml:"events" validate:"max=50,dive,hookevent" example:"[\"stage.moved\", \"promise.breached\"]"`
	// Private allows an internal address.
	Private bool `toml:"private"`
}

// hooks returns the hooks as the domain knows them.
func (s *Settings) hooks() ([]workflow.Hook, error) {
	var out []workflow.Hook
	for i, x := range s.Hooks {
		h := workflow.Hook{Name: x.Name}
		for _, e := range x.Events {
			h.Events = append(h.Events, workflow.EventKind(e))
		}
		if slices.ContainsFunc(out, func(o workflow.Hook) bool { return o.Name == x.Name }) {
			return nil, &settingError{"hooks", i, fmt.Errorf("hooks.name = %q stands there twice", x.Name)}
		}
		if u, err := url.Parse(x.URL); err != nil || u.Host == "" {
			return nil, &settingError{"hooks", i, fmt.Errorf("hooks.url = %q is no address. Example: url = %s", x.URL, exampleOf("hooks.url"))}
		}
		out = append(out, h)
	}
	return out, nil
}

// open reads the hook's secrets.
func (x *HookSettings) open(service *workflow.Service) (*hook.Hook, error) {
	var keys []hook.Key
	for _, file := range x.SecretFiles {
		text, err := secretIn(file, "the secret of the hook "+x.Name)
		if err != nil {
			return nil, err
		}
		k, err := hook.ParseKey(text)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		keys = append(keys, k)
	}
	h, err := hook.New(service, x.Name, x.URL, x.Private, keys...)
	if err != nil {
		return nil, fmt.Errorf("the hook %s: %w", x.Name, err)
	}
	return h, nil
}

// channels are the dispatchers beside the one for email, one for each channel.
type channels []*notify.Dispatcher

// openChannels makes the dispatchers of a shop's channels beside email.
func openChannels(service *workflow.Service, hooks []HookSettings, pushes *push.Pushes, log *slog.Logger, tried func(*workflow.Entry, notify.Fate, time.Duration)) (channels, error) {
	var out channels
	for i := range hooks {
		h, err := hooks[i].open(service)
		if err != nil {
			return nil, err
		}
		cfg := h.Config()
		cfg.Log, cfg.Tried = log, tried
		out = append(out, notify.New(cfg))
	}
	for _, cfg := range []notify.Config{pushes.Config(), notify.EffectsConfig(service)} {
		cfg.Log, cfg.Tried = log, tried
		out = append(out, notify.New(cfg))
	}
	return out, nil
}

// wake tells them that something may wait for them.
func (c channels) wake() {
	for _, d := range c {
		d.Wake()
	}
}

// runHooks lists a shop's hooks, sends one a test, or switches one on that was switched off.
func runHooks(ctx context.Context, args []string, _ io.Reader, out, errOut io.Writer) error {
	f := flags("hooks", errOut)
	config, data := f.String("config", "shop.toml", "settings file"), f.String("data", "data", "data folder")
	rest, err := parse(f, args)
	if err != nil {
		return err
	}
	s, err := ReadSettings(*config)
	if err != nil {
		return err
	}
	shop, err := s.shop()
	if err != nil {
		return err
	}
	pick := func() (*HookSettings, error) {
		for i := range s.Hooks {
			if len(rest) == 2 && s.Hooks[i].Name == rest[1] {
				return &s.Hooks[i], nil
			}
		}
		var names []string
		for _, h := range s.Hooks {
			names = append(names, h.Name)
		}
		return nil, misused("name one of the hooks in %s: %s", *config, strings.Join(names, ", "))
	}
	if len(rest) == 2 && rest[0] == "try" {
		x, err := pick()
		if err != nil {
			return err
		}
		h, err := x.open(&workflow.Service{Shop: shop, Now: time.Now})
		if err != nil {
			return err
		}
		words, err := h.Try(ctx)
		if err != nil {
			return fmt.Errorf("%s did not take the test: %s", x.URL, plainFailure(err))
		}
		fmt.Fprintf(out, "%s took the test: %s\n", x.URL, words)
		return nil
	}
	h, err := openCore(ctx, s.Store, shop, *data)
	if err != nil {
		return err
	}
	defer h.store.Close()
	switch {
	case len(rest) == 2 && rest[0] == "on":
		x, err := pick()
		if err != nil {
			return err
		}
		if err := h.service.SwitchHookOn(ctx, x.Name); err != nil {
			return err
		}
		fmt.Fprintf(out, "%s is on; what waited goes out within a minute.\n", x.Name)
		return nil
	case len(rest) == 0, len(rest) == 1 && rest[0] == "list":
		for i := range s.Hooks {
			x := &s.Hooks[i]
			state := "on"
			if off, err := h.service.HookOff(ctx, x.Name); err != nil {
				return err
			} else if off != nil {
				state = "off since " + off.At.Format(time.RFC3339) + ": " + off.Words
			}
			fmt.Fprintf(out, "%s\t%s\t%s\n", x.Name, x.URL, state)
			opened, err := x.open(h.service)
			if err != nil {
				return err
			}
			for _, k := range opened.Public() {
				fmt.Fprintf(out, "\tchecked with %s\n", k)
			}
		}
		return nil
	}
	return misused("use: hooks list, hooks try NAME, hooks on NAME")
}

// plainFailure returns a failure's words.
func plainFailure(err error) string {
	if f := notify.FailureOf(err); f.Code != 0 {
		return fmt.Sprintf("%d %s", f.Code, f.Words)
	} else if f.Words != "" {
		return f.Words
	}
	return err.Error()
}
