// Marks on a photo wait for the photo. Without scripts they are there at once.
(() => {
  "use strict";
  const wait = (root) => {
    for (const img of root.querySelectorAll(".frame img")) {
      if (img.complete || !img.nextElementSibling) continue;
      const frame = img.parentElement;
      frame.classList.add("frame-waits");
      for (const end of ["load", "error"]) img.addEventListener(end, () => frame.classList.remove("frame-waits"), { once: true });
    }
  };
  wait(document);
  new MutationObserver((all) => {
    for (const { addedNodes } of all) for (const node of addedNodes) if (node.querySelectorAll) wait(node);
  }).observe(document.body, { childList: true, subtree: true });
})();
