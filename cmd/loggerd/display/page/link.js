"use strict";
// What every view shares: the stream from the bench, how old what is shown is, and
// that it is blanked when it cannot be trusted. A view gives render(blank).
//
// The pages know no words and no drawings of their own but those about their own
// connection and of their buttons: everything else comes rendered with each event.
// Whatever comes is put in as text, or as a picture that cannot run anything.

const byId = (id) => document.getElementById(id);
const put = (where, text) => { if (where.textContent !== text) where.textContent = text; };
const unknown = "–";

let event = null;     // the last event that holds everything
let connected = false;
let everConnected = false;
let heard = null;     // by both clocks of the page, when something last came
let source = null;
let software = null;
let shown = [];       // what is on the page, whether it is blank, whether the bench is out of hearing
const watchers = new Set(); // called each time that something was drawn

function make(tag, name, ...inside) {
  const element = document.createElement(tag);
  if (name) element.className = name;
  element.append(...inside);
  return element;
}

function clocks() { return { wall: Date.now(), steady: performance.now() }; }

// age is how long nothing has come, in seconds. Of the two clocks the one that
// says more counts: either may stand still while the machine sleeps.
function age() {
  const now = clocks();
  return Math.max(now.wall - heard.wall, now.steady - heard.steady) / 1000;
}

function connect() {
  if (source) source.close();
  source = new EventSource(document.body.dataset.events);
  // Only a whole snapshot makes what is shown true again.
  source.addEventListener("open", () => { everConnected = true; heard = clocks(); tick(); });
  source.addEventListener("beat", () => { heard = clocks(); tick(); });
  source.addEventListener("snapshot", (message) => {
    connected = true;
    heard = clocks();
    event = JSON.parse(message.data);
    if (software !== null && software !== event.software) location.reload();
    software = event.software;
    tick();
  });
  source.addEventListener("error", () => {
    connected = false;
    if (source.readyState === EventSource.CLOSED) setTimeout(connect, 1000);
    tick();
  });
}

// stale tells whether the bench is out of hearing.
function stale() { return !event || !connected || age() > 3 * event.heartbeat_s; }

// why tells for what reason the numbers cannot be trusted: [title, reason], or null.
function why() {
  if (!event) return ["Waiting for the bench", everConnected ? "It has sent nothing yet." : "No connection yet; trying again."];
  if (!connected) return ["No connection to the bench", "What was shown may be out of date. Trying again."];
  if (stale()) return ["Nothing heard from the bench", "For " + Math.floor(age()) + " s. What was shown may be out of date."];
  if (event.doubt) return ["Stop: look at the bench", event.doubt];
  return null;
}

function tick() {
  const doubt = why(), blank = doubt !== null;
  document.body.classList.toggle("blank", blank);
  document.body.classList.toggle("stale", stale());
  if (doubt) {
    put(byId("doubt-title"), doubt[0]);
    put(byId("doubt-why"), doubt[1]);
  }
  if (heard) {
    const seconds = Math.floor(age());
    put(byId("age"), !connected ? "no connection" : seconds <= event?.heartbeat_s ? "live" : "heard " + seconds + " s ago");
  }
  const now = [event, blank, stale()];
  if (event && now.some((v, i) => v !== shown[i])) {
    shown = now;
    render(blank);
    for (const watch of [...watchers]) watch();
  }
}

// The sign of life moves by the page's clock, and only while the bench is heard.
const still = matchMedia("(prefers-reduced-motion: reduce)");
function beat() {
  const hand = byId("pulse").firstElementChild;
  const step = still.matches ? Math.floor(performance.now() / 1000) % 2 * 4 : performance.now() / 500 % 8;
  hand.style.transform = "translateX(" + 100 * (step > 4 ? 8 - step : step) + "%)";
}

function image(picture, name) {
  const img = make("img", name);
  source_of(img, picture);
  return img;
}

function source_of(img, picture) {
  img.alt = picture.alt;
  img.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(picture.svg);
}

// verdict puts a mark's symbol and its words into a line.
function verdict(where, mark, text) {
  const symbol = where.querySelector(".symbol");
  where.dataset.mark = mark;
  symbol.replaceChildren(...(mark ? [byId(mark).content.firstElementChild.cloneNode(true)] : []));
  put(where.querySelector("b"), text);
}

// ruled is a table row for one reading; act is what can be done about it, or null.
function ruled(r, w, blank, act) {
  const row = make("tr", w.mark === "out" ? "gone" : "");
  row.append(...[String(r.seq), "", w.title || "", r.place || "", r.ruling, ""].map((text) => make("td", "", text)));
  const cells = row.children, symbol = make("span", "symbol");
  cells[1].append(make("b", "", blank ? unknown : w.value + (w.unit ? " " + w.unit : "") + (r.typed ? " (typed)" : "")));
  symbol.append(byId(w.mark).content.firstElementChild.cloneNode(true));
  cells[5].dataset.mark = w.mark;
  cells[5].append(symbol, r.standing || (r.ruling === "held" && r.decided) || "does not count");
  row.append(make("td", "", ...(act ? [act] : [])));
  return row;
}

// replace puts elements in place of those there, and gives the focus back to the one
// of the same key.
function replace(where, elements) {
  const key = where.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  where.replaceChildren(...elements);
  if (key) where.querySelector('[data-key="' + CSS.escape(key) + '"]')?.focus({ preventScroll: true });
}

addEventListener("DOMContentLoaded", () => {
  connect();
  setInterval(() => {
    beat();
    tick();
    if (heard && event && age() > 6 * event.heartbeat_s) { heard = clocks(); connected = false; connect(); }
  }, 125);
});
