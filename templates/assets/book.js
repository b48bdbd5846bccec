// Tells the bench the sender's time zone, so that times can be given in it. The form works without.
(() => {
  "use strict";
  const field = document.querySelector("[data-time-zone]");
  if (field && !field.value) {
    try {
      field.value = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
    } catch {
      // An old browser: the shop's zone is used.
    }
  }
})();
