"use strict";
// Replaces pieces of the rack's page as the server sends them. Every piece is HTML that the server
// escaped; nothing here makes HTML from text.
(function () {
  const live = document.getElementById("main");
  const cards = document.getElementById("cards");
  const lost = document.getElementById("lost");
  let ahead = 0; // how far the server's clock is ahead of this computer's, in milliseconds

  function text(id, value) {
    const place = document.getElementById(id);
    if (place.textContent !== value) place.textContent = value;
  }

  // Replaces the content or the whole of an element; a focused link stays focused.
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
    if (seconds < 60) return seconds + " s";
    if (seconds < 3600) return Math.floor(seconds / 60) + " min";
    if (seconds < 172800) return Math.floor(seconds / 3600) + " h";
    return Math.floor(seconds / 86400) + " days";
  }

  function tick() {
    const now = Date.now() + ahead;
    for (const place of document.querySelectorAll("[data-since]")) {
      const past = Math.max(0, Math.floor((now - Date.parse(place.dataset.since)) / 1000));
      place.textContent = "(" + span(past) + " ago)";
    }
    for (const place of document.querySelectorAll("[data-until]")) {
      const left = Math.floor((Date.parse(place.dataset.until) - now) / 1000);
      place.textContent = left > 0 ? "(in " + span(left) + ")" : "(overdue)";
    }
  }

  function take(event) {
    const news = JSON.parse(event.data);
    ahead = Date.parse(news.now) - Date.now();
    document.title = news.title;
    text("said", news.said);
    if ("head" in news) put(document.getElementById("head"), news.head, false);
    if ("runs" in news) put(document.getElementById("runs"), news.runs, false);
    if ("cards" in news) put(cards, news.cards.join(""), false);
    for (const at of Object.keys(news.changed || {})) {
      put(cards.children[Number(at)], news.changed[at], true);
    }
    tick();
  }

  function listen() {
    const source = new EventSource(live.dataset.events);
    source.addEventListener("rack", take);
    source.addEventListener("open", function () { text("lost", ""); });
    source.addEventListener("error", function () {
      text("lost", "No connection to harness watch. This page shows the last known state and keeps retrying.");
      if (source.readyState === EventSource.CLOSED) setTimeout(listen, 3000);
    });
  }

  tick();
  setInterval(tick, 1000);
  listen();
})();
