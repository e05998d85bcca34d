"use strict";
// The page knows no words and no drawing of its own but those about its own
// connection: everything else comes rendered with each snapshot. Whatever comes
// is put in as text, or as a picture that cannot run anything.

const byId = (id) => document.getElementById(id);
const put = (where, text) => { if (where.textContent !== text) where.textContent = text; };
const unknown = "–";

let event = null;     // the last snapshot event
let connected = false;
let everConnected = false;
let heard = null;     // by both clocks of the page, when something last came
let source = null;
let software = null;
let shown = "";       // what is on the page: the sequence and why it is blank

function clocks() { return { wall: Date.now(), steady: performance.now() }; }

// age is how long nothing has come, in seconds. Of the two clocks the one that
// says more counts: either may stand still while the machine sleeps.
function age() {
  const now = clocks();
  return Math.max(now.wall - heard.wall, now.steady - heard.steady) / 1000;
}

function connect() {
  if (source) source.close();
  source = new EventSource("events");
  // Only a whole snapshot makes what is shown true again.
  source.addEventListener("open", () => { everConnected = true; heard = clocks(); tick(); });
  source.addEventListener("beat", () => { heard = clocks(); tick(); });
  source.addEventListener("snapshot", (message) => {
    connected = true;
    heard = clocks();
    event = JSON.parse(message.data);
    if (software !== null && software !== event.snapshot.software) location.reload();
    software = event.snapshot.software;
    tick();
  });
  source.addEventListener("error", () => {
    connected = false;
    if (source.readyState === EventSource.CLOSED) setTimeout(connect, 1000);
    tick();
  });
}

// why tells for what reason the numbers cannot be trusted: [title, reason], or null.
function why() {
  if (!event) return ["Waiting for the bench", everConnected ? "It has sent nothing yet." : "No connection yet; trying again."];
  if (!connected) return ["No connection to the bench", "What was shown may be out of date. Trying again."];
  const seconds = age();
  if (seconds > 3 * event.heartbeat_s) {
    return ["Nothing heard from the bench", "For " + Math.floor(seconds) + " s. What was shown may be out of date."];
  }
  if (event.words.doubt) return ["Stop: look at the bench", event.words.doubt];
  return null;
}

function tick() {
  const doubt = why();
  document.body.classList.toggle("blank", doubt !== null);
  if (doubt) {
    put(byId("doubt-title"), doubt[0]);
    put(byId("doubt-why"), doubt[1]);
  }
  if (heard) {
    const seconds = Math.floor(age());
    put(byId("age"), !connected ? "no connection" : seconds < 1 ? "live" : "heard " + seconds + " s ago");
  }
  const now = (event ? event.snapshot.run + "/" + event.snapshot.seq + "/" + event.now : "") + (doubt ? "/blank" : "");
  if (event && now !== shown) {
    shown = now;
    render(doubt !== null);
  }
}

// The sign of life moves by the page's clock, and only while the bench is heard.
const still = matchMedia("(prefers-reduced-motion: reduce)");
function beat() {
  const hand = byId("pulse").firstElementChild;
  const step = still.matches ? Math.floor(performance.now() / 1000) % 2 * 4 : performance.now() / 500 % 8;
  hand.style.transform = "translateX(" + 100 * (step > 4 ? 8 - step : step) + "%)";
}

function render(blank) {
  const { snapshot, words } = event;
  const step = snapshot.step, job = snapshot.job;
  const fits = words.advice.some((a) => a.float);
  document.body.dataset.mode = !job ? "idle" : step ? (fits ? "both" : "measure") : "advice";
  put(byId("job"), [snapshot.bench, job && job.title, job && "job " + job.job, job && job.reference, job && job.ended && "ended"].filter(Boolean).join(" · "));
  document.title = [step ? step.title : job ? job.title : "", snapshot.bench].filter(Boolean).join(" – ");
  pictures(event.pictures.map((p) => ({ svg: blank ? p.bare : p.svg, alt: blank ? "" : p.alt })));
  if (step) now(step, words, blank);
  advice(words.advice, blank);
  sentences(words.advice, blank);
  readings(snapshot, words, blank);
  byId("instruments").lastElementChild.replaceChildren(...words.instruments.map((line) => {
    const item = document.createElement("li");
    item.textContent = line;
    return item;
  }));
  put(byId("say"), blank ? "" : [words.last ? words.last.ruling + "." : "", step ? words.step : "", fits ? words.advice.map((a) => a.headline).join(" ") : ""].join(" "));
}

