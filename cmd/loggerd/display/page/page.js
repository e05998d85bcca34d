"use strict";
// The bench view.

function render(blank) {
  const { snapshot, words } = event;
  const step = snapshot.step, job = snapshot.job;
  const fits = words.advice.some((a) => a.float);
  document.body.dataset.mode = !job ? "idle" : step ? (fits ? "both" : "measure") : "advice";
  put(byId("job"), [snapshot.bench, job && its(job.title), job && t("job {number}", { number: job.job }), job && job.reference, job && job.ended && t("ended")].filter(Boolean).join(" · "));
  document.title = [its(step ? step.title : job?.title), snapshot.bench].filter(Boolean).join(" – ");
  pictures(event.pictures.map((p) => ({ svg: blank ? p.bare : p.svg, alt: blank ? "" : p.alt })));
  if (step) now(step, words, blank);
  put(byId("changed"), blank || !job ? "" : changes(snapshot.readings || []));
  const first = (step && words.chain) || 0;
  advice([words.advice[first], ...words.advice.filter((_, i) => i !== first)].filter(Boolean), blank);
  put(byId("fit"), blank ? t("What to fit") : job && job.ended ? t("Job ended") : words.advice.map((a) => a.next_step).find(Boolean) || t("What to fit"));
  sentences(words.advice, blank);
  readings(snapshot, words, blank);
  byId("instruments").lastElementChild.replaceChildren(...words.instruments.map((line) => make("li", "", line)));
  put(byId("say"), blank ? "" : [words.last ? words.last.ruling + "." : "", step ? words.step : "", fits ? words.advice.map((a) => a.headline).join(" ") : ""].join(" "));
}

function pictures(all) {
  const scheme = t("A scheme, not to scale. Shims and gap are enlarged, in proportion to each other.");
  const figure = byId("pictures"), old = figure.querySelectorAll("img");
  if (all.length && old.length === all.length) {
    all.forEach((p, i) => source_of(old[i], p));
    put(figure.lastElementChild, scheme);
    return;
  }
  figure.replaceChildren(...all.map((p) => image(p)), ...(all.length ? [make("figcaption", "", scheme)] : []));
}

function long(where, text, few, many) {
  where.classList.toggle("long", text.length > few && text.length <= many);
  where.classList.toggle("longer", text.length > many);
}

function now(step, words, blank) {
  put(byId("count"), t("Step {n} of {of}", { n: step.number, of: step.of }));
  put(byId("title"), its(step.title) || step.step);
  long(byId("title"), byId("title").textContent, 26, 60);
  const [before, after] = t("with the {instrument}").split("{instrument}");
  byId("tool").replaceChildren(...(step.instrument ? [make("small", "", before), its(step.instrument), make("small", "", after)] : []));
  put(byId("side"), its(step.side));
  byId("places").replaceChildren(...places(step, blank));
  put(byId("how"), (words.beside && !blank ? words.beside + " " : "") +
    [step.measure, step.do, step.where].filter(Boolean).map((words) => its(words).replace(/\.$/, "") + ".").join(" ") +
    (step.places.some((p) => p.active) && step.kind === "measure" ? "" : " " + sentence(words.progress)));
  goal();
  compared(words.compared || [], step.compare?.candidates, blank);
  put(byId("caution"), (step.cautions || []).map(its).join(" "));
  const last = words.last;
  document.body.dataset.last = "";
  byId("last").style.display = last ? "" : "none";
  if (!last) return;
  const of = event.snapshot.readings.find((r) => r.seq === last.seq);
  const elsewhere = !!last.title && of.step !== step.step;
  put(byId("last-tag"), elsewhere ? t("Last reading, for {title}", { title: last.title }) : t("Last reading"));
  byId("last-tag").classList.toggle("elsewhere", elsewhere);
  document.body.dataset.last = blank ? "" : last.mark;
  value(byId("last-value"), byId("last-unit"), last, blank);
  verdict(byId("last-verdict"), blank ? "" : last.mark, blank ? t("not shown now") : last.verdict);
  put(byId("last-why"), blank ? "" : last.ruling);
}

// compared lays the candidates of a choice side by side.
function compared(rows, candidates, blank) {
  byId("compared").replaceChildren(...rows.map((row, i) => {
    const line = make("tr", "");
    line.append(...row.map((text, k) => make(i && k ? "td" : "th", i && k && candidates[k - 1].features[i - 1].limits?.outcome === "shown outside" ? "outside" : "", blank && i && k ? unknown : text.replace("+/-", "±"))));
    return line;
  }));
}

// changes says which earlier readings count otherwise than they did at the last
// snapshot of the job. It stays until the next reading.
let standings = new Map(), lastSeq = 0, job = "", moved = [];
function changes(all) {
  const seq = Math.max(0, ...all.map((r) => r.seq)), now = event.snapshot.run + "/" + event.snapshot.job.job;
  if (now !== job) standings = new Map();
  const changed = all.filter((r) => standings.has(r.seq) && standings.get(r.seq) !== (r.standing || ""));
  if (changed.length) moved = changed;
  else if (seq !== lastSeq || now !== job) moved = [];
  standings = new Map(all.map((r) => [r.seq, r.standing || ""]));
  lastSeq = seq;
  job = now;
  return moved.map((r) => r.standing ? t("Reading {seq} is now {standing}.", { seq: r.seq, standing: its(r.standing) }) : t("Reading {seq} does not count any more.", { seq: r.seq })).join(" ");
}

