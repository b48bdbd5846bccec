package main

import (
	"bufio"
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"benchword/notify/smtptest"
	"benchword/workflow/evidence/bucket/buckettest"
	"benchword/workflow/longtest"
	"benchword/workflow/store/redis/redistest"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// composed is what the test looks at of a Compose file (the Compose Specification, compose-spec.io).
type composed struct {
	Services map[string]struct {
		Image      string    `yaml:"image"`
		Command    []string  `yaml:"command"`
		Entrypoint []string  `yaml:"entrypoint"`
		Volumes    []string  `yaml:"volumes"`
		Secrets    []string  `yaml:"secrets"`
		Networks   networks  `yaml:"networks"`
		Depends    yaml.Node `yaml:"depends_on"`
		ReadOnly   bool      `yaml:"read_only"`
		CapDrop    []string  `yaml:"cap_drop"`
		CapAdd     []string  `yaml:"cap_add"`
		Security   []string  `yaml:"security_opt"`
	} `yaml:"services"`
	Networks map[string]struct {
		Internal bool
		IPAM     struct {
			Config []struct{ Subnet string }
		}
	}
	Volumes map[string]any
	Secrets map[string]struct{ File string }
}

// networks are those of a service, with its address where it has a fixed one. They are a list or a map.
type networks map[string]string

func (n *networks) UnmarshalYAML(v *yaml.Node) error {
	*n = networks{}
	if v.Kind == yaml.SequenceNode {
		var names []string
		err := v.Decode(&names)
		for _, name := range names {
			(*n)[name] = ""
		}
		return err
	}
	var of map[string]struct {
		Address string `yaml:"ipv4_address"`
	}
	err := v.Decode(&of)
	for name, x := range of {
		(*n)[name] = x.Address
	}
	return err
}

// secretsIn writes every secret that the example names, and returns its settings with their paths there.
func secretsIn(t testing.TB, dir string, values map[string]string) string {
	t.Helper()
	text, err := os.ReadFile("deploy/shop.toml")
	require.NoError(t, err)
	_, private, err := ed25519.GenerateKey(rand.Reader)
	require.NoError(t, err)
	der, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	values["dkim"] = string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
	for name, value := range values {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(value), 0o600))
	}
	return strings.ReplaceAll(string(text), "/run/secrets/", dir+"/")
}

