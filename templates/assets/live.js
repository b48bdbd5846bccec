// Keeps a tracking page up to date while it is open. The page works without it, by reloading.
(() => {
  "use strict";
  const ticket = document.querySelector("[data-live]");
  const status = document.getElementById("live-status");
  if (!ticket || !status || !("EventSource" in window)) return;

  // What the reader is using right now is left alone; it is brought up to date at the next change.
  const busy = (part) => part.contains(document.activeElement) && document.activeElement !== document.body;

  // What the reader has unfolded stays so.
  const unfold = (fresh) => {
    for (const open of ticket.querySelectorAll("details[data-fold][open]")) {
      const same = fresh.querySelector(`[data-fold="${open.dataset.fold}"]`);
      if (same) same.open = true;
    }
  };

  const swap = (from) => {
    const doc = new DOMParser().parseFromString(from, "text/html");
    const fresh = doc.querySelector("[data-live]");
    if (!fresh) {
      location.reload();
      return;
    }
    unfold(fresh);
    let changed = false;
    const parts = (root) => [...root.querySelectorAll("[data-part]")];
    const names = (root) => parts(root).map((e) => e.dataset.part).join();
    const field = ticket.querySelector("textarea");
    if (names(fresh) !== names(ticket) && !(field && document.activeElement === field)) {
      // A part came or went: show the new page whole, and keep what was typed.
      const words = field ? field.value : "";
      ticket.replaceChildren(...fresh.childNodes);
      const again = ticket.querySelector("textarea");
      if (again && words) again.value = words;
      changed = true;
    } else {
      // Nobody's pen is pulled away: only the parts that both have are brought up to date.
      for (const part of parts(fresh)) {
        const old = ticket.querySelector(`[data-part="${part.dataset.part}"]`);
        if (!old || old.outerHTML === part.outerHTML || busy(old)) continue;
        old.replaceWith(part);
        changed = true;
      }
    }
    if (!changed) return;
    const where = ticket.querySelector(".answer-short");
    status.textContent = `${ticket.dataset.updated} ${where ? where.textContent : ""}`;
  };

  let under = false;
  let again = false;
  const refresh = async () => {
    if (under) {
      again = true;
      return;
    }
    under = true;
    try {
      const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } });
      if (answer.ok) swap(await answer.text());
    } catch {
      // Offline for a moment: the event stream comes back by itself and tells us again.
    } finally {
      under = false;
      if (again) {
        again = false;
        refresh();
      }
    }
  };

  const jump = () => {
    const fold = document.querySelector(":target > details");
    if (fold) fold.open = true;
  };
  addEventListener("hashchange", jump);
  jump();

  const stream = new EventSource(ticket.dataset.live);
  stream.addEventListener("changed", refresh);
  addEventListener("pagehide", () => stream.close());
  addEventListener("pageshow", (e) => {
    if (e.persisted) location.reload();
  });
})();