// places are those of a step; of many only the active one and how many are done.
function places(step, blank) {
  const all = step.places;
  if (!step.instrument) return [];
  if (all.length <= 6) return all.map((p, i) => place(p, i, all.length, blank));
  const done = make("li", "", t("{n} of {of} places are done", { n: all.filter((p) => p.closed).length, of: all.length }));
  return [...all.map((p, i) => place(p, i, all.length, blank)).filter((_, i) => all[i].active), done];
}

// left is how many seconds a wait still has, by the page's clock since it was heard.
function left(step) {
  const w = step.wait;
  return w?.started ? Math.max(0, Math.ceil((Date.parse(w.due) - Date.parse(event.now)) / 1000 - sinceEvent())) : w ? w.seconds : 0;
}

let eventAt = 0, eventOf = null;
function sinceEvent() {
  if (eventOf !== event) [eventOf, eventAt] = [event, performance.now()];
  return (performance.now() - eventAt) / 1000;
}

// goal is what a step without a measure comes to: the time that is left, or the torque
// of the screw whose turn it is.
function goal() {
  const step = event?.snapshot.step, w = step?.wait, pull = step?.places.find((p) => p.active)?.pull;
  if (document.body.classList.contains("blank") || !w && !pull || w?.cut_short) { put(byId("goal"), ""); return; }
  if (!w) { put(byId("goal"), t("{screw} to {torque} N·m", { screw: its(pull.screw), torque: local(pull.target_Nm) })); return; }
  const s = left(step), time = Math.floor(s / 60) + ":" + String(s % 60).padStart(2, "0");
  put(byId("goal"), !w.started ? t("{time} to wait", { time }) : s ? t("{time} left", { time }) : t("The time has passed"));
}
setInterval(goal, 250);

function place(p, i, of, blank) {
  const item = make("li", p.active ? "active" : ""), marks = make("span", "marks");
  const full = blank ? 0 : p.counted, needed = Math.min(Math.max(p.needed, p.counted), 30);
  for (let n = 0; n < needed; n++) marks.append(make("i", n < full ? "full" : ""));
  for (let n = 0; !blank && n < Math.min(p.left_out || 0, 10); n++) marks.append(make("i", "left"));
  item.append(make("span", "name", (p.active && of > 1 ? "▸ " : "") + (its(p.place) || (of > 1 ? t("place {number}", { number: i + 1 }) : ""))), marks,
    make("span", "", blank ? unknown : p.closed ? t("done") : t("{n} of {of}", { n: p.counted, of: p.needed })));
  return item;
}

function value(where, unit, w, blank) {
  const text = blank ? unknown : w.value;
  put(where, text);
  put(unit, blank ? "" : w.unit || "");
}

function advice(all, blank) {
  byId("advice").replaceChildren(...all.map((a) => {
    const box = byId("one-advice").content.firstElementChild.cloneNode(true);
    const at = (name) => box.querySelector("." + name);
    box.classList.toggle("nofit", !a.float);
    box.classList.toggle("provisional", !!a.provisional);
    at("chain").textContent = a.title;
    at("sum").textContent = t("{sum}, cold.", { sum: a.sum });
    at("unit").textContent = vocabulary.unit;
    if (!a.float) return box;
    at("packs").replaceChildren(...(a.packs || []).map((p) => pack(p, blank)));
    at("float").textContent = blank ? unknown : a.float;
    at("pm").textContent = blank ? "" : a.plus_minus || "";
    verdict(at("verdict"), blank ? "" : a.mark, blank ? unknown : a.outcome);
    source_of(at("scale"), a.scale);
    at("check").textContent = a.check ? t("Check gap {gap}, {fit}", { gap: blank ? unknown : withUnit(a.check, vocabulary.unit), fit: a.check_fit }) : "";
    at("uncertainty").textContent = blank ? "" : a.uncertainty;
    at("surer").hidden = blank || !a.surer;
    at("surer").lastElementChild.replaceChildren(...(a.surer || []).map((text) => make("li", "", text)));
    return box;
  }));
}

function sentences(all, blank) {
  byId("said").replaceChildren(...all.flatMap((a) => [make("h2", "", a.title), make("p", "", blank ? unknown : a.headline + " " + a.why)]));
}

function pack(p, blank) {
  return make("li", "pack", make("span", "", p.side), make("b", "", blank ? unknown : withUnit(p.pieces, p.unit)));
}

function readings(snapshot, words, blank) {
  const rows = words.readings.map((w, i) => ruled(snapshot.readings[i], w, blank, about(snapshot.readings[i])));
  replace(document.querySelector("#readings tbody"), rows.reverse());
}
