"use strict";
for (const grid of document.querySelectorAll(".grid")) {
  const table = grid.querySelector("table"), body = table.tBodies[0];
  const order = Array.from(body.rows), heads = Array.from(table.tHead.rows[0].cells);
  const text = new Intl.Collator("en", {numeric: true, sensitivity: "base"});
  const value = (row, i) => {
    const c = row.cells[i];
    return c.dataset.v === undefined ? c.textContent : c.dataset.v === "" ? NaN : Number(c.dataset.v);
  };
  // What is not known stands last, whichever way the others go.
  const compare = (a, b, way) => {
    if (typeof a === "string") return way * text.compare(a, b);
    if (a !== a || b !== b) return (a !== a) - (b !== b);
    return way * (a - b);
  };
  heads.forEach((head, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    head.setAttribute("aria-sort", "none");
    button.addEventListener("click", () => {
      const numbers = head.classList.contains("n"), first = numbers ? "descending" : "ascending";
      const second = numbers ? "ascending" : "descending", is = head.getAttribute("aria-sort");
      const next = is === "none" ? first : is === first ? second : "none";
      heads.forEach(h => h.setAttribute("aria-sort", "none"));
      head.setAttribute("aria-sort", next);
      const way = next === "descending" ? -1 : 1;
      body.append(...(next === "none" ? order : order.slice().sort((a, b) => compare(value(a, i), value(b, i), way))));
    });
  });
  if (!("filter" in grid.dataset)) continue;
  const tools = document.createElement("div"), label = document.createElement("label");
  const field = document.createElement("input"), count = document.createElement("output");
  tools.className = "tools";
  field.type = "search";
  field.id = table.id + "-filter";
  field.placeholder = "words to look for";
  label.htmlFor = field.id;
  label.textContent = "Filter";
  const picks = heads.flatMap((head, i) => "pick" in head.dataset ? [picker(head, i)] : []).filter(p => p);
  function picker(head, i) {
    const of = order.map(row => row.cells[i].textContent), values = Array.from(new Set(of));
    if (values.length < 2) return null;
    const select = document.createElement("select"), name = document.createElement("label");
    select.id = table.id + "-pick-" + head.textContent.replace(/\W+/g, "-");
    name.htmlFor = select.id;
    name.textContent = head.textContent;
    select.append(new Option("all", ""), ...values.map((v, k) => new Option(v, k)));
    select.value = values.indexOf(head.dataset.pick) >= 0 ? values.indexOf(head.dataset.pick) : "";
    select.addEventListener("change", () => narrow());
    tools.append(name, select);
    return row => select.value === "" || of[row] === values[select.value];
  }
  const hay = order.map(row => Array.from(row.cells, c => c.textContent).join(" ").toLowerCase());
  const narrow = () => {
    const words = field.value.toLowerCase().split(/\s+/).filter(w => w);
    let shown = 0;
    order.forEach((row, i) => {
      row.hidden = !words.every(w => hay[i].includes(w)) || !picks.every(p => p(i));
      shown += !row.hidden;
    });
    count.textContent = shown + " of " + order.length + (order.length === 1 ? " row" : " rows");
  };
  field.addEventListener("input", narrow);
  narrow();
  tools.append(label, field, count);
  grid.prepend(tools);
}
