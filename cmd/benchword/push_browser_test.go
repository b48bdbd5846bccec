package main

import (
	"context"
	"crypto/ecdh"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"benchword/notify/mail"
	"benchword/notify/push"
	"benchword/portal/portaltest"
	"benchword/workflow"
	"benchword/workflow/link"
	"benchword/workflow/longtest"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// permit answers the question whether a site may show notices.
func permit(site string, setting browser.PermissionSetting) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
		_, err := cdp.Call(ctx, t, browser.SetPermission, browser.SetPermissionParams{Permission: &browser.PermissionDescriptor{Name: "notifications"}, Setting: setting, Origin: site})
		return chromedp.Void{}, err
	}
}

// TestPushInABrowser: the button on the tracking page, the service worker, and the notice that it shows. The
// browser's own push service is out of reach of a test, so a subscription is put in its place; the rest is
// the browser's: permission, worker, notice.
func TestPushInABrowser(t *testing.T) {
	longtest.Gate(t)
	s, d := demoStage(t)
	ctx := portaltest.Browser(t)
	look := s.link(d.toApprove, link.Own)
	n := d.toApprove.number

	var mu sync.Mutex
	var worker serviceworker.RegistrationID
	require.NoError(t, chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(*serviceworker.EventWorkerRegistrationUpdated); ok {
			mu.Lock()
			defer mu.Unlock()
			for _, r := range e.Registrations {
				if strings.HasPrefix(r.ScopeURL, s.base+"/j/") && !r.IsDeleted {
					worker = r.RegistrationID
				}
			}
		}
	}))
	press := func(what string) chromedp.Action[chromedp.Void] {
		return portaltest.Click("#push [data-push-" + what + "]")
	}
	says := func(words string) {
		t.Helper()
		portaltest.Until[bool](t, ctx, fmt.Sprintf(`document.querySelector("#push [role=status]").textContent.includes(%q)`, words))
	}
	live := func() int {
		count := 0
		for _, x := range s.job(n).Subscriptions {
			if x.Live() {
				count++
			}
		}
		return count
	}
	require.NoError(t, chromedp.Do(ctx,
		func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
			_, err := cdp.Call(ctx, t, serviceworker.Enable, cdp.Empty{})
			return chromedp.Void{}, err
		},
		permit(s.base, browser.PermissionSettingDenied), chromedp.Navigate(look), press("on")))
	says("doesn’t allow notifications")
	require.Zero(t, live())

	// Allowed, but the push service is not to be reached: that is said, too.
	require.NoError(t, chromedp.Do(ctx, permit(s.base, browser.PermissionSettingGranted), chromedp.Navigate(look)))
	require.True(t, portaltest.Evaluate[bool](t, ctx, `PushManager.prototype.subscribe = async () => { throw new DOMException("no service", "AbortError") }, true`))
	require.NoError(t, chromedp.Do(ctx, press("on")))
	says("didn’t work just now")
	require.Zero(t, live())

	key, err := ecdh.P256().GenerateKey(rand.Reader)
	require.NoError(t, err)
	fake := fmt.Sprintf(`(() => {
		const s = {endpoint: "https://push.invalid.example/mira", toJSON: () => ({endpoint: s.endpoint, keys: {p256dh: %q, auth: "BTBZMqHH6r4Tts7J_aSIgg"}})};
		let there = null;
		PushManager.prototype.getSubscription = async () => there;
		PushManager.prototype.subscribe = async (options) => { window.asked = options; return there = s; };
		return true; })()`, base64.RawURLEncoding.EncodeToString(key.PublicKey().Bytes()))
	require.True(t, portaltest.Evaluate[bool](t, ctx, fake))
	require.NoError(t, chromedp.Do(ctx, press("on")))
	says("Notifications are on")
	require.Equal(t, 1, live())
	require.Equal(t, "https://push.invalid.example/mira", s.job(n).Subscriptions[0].Endpoint.Text)
	require.Equal(t, []int{65, 4}, portaltest.Evaluate[[]int](t, ctx, `[asked.applicationServerKey.length, asked.applicationServerKey[0]]`))
	require.True(t, portaltest.Evaluate[bool](t, ctx, `asked.userVisibleOnly && document.querySelector("[data-push-on]").hidden`))

	// The bench writes: what goes out for this browser is what the worker is given.
	s.do(counterRosa, n, workflow.SendMessage{Text: "The part is here."})
	entries, err := s.srv.store.Entries(context.Background(), s.srv.service.Shop.ID, n)
	require.NoError(t, err)
	e := entries[len(entries)-1]
	for _, x := range entries {
		if x.Channel == "push/1" {
			e = x
		}
	}
	require.Equal(t, workflow.Channel("push/1"), e.Channel)
	text, err := (&push.Pushes{Writer: &mail.Writer{Service: s.srv.service}}).Text(s.srv.service, s.job(n), &e)
	require.NoError(t, err)
	require.Eventually(t, func() bool { mu.Lock(); defer mu.Unlock(); return worker != "" }, 30*time.Second, 10*time.Millisecond)
	// A worker that is not yet active, or that a busy browser stops before it answers, loses what it is given: as a
	// push service would, it is given again until it shows. One tag is one notice, however often it comes.
	require.True(t, portaltest.Evaluate[bool](t, ctx, `navigator.serviceWorker.ready.then(r => r.active != null)`))
	var shown map[string]string
	require.Eventually(t, func() bool {
		_, err := chromedp.Run(ctx, func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
			mu.Lock()
			id := worker
			mu.Unlock()
			_, err := cdp.Call(ctx, t, serviceworker.DeliverPushMessage, serviceworker.DeliverPushMessageParams{Origin: s.base, RegistrationID: id, Data: string(text)})
			return chromedp.Void{}, err
		})
		if err != nil {
			return false
		}
		shown = portaltest.Evaluate[map[string]string](t, ctx, `(async () => {
			const r = await navigator.serviceWorker.ready;
			for (let i = 0; i < 40; i++) {
				const all = await r.getNotifications();
				if (all.length == 1) return {title: all[0].title, body: all[0].body, tag: all[0].tag, lang: all[0].lang, url: all[0].data.url};
				await new Promise(next => setTimeout(next, 50));
			}
			return null })()`)
		return shown != nil
	}, time.Minute, 10*time.Millisecond)
	require.Equal(t, s.srv.service.Shop.Name, shown["title"])
	require.Contains(t, shown["body"], "a message from the bench")
	require.Equal(t, string(n), shown["tag"])
	require.Equal(t, strings.TrimPrefix(look, s.base), shown["url"])

	require.NoError(t, chromedp.Do(ctx, press("off")))
	says("Notifications are off")
	require.Zero(t, live())
	require.True(t, portaltest.Evaluate[bool](t, ctx, `!document.querySelector("[data-push-on]").hidden && document.querySelector("[data-push-off]").hidden`))

	// Where a browser can't, there is no button.
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate(s.base+"/packing")))
	require.True(t, portaltest.Evaluate[bool](t, ctx, fmt.Sprintf(`fetch(%q).then(r => r.text()).then(h => new DOMParser().parseFromString(h, "text/html").getElementById("push").hidden)`, look)))
}
