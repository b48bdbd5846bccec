// Keeps a tracking page up to date while it is open. The page works without it, by reloading.
(() => {
  "use strict";
  const ticket = document.querySelector("[data-live]");
  const status = document.getElementById("live-status");
  if (!ticket || !status || !("EventSource" in window)) return;

  // What the reader is using right now is left alone; it is brought up to date at the next change.
  const busy = (part) => part.contains(document.activeElement) && document.activeElement !== document.body;

  const swap = (from) => {
    const doc = new DOMParser().parseFromString(from, "text/html");
    const fresh = doc.querySelector("[data-live]");
    if (!fresh) {
      location.reload();
      return;
    }
    let changed = false;
    const names = [...fresh.querySelectorAll("[data-part]")].map((e) => e.dataset.part).join();
    const here = [...ticket.querySelectorAll("[data-part]")].map((e) => e.dataset.part).join();
    if (names !== here) {
      // A part came or went: keep what is being typed, and show the new page whole.
      const typed = document.getElementById("text");
      const words = typed ? typed.value : "";
      if (typed && document.activeElement === typed) return; // do not pull the pen away
      ticket.replaceChildren(...fresh.childNodes);
      const again = document.getElementById("text");
      if (again) again.value = words;
      changed = true;
    } else {
      for (const part of fresh.querySelectorAll("[data-part]")) {
        const old = ticket.querySelector(`[data-part="${part.dataset.part}"]`);
        if (old.outerHTML === part.outerHTML || busy(old)) continue;
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

  const stream = new EventSource(ticket.dataset.live);
  stream.addEventListener("changed", refresh);
  addEventListener("pagehide", () => stream.close());
  addEventListener("pageshow", (e) => {
    if (e.persisted) location.reload();
  });
})();