function image(picture) {
  const img = document.createElement("img");
  source_of(img, picture);
  return img;
}

function source_of(img, picture) {
  img.alt = picture.alt;
  img.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(picture.svg);
}

function pictures(all) {
  const figure = byId("pictures"), old = figure.querySelectorAll("img");
  if (old.length === all.length) {
    all.forEach((p, i) => source_of(old[i], p));
    return;
  }
  const note = document.createElement("figcaption");
  note.textContent = "A scheme, not to scale. Shims and gap are enlarged, in proportion to each other.";
  figure.replaceChildren(...all.map(image), ...(all.length ? [note] : []));
}

function long(where, text, few, many) {
  where.classList.toggle("long", text.length > few && text.length <= many);
  where.classList.toggle("longer", text.length > many);
}

function now(step, words, blank) {
  put(byId("count"), "Step " + step.number + " of " + step.of);
  put(byId("title"), step.title || step.step);
  long(byId("title"), step.title || step.step, 26, 60);
  const tool = [step.instrument ? "with the " + step.instrument.replace(/ /g, "\u00a0") : "", step.side].filter(Boolean).join(", ");
  put(byId("tool"), tool);
  long(byId("tool"), tool, 18, 40);
  byId("places").replaceChildren(...step.places.map((p, i) => place(p, i, step.places.length, blank)));
  put(byId("how"), [step.measure, step.do, step.where].filter(Boolean).map((t) => t + ".").join(" ") +
    (step.places.some((p) => p.active) ? "" : " " + words.progress + "."));
  put(byId("caution"), (step.cautions || []).join(" "));
  const last = words.last;
  byId("last").style.display = last ? "" : "none";
  if (!last) return;
  const of = event.snapshot.readings.find((r) => r.seq === last.seq);
  put(byId("last-tag"), "Last reading" + (last.title && of.step !== step.step ? ", for " + last.title : ""));
  put(byId("changed"), blank ? "" : changes(event.snapshot.readings));
  value(byId("last-value"), byId("last-unit"), last, blank);
  verdict(byId("last-verdict"), blank ? "" : last.mark, blank ? "not shown" : last.verdict);
  put(byId("last-why"), blank ? "" : last.ruling);
}

// changes says which earlier readings count otherwise than they did at the last
// snapshot of the job. It stays until the next reading.
let standings = new Map(), lastSeq = 0, job = "", said = "";
function changes(all) {
  const seq = Math.max(0, ...all.map((r) => r.seq)), now = event.snapshot.run + "/" + event.snapshot.job.job;
  if (now !== job) standings = new Map();
  const changed = all.filter((r) => standings.has(r.seq) && standings.get(r.seq) !== (r.standing || ""));
  if (changed.length) said = changed.map((r) => "Reading " + r.seq + " is now " + (r.standing || "not counted") + ".").join(" ");
  else if (seq !== lastSeq || now !== job) said = "";
  standings = new Map(all.map((r) => [r.seq, r.standing || ""]));
  lastSeq = seq;
  job = now;
  return said;
}

