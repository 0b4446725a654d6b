// Filters and sorts the rows of a page. Without it everything is shown.
// What may be hidden has data-find (its words) and data-verdicts (shapes, parted by spaces).
"use strict";
(() => {
  const ROW_PX = 24; // as in the style sheet
  const [text, verdict, order, count] = ["text", "verdict", "order", "count"].map(
    (name) => document.getElementById(`find-${name}`));
  if (!text) return;
  const fields = Object.entries({ find: text, show: verdict, order });
  const maps = [...document.querySelectorAll(".map")].map((table) => ({
    heads: [...table.tHead.rows[0].cells].slice(2),
    feet: [...table.tFoot.rows[0].cells].slice(2),
    rows: [...table.tBodies[0].rows],
    body: table.tBodies[0],
    frame: table.closest(".map-frame"),
    pins: table.classList.contains("pins"),
  }));
  const lists = [...document.querySelectorAll("table.rows")].map((table) => ({
    rows: [...table.tBodies[0].rows],
    body: table.tBodies[0],
  }));
  for (const map of maps) {
    const longest = Math.max(10, ...map.rows.map((row) => row.cells[0].textContent.length));
    map.body.parentElement.style.setProperty("--names", Math.min(longest, 30));
  }
  const rest = [...document.querySelectorAll("[data-find]:not(.map *)")];
  const bad = (item) => /fail|unstable|error|not-run/.test(item.dataset.verdicts);
  const shows = (item) => !verdict.value || (verdict.value === "bad"
    ? bad(item) : item.dataset.verdicts.split(" ").includes(verdict.value));
  const says = (item, words) => words.every((word) => item.dataset.find.toLowerCase().includes(word));

  const filter = () => {
    const words = text.value.toLowerCase().split(/\s+/).filter(Boolean);
    let left = 0;
    for (const map of maps) {
      // words that name chips and no design leave all designs, and the other way round
      const chips = map.heads.map((head) => says(head, words));
      const designs = map.rows.map((row) => says(row, words));
      const byChip = words.length && chips.includes(true) && !designs.includes(true);
      const byDesign = words.length && !byChip && !(map.pins && !designs.includes(true));
      map.heads.forEach((head, k) => {
        const hide = Boolean(byChip && !chips[k]);
        if (head.hidden === hide) return;
        head.hidden = map.feet[k].hidden = hide;
        for (const row of map.rows) row.cells[k + 2].hidden = hide;
      });
      map.rows.forEach((row, k) => {
        row.hidden = Boolean(byDesign && !designs[k]) || !shows(row);
        left += !map.pins && !row.hidden;
      });
    }
    for (const item of rest) item.hidden = !says(item, words) || !shows(item);
    for (const list of lists) left += list.rows.filter((row) => !row.hidden).length;
    const counted = (number, noun) => `${number} ${noun}${number === 1 ? "" : "s"}`;
    const causes = rest.filter((item) => item.matches(".cause"));
    const found = causes.filter((item) => !item.hidden).length;
    count.value = counted(left, text.form.dataset.noun) +
      (causes.length ? `, ${counted(found, "cause")} shown` : " shown");
    const kept = new URLSearchParams();
    for (const [name, { value }] of fields) if (value) kept.set(name, value);
    if (String(kept) || location.hash.startsWith("#find")) {
      history.replaceState(null, "", `#find?${kept}`);
    }
  };

  const names = new Intl.Collator("en", { numeric: true });
  const sort = () => {
    for (const map of [...maps, ...lists]) {
      const rows = order.value
        ? [...map.rows].sort((a, b) => names.compare(a.dataset.find, b.dataset.find))
        : map.rows;
      // a row that is moved is laid out again, even to its own place
      if (rows.some((row, k) => row !== map.body.rows[k])) map.body.append(...rows);
    }
    filter();
  };

  // The first frame has the rows in sight only; screen readers and pictures need all soon after.
  let settled;
  const settle = () => {
    clearTimeout(settled);
    for (const row of document.querySelectorAll(".map .far")) row.classList.remove("far");
  };
  const quickly = (change) => () => {
    const seen = maps.map(({ frame }) => [frame.scrollTop, frame.clientHeight]);
    change();
    maps.forEach(({ body }, m) => {
      const rows = [...body.rows].filter((row) => !row.hidden);
      const [top, height] = seen[m];
      const first = Math.min(top, rows.length * ROW_PX - height);
      rows.forEach((row, k) => row.classList.toggle(
        "far", k * ROW_PX < first - height || k * ROW_PX > first + height));
    });
    clearTimeout(settled);
    settled = setTimeout(settle, 1000);
  };
  for (const { frame } of maps) frame.addEventListener("scroll", settle);

  text.addEventListener("input", quickly(filter));
  verdict.addEventListener("change", quickly(filter));
  order.addEventListener("change", quickly(sort));

  const take = () => {
    if (!location.hash.startsWith("#find?")) return;
    const given = new URLSearchParams(location.hash.slice(6));
    for (const [name, field] of fields) field.value = given.get(name) ?? "";
  };
  addEventListener("hashchange", quickly(() => { take(); sort(); }));
  take();
  sort();
})();
