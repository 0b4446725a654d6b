"use strict";
// Puts the pieces of the rack's page in their places as the server tells of them. Every piece is
// HTML that the server escaped; nothing here makes HTML of a text.
(function () {
  const live = document.getElementById("live");
  const cards = document.getElementById("cards");
  const lost = document.getElementById("lost");
  let ahead = 0; // milliseconds that the server's clock is ahead of this computer's

  function text(id, value) {
    const place = document.getElementById(id);
    if (place.textContent !== value) place.textContent = value;
  }

  // Replaces what is inside or the whole of an element; a focused link stays focused.
  function put(element, html, whole) {
    const active = document.activeElement;
    const address = active && element.contains(active) ? active.getAttribute("href") : null;
    const place = element.parentNode;
    const at = whole ? Array.prototype.indexOf.call(place.children, element) : -1;
    if (whole) element.outerHTML = html; else element.innerHTML = html;
    if (address === null) return;
    const scope = whole ? place.children[at] : element;
    for (const link of scope.querySelectorAll("a")) {
      if (link.getAttribute("href") === address) { link.focus({preventScroll: true}); break; }
    }
  }

  function span(seconds) {
    if (seconds < 60) return seconds + " s ago";
    if (seconds < 3600) return Math.floor(seconds / 60) + " min ago";
    if (seconds < 172800) return Math.floor(seconds / 3600) + " h ago";
    return Math.floor(seconds / 86400) + " days ago";
  }

  function tick() {
    const now = Date.now() + ahead;
    for (const place of document.querySelectorAll("[data-since]")) {
      const past = Math.max(0, Math.floor((now - Date.parse(place.dataset.since)) / 1000));
      place.textContent = "(" + span(past) + ")";
    }
  }

  function take(event) {
    const told = JSON.parse(event.data);
    ahead = Date.parse(told.now) - Date.now();
    document.title = told.title;
    text("said", told.said);
    if ("head" in told) put(document.getElementById("head"), told.head, false);
    if ("runs" in told) put(document.getElementById("runs"), told.runs, false);
    if ("cards" in told) put(cards, told.cards.join(""), false);
    for (const at of Object.keys(told.changed || {})) {
      put(cards.children[Number(at)], told.changed[at], true);
    }
    tick();
  }

  function listen() {
    const source = new EventSource(live.dataset.events);
    source.addEventListener("rack", take);
    source.addEventListener("open", function () { text("lost", ""); });
    source.addEventListener("error", function () {
      text("lost", "No connection to harness watch; this page shows what it last heard, and tries again.");
      if (source.readyState === EventSource.CLOSED) setTimeout(listen, 3000);
    });
  }

  tick();
  setInterval(tick, 1000);
  listen();
})();
