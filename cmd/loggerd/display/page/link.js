"use strict";
// What every view shares: the stream from the bench, how old what is shown is, and
// that it is blanked when it cannot be trusted. A view gives render(blank).
//
// The pages know no words and no drawings of their own but those about their own
// connection and of their buttons: everything else comes rendered with each event, in
// the reader's language and unit. Their own words are English patterns, which t looks up.
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

const kept = {
  get(key) { try { return localStorage.getItem(key) || ""; } catch { return ""; } },
  set(key, value) { try { if (value) localStorage.setItem(key, value); else localStorage.removeItem(key); } catch { /* it lasts as long as the page */ } },
};

// What the reader chose: by the address, as for a display without hands, or here before.
const wanted = { language: "", unit: "" };
for (const key of Object.keys(wanted)) wanted[key] = new URLSearchParams(location.search).get(key) || kept.get(key);

// The words as the bench gave them; English until it has.
let vocabulary = { language: "en", unit: "mm", decimal_mark: ".", sentences: {} };
let learned = null; // words that count from the next snapshot on, which comes in them
let asking = 0;     // how often they were asked for
const sayings = []; // write the words that no snapshot changes

// t says an English pattern in the reader's language: of the forms of a plural that for
// the value n, with the {names} replaced by their values.
function translated(english, values = {}) {
  let said = Object.hasOwn(vocabulary.sentences, english) ? vocabulary.sentences[english] : english;
  if (typeof said !== "string") said = said[new Intl.PluralRules(vocabulary.language).select(values.n)] || said.other;
  return said.replace(/\{(\w+)\}/g, (name, key) => Object.hasOwn(values, key) ? values[key] : name);
}
const t = translated; // for the patterns that stand here

// its says words that are not the page's: of plans, kinds, standings. They stay as they
// are where no catalogue has them.
const its = (words) => translated(words || "");

// soft is a text of the bench with the soft hyphens that the page's own words have.
const soft = (text) => Object.values(vocabulary.sentences).find((said) => said.replaceAll?.("\u00ad", "") === text) || text;

// local writes a number that came as the log has it; plain is the way back.
const local = (number) => String(number).replace(".", vocabulary.decimal_mark);
const plain = (number) => vocabulary.decimal_mark === "," ? number.replaceAll(",", ".") : number;
const withUnit = (value, unit) => value + (unit ? " " + unit : "");
const list = (...parts) => parts.filter(Boolean).join(", ");

// say writes something now, and again whenever the words change.
function say(write) {
  sayings.push(write);
  write();
}

// sayAll does so with every text of the page as it was served.
function sayAll(root) {
  const walk = document.createTreeWalker(root, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
  for (let node = root; node; node = walk.nextNode()) {
    if (node.nodeType === Node.TEXT_NODE) {
      const [, before, english, after] = node.data.match(/^(\s*)(.*?)(\s*)$/s);
      if (english) say(() => { node.data = before + translated(english, vocabulary) + after; });
      continue;
    }
    for (const name of ["aria-label", "placeholder", "title"]) {
      const english = node.getAttribute?.(name);
      if (english) say(() => node.setAttribute(name, translated(english, vocabulary)));
    }
    if (node.tagName === "TEMPLATE") sayAll(node.content);
  }
}

// learn asks for the words that are wanted, and then for events in them. It does not give
// up. They are taken up with the first snapshot that comes in them, so that no two
// languages or units stand side by side.
async function learn() {
  const mine = ++asking, chosen = new URLSearchParams(Object.entries(wanted).filter(([, value]) => value));
  let got = null;
  try {
    const answer = await fetch("words?" + chosen, { cache: "no-store", credentials: "omit", redirect: "error", signal: AbortSignal.timeout(10000) });
    if (answer.ok) got = await answer.json();
  } catch { /* the bench is away */ }
  if (mine !== asking) return;
  if (!got) { setTimeout(learn, 1000); return; }
  learned = got;
  if (!event) takeUp();
  connect();
}

function takeUp() {
  if (learned) vocabulary = learned;
  learned = null;
  document.documentElement.lang = vocabulary.language;
  for (const write of sayings) write();
  tick();
}

// inWords is what a request says of the reader.
function inWords() {
  const { language, unit } = learned || vocabulary;
  return "?" + new URLSearchParams({ language, unit });
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
  source = new EventSource(document.body.dataset.events + inWords());
  // Only a whole snapshot makes what is shown true again.
  source.addEventListener("open", () => { everConnected = true; heard = clocks(); tick(); });
  source.addEventListener("beat", () => { heard = clocks(); tick(); });
  source.addEventListener("snapshot", (message) => {
    connected = true;
    heard = clocks();
    event = JSON.parse(message.data);
    if (learned) takeUp();
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
  if (!event) return [t("Waiting for the bench"), everConnected ? t("It has sent nothing yet.") : t("No connection yet; trying again.")];
  if (!connected) return [t("No connection to the bench"), t("What was shown may be out of date. Trying again.")];
  if (stale()) return [t("Nothing heard from the bench"), t("For {n} s. What was shown may be out of date.", { n: Math.floor(age()) })];
  if (event.doubt) return [t("Stop: look at the bench"), event.doubt];
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
    put(byId("age"), !connected ? t("no connection") : seconds <= event?.heartbeat_s ? t("live") : t("heard {n} s ago", { n: seconds }));
  }
  const now = [event, blank, stale()];
  if (event && now.some((v, i) => v !== shown[i])) {
    shown = now;
    render(blank);
    settle();
    for (const watch of [...watchers]) watch();
  }
}

// settle lays out anew what is too wide or too high for this screen, its fonts, and the
// words and numbers that are shown: long words and inches need more room.
function settle() {
  const on = (e, name, yes) => e.classList.toggle(name, yes);
  for (const value of document.querySelectorAll(".value")) {
    on(value, "row", false);
    on(value, "long", false);
    const wide = () => value.scrollWidth > value.clientWidth;
    on(value, "row", wide());
    on(value, "long", wide());
  }
  on(document.body, "tight", false);
  const lowest = [...document.querySelectorAll("#last-verdict, .advice .verdict")].map((e) => e.getBoundingClientRect().bottom);
  on(document.body, "tight", Math.max(0, ...lowest) + scrollY > innerHeight);
}
addEventListener("resize", settle);

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
  put(where.querySelector("b"), soft(text || ""));
}

// ruled is a table row for one reading; act is what can be done about it, or null.
function ruled(r, w, blank, act) {
  const row = make("tr", w.mark === "out" ? "gone" : "");
  row.append(...[String(r.seq), "", w.title || "", its(r.place), its(r.ruling), ""].map((text) => make("td", "", text)));
  const cells = row.children, symbol = make("span", "symbol");
  cells[1].append(make("b", "", blank ? unknown : r.typed ? t("{value} (typed)", { value: withUnit(w.value, w.unit) }) : withUnit(w.value, w.unit)));
  symbol.append(byId(w.mark).content.firstElementChild.cloneNode(true));
  cells[5].dataset.mark = w.mark;
  cells[5].append(symbol, its(r.standing || (r.ruling === "held" && r.decided)) || t("does not count"));
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
  for (const link of document.querySelectorAll("a[href]")) link.search = location.search;
  sayAll(document.documentElement);
  learn();
  setInterval(() => {
    beat();
    tick();
    if (heard && event && age() > 6 * event.heartbeat_s) { heard = clocks(); connected = false; connect(); }
  }, 125);
});
