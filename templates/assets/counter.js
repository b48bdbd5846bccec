// The counter's pages work without this script; with it they take fewer presses. It keeps to what is on
// the page: every field that it fills is one that can be filled by hand.
"use strict";

(() => {
  const root = document.documentElement;
  root.classList.add("scripted");
  const all = (sel, from = document) => [...from.querySelectorAll(sel)];
  const make = (tag, props = {}, ...children) => {
    const e = Object.assign(document.createElement(tag), props);
    e.append(...children);
    return e;
  };

  // After a refusal, the list of what is not right is read out first.
  document.getElementById("errors")?.focus();

  // Long records are folded away on a small screen.
  if (matchMedia("(max-width: 48rem)").matches) {
    for (const d of all("[data-fold]")) d.open = location.hash !== "" && d.id === location.hash.slice(1);
  }
  addEventListener("hashchange", () => {
    const d = document.getElementById(location.hash.slice(1))?.closest("details");
    if (d) d.open = true;
  });

  // The catalogue of findings: what is chosen fills the form in, and photos that were chosen stay.
  const look = document.querySelector("[data-entry]");
  if (look) {
    const into = document.querySelector("[data-quick]");
    const fill = async () => {
      const url = look.action + "?find=" + encodeURIComponent(look.elements.find.value);
      try {
        const answer = await fetch(url);
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const from = page.querySelector("[data-quick]");
        document.querySelector("[data-entry-says]").replaceWith(page.querySelector("[data-entry-says]"));
        if (from.elements.entry.value === "") return;
        for (const name of ["entry", "text", "matters", "origin", "weight", "certainty"]) into.elements[name].value = from.elements[name].value;
      } catch {
        location.href = url;
      }
    };
    look.addEventListener("submit", (e) => {
      e.preventDefault();
      fill();
    });
    look.elements.find.addEventListener("input", (e) => {
      if ([...e.target.list.options].some((o) => o.value === e.target.value)) fill();
    });
  }

  // Camera and files: what was chosen is shown; photos can be dropped; several are taken at once.
  for (const box of all("[data-camera]")) {
    const form = box.closest("form");
    const list = box.querySelector(".chosen");
    const inputs = all("input[type=file]", box);
    const drop = box.querySelector(".camera-drop");
    if (drop && matchMedia("(hover: hover)").matches) drop.hidden = false;
    const show = () => {
      list.replaceChildren();
      for (const input of inputs) {
        for (const file of input.files) {
          const li = make("li");
          if (/^image\/(jpeg|png|webp)$/.test(file.type)) {
            const img = make("img", { alt: "", src: URL.createObjectURL(file) });
            img.onload = () => URL.revokeObjectURL(img.src);
            li.append(img);
          }
          li.append(file.name);
          list.append(li);
        }
      }
    };
    for (const input of inputs) {
      input.addEventListener("change", () => {
        show();
        if (input.files.length > 0 && "quick" in form.dataset) form.elements.text?.focus();
      });
    }
    form.addEventListener("dragover", (e) => {
      if (!e.dataTransfer.types.includes("Files")) return;
      e.preventDefault();
      box.classList.add("camera-over");
    });
    form.addEventListener("dragleave", () => box.classList.remove("camera-over"));
    form.addEventListener("drop", (e) => {
      if (!e.dataTransfer.types.includes("Files")) return;
      e.preventDefault();
      box.classList.remove("camera-over");
      const files = new DataTransfer();
      for (const f of [...inputs.at(-1).files, ...e.dataTransfer.files]) files.items.add(f);
      inputs.at(-1).files = files.files;
      show();
    });
  }

  // Photos by themselves go one by one, each with its progress.
  for (const form of all("form[data-upload]")) {
    form.addEventListener("submit", async (e) => {
      const files = all("input[type=file]", form).flatMap((i) => [...i.files]);
      if (files.length === 0) return;
      e.preventDefault();
      const list = form.querySelector(".chosen");
      const buttons = all("button[type=submit]", form);
      for (const b of buttons) b.disabled = true;
      list.replaceChildren();
      let failed = 0;
      for (const [i, file] of files.entries()) {
        const bar = make("progress", { max: 1, value: 0 });
        bar.setAttribute("aria-label", file.name);
        const li = make("li", {}, file.name, bar);
        list.append(li);
        const message = await send(form, file, i, bar);
        bar.remove();
        if (message) {
          failed++;
          li.append(make("span", { className: "bad", textContent: " " + message }));
        } else {
          li.append(" ✓");
        }
      }
      if (failed === 0) {
        location.assign(form.action);
        return;
      }
      for (const input of all("input[type=file]", form)) input.value = "";
      for (const b of buttons) b.disabled = false;
    });
  }

  function send(form, file, i, bar) {
    const data = new FormData();
    for (const name of ["csrf", "kind", "caption", "alt"]) {
      const v = new FormData(form).get(name);
      if (typeof v === "string") data.append(name, v);
    }
    data.append("once", form.elements.once.value + "." + i);
    data.append("photo", file, file.name);
    return new Promise((done) => {
      const x = new XMLHttpRequest();
      x.upload.onprogress = (e) => { if (e.lengthComputable) bar.value = e.loaded / e.total; };
      x.onload = () => {
        let answer = {};
        try { answer = JSON.parse(x.responseText); } catch { /* a page, not an answer */ }
        done(answer.ok ? "" : answer.message || "This photo did not get through; send it again.");
      };
      x.onerror = () => done("The connection was lost; send this photo again.");
      x.open("POST", form.dataset.upload);
      x.send(data);
    });
  }

  // A list always has an empty row to go on with.
  for (const list of all("[data-rows]")) {
    list.addEventListener("input", () => {
      const rows = all(".row", list);
      const last = rows.at(-1);
      if (rows.length >= 100 || !all("input[type=text]", last).some((x) => x.value !== "")) return;
      const n = rows.length;
      const next = last.cloneNode(true);
      for (const e of all("[id]", next)) e.id = e.id.replace(/\d+$/, n);
      for (const e of all("label[for]", next)) e.htmlFor = e.htmlFor.replace(/\d+$/, n);
      for (const e of all(".hidden", next)) e.textContent = e.textContent.replace(/\d+$/, n + 1);
      for (const e of all("input", next)) {
        if (e.type === "radio") { e.value = n; e.checked = false; } else e.value = "";
      }
      list.append(next);
    });
  }

  // Packing: the reason is asked for only where an item does not go back.
  for (const row of all("[data-pack] .pack-row")) {
    const look = () => {
      const chosen = row.querySelector("input[type=radio]:checked");
      const text = row.querySelector(".pack-note input");
      row.classList.toggle("differs", Boolean(text.value) || Boolean(chosen) && chosen.value !== "returned");
    };
    row.addEventListener("change", look);
    look();
  }

  // The link, ready to copy.
  for (const input of all("[data-copy]")) {
    input.addEventListener("focus", () => input.select());
    if (!navigator.clipboard) continue;
    const button = make("button", { type: "button", className: "button button-plain", textContent: "Copy" });
    button.addEventListener("click", async () => {
      await navigator.clipboard.writeText(input.value);
      button.textContent = "Copied";
    });
    input.after(make("p", { className: "buttons" }, button));
  }

  // What a quote comes to, as it is typed: worked out by the server, never here.
  for (const form of all("form[data-totals]")) {
    let timer = 0;
    let asked = 0;
    const ask = async () => {
      const mine = ++asked;
      let answer;
      try {
        const r = await fetch(form.dataset.totals, { method: "POST", body: new URLSearchParams(new FormData(form)), headers: { Accept: "application/json" } });
        if (!r.ok) return;
        answer = await r.json();
      } catch {
        return; // “Work out” asks again
      }
      if (mine !== asked) return;
      for (const o of answer.options) {
        const sum = form.querySelector(`[data-sum="${CSS.escape(o.prefix)}"]`);
        if (!sum) continue;
        sum.replaceChildren();
        if (o.total) {
          if (o.net) sum.append(make("span", { textContent: "Net " + o.net }), " ");
          for (const t of o.taxes) sum.append(make("span", { textContent: t.name + " " + t.amount }), " ");
          sum.append(make("strong", { textContent: "Total " + o.total }));
        } else {
          sum.append(o.error);
        }
        for (const l of o.lines) {
          const out = form.querySelector(`[data-amount="${CSS.escape(l.name)}"]`);
          if (out) out.textContent = l.amount;
        }
      }
    };
    form.addEventListener("input", () => {
      clearTimeout(timer);
      timer = setTimeout(ask, 350);
    });
  }

  // Marks on a photo. The fields below the photo are the marks; here they can be drawn with a finger, and
  // moved with the arrow keys in their fields.
  for (const form of all("form[data-marks]")) marks(form);

  function marks(form) {
    const frame = form.querySelector("[data-frame]");
    const img = frame.querySelector("img");
    const tools = form.querySelector("[data-tools]");
    const list = form.querySelector(".mark-rows");
    // The drawing is 1600 units along its longer side, as on every page that shows the photo.
    const wide = Number(img.getAttribute("width")) || 1600, high = Number(img.getAttribute("height")) || 1200;
    const W = wide * 1600 / Math.max(wide, high), H = high * 1600 / Math.max(wide, high);
    const NS = "http://www.w3.org/2000/svg";
    frame.querySelector("svg")?.remove();
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
    svg.setAttribute("class", "marks");
    svg.setAttribute("aria-hidden", "true");
    frame.append(svg);
    const said = make("p", { className: "hint" });
    said.setAttribute("aria-live", "polite");
    let tool = "";

    const field = (row, name) => row.querySelector(`[name$=".${name}"]`);
    const rows = () => all("[data-mark]", list);
    const number = (row, name) => Number(field(row, name).value) || 0;
    const shape = (kind, attrs) => {
      const e = document.createElementNS(NS, kind);
      for (const [k, v] of Object.entries(attrs)) e.setAttribute(k, v);
      svg.append(e);
      return e;
    };

    function draw() {
      svg.replaceChildren();
      for (const row of rows()) {
        const kind = field(row, "kind").value;
        row.toggleAttribute("data-blank", kind === "" && !row.contains(document.activeElement));
        if (kind === "") continue;
        const x = number(row, "x") * W / 10000, y = number(row, "y") * H / 10000;
        const x2 = number(row, "x2") * W / 10000, y2 = number(row, "y2") * H / 10000;
        const n = field(row, "number").value;
        const disc = (cx, cy) => {
          if (n === "" && kind !== "point") return;
          cx = Math.min(Math.max(cx, 40), W - 40);
          cy = Math.min(Math.max(cy, 40), H - 40);
          shape("circle", { class: "mark-disc", cx, cy, r: 34 });
          shape("text", { class: "mark-number", x: cx, y: cy }).textContent = n;
        };
        if (kind === "ring") {
          const r = Math.max(Math.hypot(x2 - x, y2 - y), 24);
          for (const c of ["mark-edge", "mark-under", "mark"]) shape("circle", { class: c, cx: x, cy: y, r });
          disc(x + r * Math.SQRT1_2, y - r * Math.SQRT1_2);
        } else if (kind === "arrow") {
          const length = Math.hypot(x - x2, y - y2);
          if (length === 0) continue;
          const dx = (x - x2) / length, dy = (y - y2) / length;
          const head = Math.min(60, length / 2), wing = head / 2;
          const bx = x - dx * head, by = y - dy * head;
          const line = { x1: x2, y1: y2, x2: bx, y2: by };
          const points = `${x},${y} ${bx - dy * wing},${by + dx * wing} ${bx + dy * wing},${by - dx * wing}`;
          for (const c of ["mark-edge", "mark-under"]) {
            shape("line", { class: c, ...line });
            shape("polygon", { class: c, points });
          }
          shape("polygon", { class: "mark-head", points });
          shape("line", { class: "mark", ...line });
          disc(x2, y2);
        } else if (kind === "point") {
          disc(x, y);
        } else {
          shape("rect", { class: "mark-blur", x: Math.min(x, x2), y: Math.min(y, y2), width: Math.abs(x2 - x), height: Math.abs(y2 - y) });
        }
      }
    }

    // blank gives an empty row, making one if there is none.
    function blank() {
      const free = rows().find((r) => field(r, "kind").value === "");
      if (free) return free;
      const last = rows().at(-1), n = rows().length;
      if (n >= 100) return null;
      const next = last.cloneNode(true);
      for (const e of all("[id]", next)) e.id = e.id.replace(/^m\d+/, "m" + n);
      for (const e of all("[name]", next)) { e.name = e.name.replace(/^m\d+/, "m" + n); e.value = ""; }
      for (const e of all("label[for]", next)) e.htmlFor = e.htmlFor.replace(/^m\d+/, "m" + n);
      next.querySelector("label").textContent = "Mark " + (n + 1);
      list.append(next);
      return next;
    }

    function put(row, kind, x, y, x2, y2) {
      const bound = (v) => Math.round(Math.min(10000, Math.max(0, v)));
      field(row, "kind").value = kind;
      field(row, "x").value = bound(x);
      field(row, "y").value = bound(y);
      field(row, "x2").value = kind === "point" ? "" : bound(x2);
      field(row, "y2").value = kind === "point" ? "" : bound(y2);
      if (kind === "point" && field(row, "number").value === "") {
        field(row, "number").value = 1 + Math.max(0, ...rows().filter((r) => r !== row).map((r) => number(r, "number")));
      }
    }

    // spread places a mark that was only tapped, or asked for by keyboard.
    function spread(row, kind, x, y) {
      const far = x > 8000 ? -1 : 1;
      if (kind === "ring") put(row, kind, x, y, x + far * 700, y);
      else if (kind === "arrow") put(row, kind, x, y, x + far * 1500, y > 8000 ? y - 1500 : y + 1500);
      else if (kind === "blur") put(row, kind, x - 800, y - 500, x + 800, y + 500);
      else put(row, kind, x, y, 0, 0);
    }

    const names = { ring: "Ring", arrow: "Arrow", point: "Point", blur: "Unreadable" };
    for (const [kind, words] of Object.entries(names)) {
      const b = make("button", { type: "button", className: "button button-plain", textContent: words });
      b.setAttribute("aria-pressed", "false");
      b.addEventListener("click", (e) => {
        if (e.detail === 0) { // by keyboard: a mark in the middle, to be moved in its fields
          const row = blank();
          if (!row) return;
          spread(row, kind, 5000, 5000);
          row.removeAttribute("data-blank");
          row.classList.add("open");
          field(row, "x").focus();
          draw();
          said.textContent = words + " placed in the middle. The arrow keys move it in the fields.";
          return;
        }
        tool = tool === kind ? "" : kind;
        for (const o of all("button", tools)) o.setAttribute("aria-pressed", String(o === b && tool !== ""));
        frame.classList.toggle("drawing", tool !== "");
        said.textContent = tool === "" ? "" : { ring: "Press on the middle and pull outwards.", arrow: "Press where it begins and pull to what it points at.", point: "Press on the place.", blur: "Pull over what nobody should read." }[tool];
      });
      tools.append(b);
    }
    const undo = make("button", { type: "button", className: "button button-plain", textContent: "Take the last one away" });
    undo.addEventListener("click", () => {
      const last = rows().filter((r) => field(r, "kind").value !== "").at(-1);
      if (!last) return;
      for (const e of all("select, input", last)) e.value = "";
      draw();
      said.textContent = "The last mark is gone.";
    });
    tools.append(undo, said);
    tools.hidden = false;
    frame.after(tools);

    const at = (e) => {
      const b = frame.getBoundingClientRect();
      return [(e.clientX - b.left) * 10000 / b.width, (e.clientY - b.top) * 10000 / b.height];
    };
    let pulling = null;
    frame.addEventListener("pointerdown", (e) => {
      if (tool === "" || !e.isPrimary) return;
      e.preventDefault();
      const row = blank();
      if (!row) return;
      frame.setPointerCapture(e.pointerId);
      const [x, y] = at(e);
      pulling = { row, x, y, far: false };
      spread(row, tool, x, y);
      draw();
    });
    frame.addEventListener("pointermove", (e) => {
      if (!pulling) return;
      const [x, y] = at(e), p = pulling;
      p.far ||= Math.hypot(x - p.x, y - p.y) > 150;
      if (!p.far) return;
      if (tool === "arrow") put(p.row, tool, x, y, p.x, p.y);
      else if (tool === "point") put(p.row, tool, x, y, 0, 0);
      else put(p.row, tool, p.x, p.y, x, y);
      draw();
    });
    const end = () => {
      if (!pulling) return;
      pulling.row.removeAttribute("data-blank");
      said.textContent = names[tool] + " placed. Say below what it points at.";
      pulling = null;
    };
    frame.addEventListener("pointerup", end);
    frame.addEventListener("pointercancel", end);

    list.addEventListener("input", draw);
    list.addEventListener("change", draw);
    list.addEventListener("focusout", draw);
    list.addEventListener("keydown", (e) => {
      const step = { ArrowUp: 100, ArrowDown: -100 }[e.key];
      if (!step || e.target.inputMode !== "numeric" || /number$/.test(e.target.name)) return;
      e.preventDefault();
      // Up the page is a smaller number, as on paper; across, up means further.
      const way = /\.y2?$/.test(e.target.name) ? -step : step;
      e.target.value = Math.min(10000, Math.max(0, (Number(e.target.value) || 0) + (e.shiftKey ? way / 10 : way)));
      draw();
    });
    draw();
  }
})();
