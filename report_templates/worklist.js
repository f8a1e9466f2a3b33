// Search and filter in the page: it says everything without them. Sends nothing anywhere.
"use strict";
(() => {
  const filter = document.getElementById("worklist-filter");
  const words = document.getElementById("worklist-words");
  const role = document.getElementById("worklist-for");
  const open = document.getElementById("worklist-open");
  const count = document.getElementById("worklist-count");
  const boxes = Array.from(filter.querySelectorAll("fieldset input"));
  const rows = Array.from(document.querySelectorAll("#worklist-table tbody tr"), (row) => ({
    row,
    outcome: row.dataset.outcome,
    open: "open" in row.dataset,
    acts: row.dataset.acts.split(" "),
    text: row.textContent.toLowerCase(),
  }));

  const apply = () => {
    const wanted = new Set(boxes.filter((box) => box.checked).map((box) => box.value));
    const parts = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const one of rows) {
      const fits =
        wanted.has(one.outcome) &&
        (!open.checked || one.open) &&
        (!role.value || one.acts.includes(role.value)) &&
        parts.every((part) => one.text.includes(part));
      one.row.hidden = !fits;
      shown += fits;
    }
    count.textContent = `${shown} of ${rows.length} shown`;
  };
  filter.addEventListener("input", apply);
  filter.hidden = false;
  apply();
})();
