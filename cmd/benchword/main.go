// Command benchword runs a repair bench's status portal and notification service.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"benchword/workflow/evidence"
)

// command is one sub-command. run returns an error whose text is a plain sentence for the person at
// the keyboard.
type command struct {
	name, use, short string
	run              func(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) error
}

var commands []command

func init() {
	commands = []command{
		{"demo", "[--listen ADDR]", "start an invented shop with jobs, emails and a mailbox page", runDemo},
		{"init", "> shop.toml", "print a shop's settings, with what each is for, to begin with", runInit},
		{"serve", "--config shop.toml --data DIR | --shops DIR", "run a shop, or all shops of a folder", runServe},
		{"staff", "add|list|password|role|reset|remove …", "who may sign in at the counter", runStaff},
		{"token", "add|list|remove …", "who may use the JSON interface", runToken},
		{"hooks", "list | try NAME | on NAME", "the shop's own systems that are told of steps: their state, a test message, one switched on again", runHooks},
		{"words", "[--config shop.toml] [--lang fr] [TEXT]", "print the texts that customers read, to be said in other words", runWords},
		{"backup", "--data DIR --to FOLDER", "copy jobs, photos and keys while the shop runs; or --check FOLDER", runBackup},
		{"restore", "--from FOLDER --data DIR", "put a backup into an empty shop", runRestore},
		{"move", "--from PLACE --to PLACE", "carry a shop from a folder to a shared store, or back", runMove},
		{"verify", "[--head SEAL] ARCHIVE", "check an exported job offline, and name the first thing that does not fit", runVerify},
		{"export", "--data DIR --config shop.toml JOB", "write a job's archive: events, photos, reports, and a page to read it by", runExport},
		{"clock", "< lines.jsonl", "answer promise arithmetic, a JSON line each", runClock},
		{"price", "< lines.jsonl", "answer price arithmetic, a JSON line each", runPrice},
		{"forecast", "< durations.csv", "estimate from durations, some unfinished, with limits", runForecast},
		{"health", "--url URL", "ask a running server how it is; exit 1 if not well", runHealth},
		{"version", "", "print version and time zone data", runVersion},
	}
}

func main() {
	evidence.WorkIfWorker()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run returns the exit code: 0 done, 1 failed, 2 called wrongly.
func run(ctx context.Context, args []string, in io.Reader, out, errOut io.Writer) int {
	if len(args) == 0 || args[0] == "help" || args[0] == "-h" || args[0] == "--help" {
		usage(out)
		if len(args) == 0 {
			return 2
		}
		return 0
	}
	for _, c := range commands {
		if c.name != args[0] {
			continue
		}
		err := c.run(ctx, args[1:], in, out, errOut)
		switch {
		case err == nil:
			return 0
		case errors.Is(err, flag.ErrHelp):
			return 0
		}
		fmt.Fprintln(errOut, "benchword "+c.name+": "+err.Error())
		var u *usageError
		if errors.As(err, &u) {
			return 2
		}
		return 1
	}
	fmt.Fprintf(errOut, "benchword: there is no command %q.\n", args[0])
	usage(errOut)
	return 2
}

// usageError is a command called wrongly.
type usageError struct{ text string }

func (e *usageError) Error() string { return e.text }

func misused(format string, args ...any) error { return &usageError{fmt.Sprintf(format, args...)} }

func usage(w io.Writer) {
	fmt.Fprintln(w, "benchword tells owners of devices under repair where they are, and keeps the bench's word.")
	fmt.Fprintln(w)
	for _, c := range commands {
		fmt.Fprintf(w, "  benchword %-8s %-38s %s\n", c.name, c.use, c.short)
	}
}

// flags returns a flag set that reports mistakes as errors.
func flags(name string, errOut io.Writer) *flag.FlagSet {
	f := flag.NewFlagSet("benchword "+name, flag.ContinueOnError)
	f.SetOutput(errOut)
	return f
}

// parse reads flags, also after the other words: "staff add ada --role owner".
func parse(f *flag.FlagSet, args []string) (rest []string, err error) {
	for {
		if err := f.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, err
			}
			return nil, misused("%s", err)
		}
		if f.NArg() == 0 {
			return rest, nil
		}
		rest = append(rest, f.Arg(0))
		args = f.Args()[1:]
	}
}