function place(p, i, of, blank) {
  const item = document.createElement("li"), name = document.createElement("span"), marks = document.createElement("span"), text = document.createElement("span");
  item.classList.toggle("active", !!p.active);
  name.className = "name";
  name.textContent = (p.active && of > 1 ? "▸ " : "") + (p.place || (of > 1 ? "place " + (i + 1) : ""));
  marks.className = "marks";
  const full = blank ? 0 : p.counted, needed = Math.min(Math.max(p.needed, p.counted), 30);
  for (let n = 0; n < needed; n++) {
    const mark = document.createElement("i");
    if (n < full) mark.className = "full";
    marks.append(mark);
  }
  for (let n = 0; !blank && n < Math.min(p.left_out || 0, 10); n++) {
    const mark = document.createElement("i");
    mark.className = "left";
    marks.append(mark);
  }
  text.textContent = blank ? unknown : p.closed ? "done" : p.counted + " of " + p.needed;
  item.append(name, marks, text);
  return item;
}

function value(where, unit, w, blank) {
  const text = blank ? unknown : w.value;
  put(where, text);
  put(unit, blank ? "" : w.unit || "");
  where.parentElement.classList.toggle("long", text.length > 8);
}

function verdict(where, mark, text) {
  const symbol = where.querySelector(".symbol");
  where.dataset.mark = mark;
  symbol.replaceChildren(...(mark ? [byId(mark).content.firstElementChild.cloneNode(true)] : []));
  put(where.querySelector("b"), text);
}

function advice(all, blank) {
  byId("advice").replaceChildren(...all.map((a) => {
    const box = byId("one-advice").content.firstElementChild.cloneNode(true);
    const at = (name) => box.querySelector("." + name);
    box.classList.toggle("nofit", !a.float);
    box.classList.toggle("provisional", !!a.provisional);
    at("chain").textContent = a.title;
    if (!a.float) return box;
    at("packs").replaceChildren(...(a.packs || []).map((p) => pack(p, blank)));
    at("float").textContent = blank ? unknown : a.float;
    verdict(at("verdict"), blank ? "" : a.mark, blank ? unknown : a.outcome);
    source_of(at("scale"), a.scale);
    at("check").textContent = a.check ? "Check gap " + (blank ? unknown : a.check + " mm") + ", " + a.check_fit : "";
    at("uncertainty").textContent = a.uncertainty;
    return box;
  }));
}

function sentences(all, blank) {
  byId("said").replaceChildren(...all.flatMap((a) => {
    const title = document.createElement("h2"), text = document.createElement("p");
    title.textContent = a.title;
    text.textContent = blank ? unknown : a.headline + " " + a.why;
    return [title, text];
  }));
}

function pack(p, blank) {
  const item = document.createElement("li"), side = document.createElement("span"), pieces = document.createElement("b");
  item.className = "pack";
  side.textContent = p.side;
  pieces.textContent = blank ? unknown : p.pieces + (p.unit ? " " + p.unit : "");
  item.append(side, pieces);
  return item;
}

function readings(snapshot, words, blank) {
  const rows = words.readings.map((w, i) => {
    const r = snapshot.readings[i], row = document.createElement("tr");
    row.classList.toggle("gone", w.mark === "out");
    const cells = [String(r.seq), "", w.title || "", r.place || "", r.ruling, ""].map((text) => {
      const cell = document.createElement("td");
      cell.textContent = text;
      row.append(cell);
      return cell;
    });
    const bold = document.createElement("b"), symbol = document.createElement("span");
    bold.textContent = blank ? unknown : w.value + (w.unit ? " " + w.unit : "") + (r.typed ? " (typed)" : "");
    cells[1].append(bold);
    symbol.className = "symbol";
    symbol.append(byId(w.mark).content.firstElementChild.cloneNode(true));
    cells[5].dataset.mark = w.mark;
    cells[5].append(symbol, r.standing || (r.ruling === "held" && r.decided) || "does not count");
    return row;
  });
  document.querySelector("#readings tbody").replaceChildren(...rows.reverse());
}

connect();
setInterval(() => {
  beat();
  tick();
  if (heard && event && age() > 6 * event.heartbeat_s) { heard = clocks(); connected = false; connect(); }
}, 125);
