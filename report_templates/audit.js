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
  for (const table of all("table[data-copy]")) {
    const tools = make("div", "tools", "");
    const said = make("span", "quiet", "");
    said.setAttribute("role", "status");
    const button = make("button", "copy", "Copy table");
    button.type = "button";
    button.setAttribute("aria-describedby", table.caption.id);
    button.addEventListener("click", async () => {
      const done = await put(tableText(table));
      said.textContent = done
        ? `Copied ${table.tBodies[0].rows.length} rows.`
        : "This browser does not let the page copy.";
      button.focus();
    });
    tools.append(said, button);
    table.closest(".table").append(tools);
  }

  // Show only some findings.
  const filter = document.getElementById("finding-filter");
  if (filter) {
    const findings = all(".finding");
    const words = document.getElementById("finding-words");
    const apply = () => {
      const wanted = new Set(all("input:checked", filter).map((box) => box.value));
      const text = words.value.trim().toLowerCase();
      let shown = 0;
      for (const finding of findings) {
        const fits =
          wanted.has(finding.dataset.severity) && finding.textContent.toLowerCase().includes(text);
        finding.hidden = !fits;
        shown += fits;
      }
      document.getElementById("finding-count").textContent =
        `${shown} of ${findings.length} shown`;
    };
    filter.addEventListener("input", apply);
    filter.hidden = false;
    apply();
  }

  // Details of a gap under the pointer or the keyboard's focus.
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

  // Paper shows what is folded, but for the very long tables.
  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = all("details:not(.bulk):not([open])");
    for (const fold of opened) fold.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const fold of opened) fold.open = false;
  });
})();
