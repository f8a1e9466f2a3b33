// Progress, filters and copying. Every page does its work without this.
"use strict";
(() => {
  const ask = async (address) => {
    const answer = await fetch(address, { credentials: "same-origin", cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    return answer;
  };

  // What went wrong is read out first.
  document.querySelector("[data-focus]")?.focus();

  // Copying.
  for (const button of document.querySelectorAll("[data-copy-from]")) {
    const from = button.dataset.copyFrom;
    button.hidden = false;
    button.addEventListener("click", async () => {
      const said = document.getElementById(`${from}-said`);
      const source = document.getElementById(from);
      try {
        await navigator.clipboard.writeText(source.textContent);
        said.textContent = "Copied.";
      } catch {
        const range = document.createRange();
        range.selectNodeContents(source);
        getSelection().removeAllRanges();
        getSelection().addRange(range);
        said.textContent = "Selected: copy it with Ctrl+C.";
      }
    });
  }

  // Filter of a table by its text.
  for (const filter of document.querySelectorAll("[data-filter]")) {
    const rows = Array.from(document.querySelectorAll(`#${filter.dataset.filter} tbody tr`));
    const words = filter.querySelector("input");
    const said = filter.querySelector("[role=status]");
    if (rows.length < 8) continue;
    filter.hidden = false;
    words.addEventListener("input", () => {
      const parts = words.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const row of rows) {
        row.hidden = !parts.every((part) => row.textContent.toLowerCase().includes(part));
        shown += !row.hidden;
      }
      said.textContent = `${shown} of ${rows.length} shown`;
    });
  }

  // The worklist's choices take effect at once.
  document.addEventListener("change", (event) => {
    if (event.target.matches("#list-filter select")) event.target.form.requestSubmit();
  });

  // An audit that runs.
  const run = document.querySelector("[data-run]");
  if (run) {
    const words = document.getElementById("run-words");
    const bar = document.getElementById("run-bar");
    let failures = 0;
    let told = "";
    const look = async () => {
      try {
        const state = await (await ask(`/runs/${run.dataset.run}/state`)).json();
        failures = 0;
        if (state.state !== "waiting" && state.state !== "running") {
          location.replace(`/runs/${run.dataset.run}`);
          return;
        }
        if (state.known || state.state === "waiting") bar.value = state.percent;
        else bar.removeAttribute("value");
        const text = state.state === "waiting"
          ? `Waiting: ${state.ahead} before it.`
          : [state.stage + (state.amount ? `: ${state.amount}` : ""), state.left].filter(Boolean).join(", ");
        bar.title = text;
        // Read out: each step once, and then its tenths.
        const step = `${state.state}${state.stage}${Math.floor(state.percent / 10)}`;
        if (step !== told) {
          told = step;
          words.textContent = text;
        }
      } catch {
        failures += 1;
        if (failures === 4) words.textContent = "The desk does not answer any more. Start it again; audits that were made are kept.";
      }
      setTimeout(look, 700);
    };
    look();
  }

  // The worklist keeps itself up to date while nobody is at work in it.
  const live = document.getElementById("live");
  if (live) {
    const said = document.getElementById("live-words");
    let failures = 0;
    const atWork = () =>
      "searched" in live.dataset ||
      live.querySelector("details[open]") !== null ||
      (live.contains(document.activeElement) && document.activeElement !== document.body);
    const look = async () => {
      try {
        const now = await (await ask("/changes")).json();
        failures = 0;
        if (now.version !== live.dataset.version) {
          if (atWork()) {
            said.textContent = "The worklist has changed: load the page again to see it.";
          } else {
            const fresh = new DOMParser().parseFromString(await (await ask(location.href)).text(), "text/html");
            const part = fresh.getElementById("live");
            if (part) {
              live.replaceChildren(...Array.from(part.childNodes, (node) => document.importNode(node, true)));
              live.dataset.version = part.dataset.version;
              said.textContent = "The worklist was brought up to date.";
            }
          }
        }
      } catch {
        failures += 1;
        if (failures === 4) said.textContent = "The desk does not answer any more. Start it again to go on.";
      }
      setTimeout(look, 3000);
    };
    setTimeout(look, 3000);
  }
})();