// The example of several servers names only what there is: commands and flags, settings, secrets, volumes,
// networks, host names.
func TestTheExampleOfSeveralServers(t *testing.T) {
	text, err := os.ReadFile("deploy/compose.yaml")
	require.NoError(t, err)
	var c composed
	require.NoError(t, yaml.Unmarshal(text, &c))
	dir := t.TempDir()
	s, err := ParseSettings("deploy/shop.toml", []byte(secretsIn(t, dir, map[string]string{"smtp": "a", "redis": "b", "s3": "c"})))
	require.NoError(t, err)

	settings, err := os.ReadFile("deploy/shop.toml")
	require.NoError(t, err)

	roles, kept := map[string]int{}, 0
	for name, x := range c.Services {
		for n := range x.Networks {
			require.Contains(t, c.Networks, n, name)
		}
		require.True(t, x.ReadOnly, name)
		require.Equal(t, []string{"ALL"}, x.CapDrop, name)
		require.Subset(t, []string{"NET_BIND_SERVICE"}, x.CapAdd, name)
		require.Equal(t, []string{"no-new-privileges:true"}, x.Security, name)
		if x.Image != "benchword" { // which is built here
			require.Regexp(t, `:v?\d+\.\d+\.\d+$`, x.Image, name)
		}
		for _, n := range x.Secrets {
			require.Contains(t, c.Secrets, n, name)
		}
		for _, v := range x.Volumes {
			from, _, _ := strings.Cut(v, ":")
			if file, ok := strings.CutPrefix(from, "./"); ok {
				require.FileExists(t, filepath.Join("deploy", file), name)
			} else {
				require.Contains(t, c.Volumes, from, name)
			}
		}
		for _, n := range x.Depends.Content {
			if n.Kind == yaml.ScalarNode {
				require.Contains(t, c.Services, n.Value, name)
			}
		}
		run := strings.Join(append(x.Entrypoint, x.Command...), " ")
		for _, m := range regexp.MustCompile(`/run/secrets/(\w+)`).FindAllStringSubmatch(run, -1) {
			require.Contains(t, x.Secrets, m[1], name)
		}
		require.NotRegexp(t, `--(requirepass|masterauth|secret)`, run, "%s: a command line can be read by others", name)
		if strings.Contains(run, "redis-server /tmp/") {
			require.Contains(t, run, "--appendonly yes --appendfsync always", name)
			kept++
		}
		if x.Image == "benchword" {
			typed(t, x.Command)
			roles[x.Command[len(x.Command)-1]]++
			for _, m := range regexp.MustCompile(`/run/secrets/(\w+)`).FindAllStringSubmatch(string(settings), -1) {
				require.Contains(t, x.Secrets, m[1], name)
			}
		}
	}
	require.Equal(t, map[string]int{"portal": 2, "notifier": 2}, roles)

	// Whom the settings and the proxy speak to is there.
	_, rest, _ := strings.Cut(s.Store.URL, "://")
	hosts, path, _ := strings.Cut(rest, "/")
	watched := 0
	for h := range strings.SplitSeq(hosts, ",") {
		host, port, _ := strings.Cut(h, ":")
		require.Contains(t, c.Services, host)
		require.Contains(t, strings.Join(c.Services[host].Command, " "), "port "+port)
		require.Contains(t, strings.Join(c.Services[host].Command, " "), "sentinel monitor "+strings.Split(path, "/")[0]+" redis-1 6379 2")
		watched++
	}
	require.Equal(t, 3, watched)
	u, err := url.Parse(strings.TrimPrefix(s.Store.Photos, "s3+"))
	require.NoError(t, err)
	require.Contains(t, c.Services, u.Hostname())
	require.Contains(t, strings.Join(c.Services[u.Hostname()].Entrypoint, " "), "--port :"+u.Port()+" --access "+s.Store.PhotosKey)
	require.Equal(t, 3, kept)
	require.Equal(t, []string{c.Services["proxy"].Networks["front"]}, s.Web.Proxies)
	_, front, err := net.ParseCIDR(c.Networks["front"].IPAM.Config[0].Subnet)
	require.NoError(t, err)
	require.True(t, front.Contains(net.ParseIP(s.Web.Proxies[0])))
	for name, x := range c.Services {
		for n := range x.Networks {
			if strings.HasPrefix(name, "redis") || strings.HasPrefix(name, "sentinel") || name == "bucket" {
				require.True(t, c.Networks[n].Internal, "%s leads outside by %s", name, n)
				require.NotContains(t, c.Services["proxy"].Networks, n, "the proxy reaches %s", name)
			}
		}
	}
	proxy, err := os.ReadFile("deploy/Caddyfile")
	require.NoError(t, err)
	require.Contains(t, string(proxy), "\n"+strings.TrimPrefix(s.Shop.BaseURL, "https://")+" {\n")
	require.Contains(t, string(proxy), "health_uri /readyz")
	_, clear, found := strings.Cut(string(proxy), "\nhttp://"+strings.TrimPrefix(s.Shop.BaseURL, "https://")+" {\n")
	require.True(t, found)
	programs, pages, _ := strings.Cut(clear, "\thandle {\n")
	require.Contains(t, programs, "handle /api/* {\n\t\trespond")
	require.NotContains(t, programs, "redir", "a program that speaks in the clear is not sent on")
	require.Contains(t, pages, "redir https://{host}{uri} 308")
	_, port, _ := strings.Cut(s.Web.Listen, ":")
	upstreams := regexp.MustCompile(`(portal-\d):(\d+)`).FindAllStringSubmatch(string(proxy), -1)
	require.Len(t, upstreams, 2)
	for _, m := range upstreams {
		require.Contains(t, c.Services, m[1])
		require.Equal(t, port, m[2])
	}
}

// node is a benchword process of the example.
type node struct {
	*exec.Cmd
	base string
}

