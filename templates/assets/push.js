// The button that lets this browser be told of the job. Where a browser can't, there is none.
(() => {
  "use strict";
  const box = document.getElementById("push");
  if (!box || !("serviceWorker" in navigator) || !("PushManager" in window) || !("Notification" in window)) return;
  const on = box.querySelector("[data-push-on]");
  const off = box.querySelector("[data-push-off]");
  const status = box.querySelector("[role=status]");
  const mark = "push " + box.dataset.job;

  // Which browser the job tells is remembered here; the address itself is the browser's.
  const remembered = () => { try { return localStorage.getItem(mark); } catch { return null; } };
  const remember = (v) => { try { v ? localStorage.setItem(mark, v) : localStorage.removeItem(mark); } catch { /* then the button asks again */ } };

  const worker = async () => {
    await navigator.serviceWorker.register("/push-worker.js", { scope: "/j/" });
    return navigator.serviceWorker.ready;
  };
  const show = (told) => {
    on.hidden = told;
    off.hidden = !told;
  };
  const say = (text) => { status.textContent = text; };
  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (c) => c.charCodeAt(0));

  // The server's answer is a sentence either way.
  const send = async (fields) => {
    const answer = await fetch(box.dataset.url, { method: "POST", body: new URLSearchParams(fields) });
    say(await answer.text());
    return answer.ok;
  };

  const press = (button, act) => button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await act();
    } catch {
      say(Notification.permission === "denied" ? box.dataset.denied : box.dataset.failed);
    }
    button.disabled = false;
  });

  press(on, async () => {
    if (await Notification.requestPermission() !== "granted") {
      say(box.dataset.denied);
      return;
    }
    const registration = await worker();
    // A browser that does not reach its push service may wait for ever.
    const late = new Promise((_, reject) => setTimeout(reject, 30000));
    late.catch(() => {});
    const s = await registration.pushManager.getSubscription() ||
      await Promise.race([registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(box.dataset.key) }), late]);
    const x = s.toJSON();
    if (await send({ want: "on", endpoint: x.endpoint, key: x.keys.p256dh, auth: x.keys.auth })) {
      remember(x.endpoint);
      show(true);
    }
  });

  // The browser's own address stays: other jobs may be told by it.
  press(off, async () => {
    if (await send({ want: "off", endpoint: remembered() || "" })) {
      remember(null);
      show(false);
    }
  });

  (async () => {
    const registration = await navigator.serviceWorker.getRegistration("/j/");
    const s = registration && await registration.pushManager.getSubscription();
    show(!!s && s.endpoint === remembered());
    if (Notification.permission === "denied") say(box.dataset.denied);
    box.hidden = false;
  })();
})();
