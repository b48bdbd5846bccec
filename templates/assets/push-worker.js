// Shows what the bench has to say while no page is open. It fetches nothing and keeps nothing.
"use strict";

self.addEventListener("push", (event) => {
  let d = {};
  try {
    d = event.data.json();
  } catch {
    // A browser must show something for every push.
  }
  event.waitUntil(self.registration.showNotification(d.title || self.location.hostname, {
    body: d.body || "", lang: d.lang || "", tag: d.tag || "", renotify: !!d.tag, icon: "/assets/mark.svg", data: { url: d.url || "/" },
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  const url = new URL(event.notification.data.url, self.location.origin);
  if (url.origin !== self.location.origin) return;
  event.waitUntil((async () => {
    for (const page of await self.clients.matchAll({ type: "window", includeUncontrolled: true })) {
      if (new URL(page.url).pathname === url.pathname) return page.focus();
    }
    return self.clients.openWindow(url.href);
  })());
});