// The example's settings on real processes: two portals, two notifiers, a primary with two replicas under a
// Sentinel, a bucket. A portal, a notifier and the primary are killed one after the other; what was booked
// is there, and what is booked is told.
func TestTheExampleOutlivesItsParts(t *testing.T) {
	longtest.Gate(t)
	if testing.Short() {
		t.Skip("runs whole without -short")
	}
	primary := redistest.Start(t)
	redistest.Replica(t, primary)
	redistest.Replica(t, primary)
	sentinel, watch := redistest.Sentinel(t, primary)
	// A busy machine is no dead one.
	require.NoError(t, watch.Set(t.Context(), "shops", "down-after-milliseconds", "3000").Err())
	photos := buckettest.Start(t)
	post, err := smtptest.Start(smtptest.Config{})
	require.NoError(t, err)
	defer func() { require.NoError(t, post.Close()) }()
	dir := t.TempDir()
	text := secretsIn(t, dir, map[string]string{"smtp": "", "redis": "", "s3": photos.Secret})
	for old, new := range map[string]string{
		"redis-sentinel://sentinel-1:26379,sentinel-2:26379,sentinel-3:26379/shops/0": sentinel,
		"s3+http://bucket:7070/photos":          photos.Place("photos"),
		`host = "smtp.example.net"`:             fmt.Sprintf("host = \"127.0.0.1\"\nport = %d\nsecurity = \"none\"\ngather_minutes = 0\nquiet = \"\"", post.Port()),
		`user = "bench@harbour.example"` + "\n": "",
		`listen = "0.0.0.0:8080"`:               `listen = "127.0.0.1:0"`,
		`metrics = "0.0.0.0:9464"`:              "",
	} {
		require.Contains(t, text, old)
		text = strings.Replace(text, old, new, 1)
	}
	config := filepath.Join(dir, "shop.toml")
	require.NoError(t, os.WriteFile(config, []byte(text), 0o600))
	start := func(role string) node {
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), runCommand+"="+strings.Join([]string{"serve", "--config", config, "--data", filepath.Join(dir, "data"), "--roles", role}, "\n"))
		var log bytes.Buffer
		child.Stderr = &log
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		t.Cleanup(func() { _ = child.Process.Kill(); _ = child.Wait() })
		line, err := bufio.NewReader(out).ReadString('\n')
		if err != nil {
			_ = child.Wait()
			t.Fatalf("%s did not start: %s", role, log.String())
		}
		return node{child, "http://" + strings.TrimSpace(line[strings.LastIndex(line, " on ")+4:])}
	}
	portals := []node{start("portal"), start("portal")}
	notifiers := []node{start("notifier"), start("notifier")}
	// book announces a device at a portal until it is taken, and returns the link that the mail brings.
	told := 0
	book := func(at node) string {
		t.Helper()
		told++
		to := fmt.Sprintf("mira%d@post.example", told)
		form := url.Values{"cell": {"no"}, "kind": {"film scanner"}, "fault": {"Hums, then stops."}, "name": {"Mira Osei"}, "email": {to}, "address": {"4 Quay Row"}}
		require.Eventually(t, func() bool {
			req, err := http.NewRequest(http.MethodPost, at.base+"/book", strings.NewReader(form.Encode()))
			require.NoError(t, err)
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			req.Header.Set("Origin", at.base)
			resp, err := http.DefaultClient.Do(req)
			return err == nil && resp.Body.Close() == nil && resp.StatusCode == 200
		}, time.Minute, time.Second, "nothing could be booked") // in peace: who asks too often is told to wait
		found := ""
		require.Eventually(t, func() bool {
			for _, m := range post.Mails() {
				if slices.Contains(m.To, to) {
					found = linkIn.FindString(strings.ReplaceAll(string(m.Data), "=\r\n", ""))
				}
			}
			return found != ""
		}, time.Minute, 20*time.Millisecond, "no email came")
		return found[strings.Index(found, "/j/"):]
	}
	opens := func(at node, links ...string) {
		t.Helper()
		for _, l := range links {
			require.Eventually(t, func() bool { code, _ := status(t, at.base+l); return code == 200 }, time.Minute, 50*time.Millisecond, l)
		}
	}
	first := book(portals[0])
	opens(portals[1], first)

	require.NoError(t, portals[0].Process.Kill())
	require.NoError(t, notifiers[0].Process.Kill())
	second := book(portals[1])
	opens(portals[1], first, second)

	primary.Kill()
	third := book(portals[1])
	require.Eventually(t, func() bool { // the other replica follows the new primary
		at, err := watch.GetMasterAddrByName(t.Context(), "shops").Result()
		if err != nil || len(at) != 2 || net.JoinHostPort(at[0], at[1]) == primary.Addr {
			return false
		}
		info, err := (&redistest.Server{Addr: net.JoinHostPort(at[0], at[1])}).Client(t).Info(t.Context(), "replication").Result()
		return err == nil && strings.Contains(info, "connected_slaves:1")
	}, time.Minute, 100*time.Millisecond, "the failover did not end")
	opens(portals[1], first, second, third)
	opens(start("portal"), first, second, third)
}
