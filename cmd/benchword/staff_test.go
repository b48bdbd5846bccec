package main

import (
	"bytes"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"benchword/portal/portaltest"
	"benchword/workflow"

	"github.com/stretchr/testify/require"
)

// commanding is an empty shop's folder, and what a command on it says.
func commanding(t *testing.T) (args []string, say func(in string, args ...string) (code int, out string)) {
	dir := t.TempDir()
	settings := filepath.Join(dir, "shop.toml")
	require.NoError(t, os.WriteFile(settings, []byte(settingsText), 0o600))
	args = []string{"--config", settings, "--data", filepath.Join(dir, "data")}
	return args, func(in string, more ...string) (int, string) {
		var both bytes.Buffer
		code := run(t.Context(), append(more, args...), strings.NewReader(in), &both, &both)
		return code, both.String()
	}
}

// TestStaffCommands: no role by default, nobody replaced in silence, no name that is not there passed over.
func TestStaffCommands(t *testing.T) {
	_, say := commanding(t)
	for _, c := range []struct {
		code int
		says string
		in   string
		args string
	}{
		{2, "say what nils may do: --role bench", demoPassword, "staff add nils"},
		{1, "easily guessed", "harbourbench2026\n", "staff add nils --role bench"},
		{1, "no password came", "", "staff add nils --role bench"},
		{1, "A password has 12 to 256 characters", "short", "staff add nils --role bench"},
		{1, "bench, counter or owner", demoPassword, "staff add nils --role boss"},
		{0, "nils may now sign in at https://status.harbour.example/counter as bench.", demoPassword + "\r\n", "staff add nils --role bench"},
		{1, "somebody already signs in as nils (nils, bench), so nothing was changed", "another quite long sentence", "staff add Nils --role owner"},
		{0, "nils                 bench    nils\n", "", "staff list"},
		{1, "Nobody signs in as “nisl”", "", "staff remove nisl"},
		{1, "Nobody signs in as “nisl”", demoPassword, "staff password nisl"},
		{1, "Nobody signs in as “nisl”", "", "staff role nisl --role bench"},
		{2, "say what nils may do", "", "staff role nils"},
		{0, "nils now works as counter.", "", "staff role nils --role counter"},
		{0, "nils has a new password", "another quite long sentence\n", "staff password nils"},
		{0, "nils can't sign in any more.", "", "staff remove nils"},
		{1, "Nobody signs in as “nils”", "", "staff remove nils"},
		{2, "say add NAME --role ROLE", "", "staff rename nils"},
		{2, "say add NAME --role ROLE", "", "staff"},
		{2, "say what till may do", "", "token add till"},
		{0, "It ends on 20", "", "token add till --role counter"},
		{0, "It never ends", "", "token add shelf --role bench --days 0"},
		{0, "  ends 20", "", "token list"},
		{1, "No token is called “tlil”", "", "token remove tlil"},
		{0, "till is removed.", "", "token remove till"},
		{1, "No token is called “till”", "", "token remove till"},
	} {
		code, out := say(c.in, strings.Fields(c.args)...)
		require.Equal(t, c.code, code, "%s: %s", c.args, out)
		require.Contains(t, out, c.says, c.args)
	}
}

// TestPasswordIsNotShown: at a terminal what is typed is not echoed, and is asked for twice.
func TestPasswordIsNotShown(t *testing.T) {
	script := portaltest.Needs(t, "script")
	args, say := commanding(t)
	typed := func(first, second string) string {
		cmd := exec.Command(script, "-qec", os.Args[0], "/dev/null")
		cmd.Env = append(os.Environ(), runCommand+"="+strings.Join(append([]string{"staff", "add", "ada", "--role", "bench"}, args...), "\n"))
		in, err := cmd.StdinPipe()
		require.NoError(t, err)
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		var all bytes.Buffer
		answers := map[string]string{"characters): ": first, "again: ": second}
		b := make([]byte, 1024)
		for {
			n, err := out.Read(b)
			all.Write(b[:n])
			for prompt, answer := range answers {
				if strings.Contains(all.String(), prompt) {
					_, err := in.Write([]byte(answer + "\r"))
					require.NoError(t, err)
					delete(answers, prompt)
				}
			}
			if err != nil {
				break
			}
		}
		_ = in.Close()
		_ = cmd.Wait()
		return all.String()
	}
	out := typed(demoPassword, demoPassword+"x")
	require.Contains(t, out, "the two passwords differ")
	require.NotContains(t, out, "gulls")
	out = typed(demoPassword, demoPassword)
	require.Contains(t, out, "ada may now sign in")
	require.NotContains(t, out, "gulls")
	_, list := say("", "staff", "list")
	require.Contains(t, list, "ada")
}

// TestWhoNeedsASecondFactor: a shop that says nothing demands one of owners; the settings can demand it of all, or of nobody.
func TestWhoNeedsASecondFactor(t *testing.T) {
	for line, want := range map[string][2]bool{"": {true, false}, "[staff]\nsecond_factor = \"everybody\"\n": {true, true}, "[staff]\nsecond_factor = \"nobody\"\n": {false, false}} {
		s, err := ParseSettings("shop.toml", []byte(settingsText+"\n"+line))
		require.NoError(t, err)
		p, err := s.parts("shop.toml", roles{true, true})
		require.NoError(t, err)
		p.data, p.log = t.TempDir(), slog.New(slog.DiscardHandler)
		srv, err := build(t.Context(), p)
		require.NoError(t, err)
		require.Equal(t, want, [2]bool{srv.portal.Demanded(workflow.RoleOwner), srv.portal.Demanded(workflow.RoleBench)}, line)
		require.NoError(t, srv.store.Close())
	}
}
