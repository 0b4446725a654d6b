// Keys and buttons of the pages of a run: steps through what did not pass, folds and unfolds.
"use strict";
(() => {
  const bar = document.getElementById("find");
  if (!bar) return;
  const folds = [...document.querySelectorAll("details.finding")];

  // where to stop: at findings, or in each row with something bad at the first that is shown
  const stops = () => {
    if (folds.length) return folds.map((fold) => fold.querySelector("summary"));
    const rows = [...document.querySelectorAll("main tr[data-find]")].filter(
      (row) => /fail|unstable|error|not-run/.test(row.dataset.verdicts) && !row.hidden);
    return rows.map((row) => [...row.querySelectorAll("a[data-bad]"), row.querySelector("a")]
      .find((link) => link && !link.closest("[hidden]"))).filter(Boolean);
  };

  const step = (by) => {
    const places = stops();
    const active = document.activeElement;
    const now = places.findIndex((place) => place.parentElement.contains(active));
    const next = places[now < 0 && by < 0 ? places.length - 1 : (now + by + places.length) % places.length];
    if (!next) return;
    if (next.tagName === "SUMMARY") next.parentElement.open = true;
    next.focus();
  };

  for (const button of bar.querySelectorAll("button")) {
    const { step: by, fold } = button.dataset;
    button.addEventListener("click", () => {
      if (by) step(Number(by));
      else for (const one of folds) one.open = fold === "open";
    });
  }
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) return;
    const control = bar.querySelector(`[data-key="${CSS.escape(event.key)}"]`);
    if (!control) return;
    if (control.tagName !== "INPUT") return control.click();
    event.preventDefault();
    control.focus();
  });
  bar.hidden = false;
})();
