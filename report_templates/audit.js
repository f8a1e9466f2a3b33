// Extras only: the page says everything without it. Reads the page, sends nothing anywhere.
"use strict";
(() => {
  const all = (selector, root = document) => Array.from(root.querySelectorAll(selector));
  const make = (tag, className, text) => {
    const element = document.createElement(tag);
    element.className = className;
    element.textContent = text;
    return element;
  };

  // Copy a table as tab-separated text that a spreadsheet takes as it is.
  const cellText = (cell) => {
    const text = cell.textContent.replace(/\s+/g, " ").trim();
    // A text that a spreadsheet would take for a formula gets an apostrophe; a number does not.
    return /^[=+\-@＝＋－＠]/.test(text) && !/^-?[\d.,:]+$/.test(text) ? "'" + text : text;
  };
  const tableText = (table) =>
    Array.from(table.rows, (row) => Array.from(row.cells, cellText).join("\t")).join("\n");
  const put = async (text) => {
    if (navigator.clipboard) {
      try {
        await navigator.clipboard.writeText(text);
        return true;
      } catch {
        // Not allowed here: the older way below asks no permission.
      }
    }
    const field = make("textarea", "", "");
    field.value = text;
    document.body.append(field);
    field.select();
    const done = document.execCommand("copy");
    field.remove();
    return done;
  };
  const copier = (place, label, about, text, done) => {
    const tools = make("div", "tools", "");
    const said = make("span", "quiet", "");
    said.setAttribute("role", "status");
    const button = make("button", "copy", label);
    button.type = "button";
    button.setAttribute("aria-describedby", about);
    button.addEventListener("click", async () => {
      said.textContent = (await put(text())) ? done : "This browser does not let the page copy.";
      button.focus();
    });
    tools.append(said, button);
    place.append(tools);
  };
  for (const table of all("table[data-copy]")) {
    const rows = table.tBodies[0].rows.length;
    copier(table.closest(".table"), "Copy table", table.caption.id, () => tableText(table),
      `Copied ${rows} ${rows === 1 ? "row" : "rows"}.`);
  }
  for (const note of all("[data-copy-text]")) {
    copier(note.parentElement, "Copy note", note.id, () => note.innerText.trim(), "Copied.");
  }

  // Details of an interruption under the pointer or the keyboard's focus.
  const tip = make("div", "tip", "");
  tip.hidden = true;
  tip.setAttribute("aria-hidden", "true");
  document.body.append(tip);
  const hide = () => { tip.hidden = true; };
  for (const link of all(".gap-link")) {
    const show = () => {
      tip.textContent = link.getAttribute("aria-label");
      tip.hidden = false;
      const place = link.getBoundingClientRect();
      const room = document.documentElement.clientWidth - tip.offsetWidth - 8;
      tip.style.left = `${Math.max(8, Math.min(place.left, room)) + window.scrollX}px`;
      tip.style.top = `${place.bottom + 6 + window.scrollY}px`;
    };
    link.addEventListener("pointerenter", show);
    link.addEventListener("focus", show);
    link.addEventListener("pointerleave", hide);
    link.addEventListener("blur", hide);
  }
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hide();
  });

  // A jump opens what is folded around its target and leaves a mark there.
  const arrive = () => {
    for (const row of all("tr.is-here")) row.classList.remove("is-here");
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    const fold = target.closest("details");
    if (fold && !fold.open) {
      fold.open = true;
      target.scrollIntoView();
    }
    if (target.tagName === "TR") target.classList.add("is-here");
  };
  window.addEventListener("hashchange", arrive);
  arrive();

  // Paper shows the evidence where the reader asks for it, folded or not.
  let opened = [];
  window.addEventListener("beforeprint", () => {
    const wanted = document.getElementById("print-evidence");
    opened = wanted && wanted.checked ? all("details:not([open])") : [];
    for (const fold of opened) fold.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const fold of opened) fold.open = false;
  });
})();
