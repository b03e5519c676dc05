"use strict";
// The table sorted, filtered and searched. All of it is there without.
const table = document.getElementById("slides");
const body = table.tBodies[0];
const rows = [...body.rows].map((row, n) => ({ row, n, text: row.textContent.toLowerCase() }));
const tools = document.querySelector(".tools");
const search = document.getElementById("search");
const boxes = [...tools.querySelectorAll("input[type=checkbox]")];
tools.hidden = false;
const filter = () => {
  const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
  const kinds = new Set(boxes.filter(b => b.checked).map(b => b.value));
  let shown = 0;
  for (const { row, text } of rows) {
    row.hidden = !(kinds.has(row.className) && words.every(w => text.includes(w)));
    shown += !row.hidden;
  }
  document.getElementById("shown").textContent = `${shown} of ${rows.length} shown`;
};
search.addEventListener("input", filter);
for (const box of boxes) box.addEventListener("change", filter);
filter();
const heads = [...table.tHead.querySelectorAll("th")];
const collator = new Intl.Collator("en", { numeric: true });
heads.forEach((head, n) => {
  const column = head.cellIndex;
  const button = document.createElement("button");
  button.type = "button";
  button.append(...head.childNodes);
  head.append(button);
  button.addEventListener("click", () => {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of heads) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const key = ({ row }) => { const cell = row.cells[column]; return cell.dataset.v === undefined ? cell.textContent : cell.dataset.v === "" ? null : Number(cell.dataset.v); };
    const keyed = rows.map(r => [key(r), r]);
    // What is not known comes last either way; of equal ones the order of the drawer stays.
    keyed.sort(([a, r], [b, s]) => {
      if (a === null || b === null) return (a === null) - (b === null) || r.n - s.n;
      const order = typeof a === "number" ? a - b : n === 0 ? r.n - s.n : collator.compare(a, b);
      return (down ? -order : order) || r.n - s.n;
    });
    body.append(...keyed.map(([, { row }]) => row));
  });
});
