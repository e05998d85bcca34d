"use strict";
// Commands from the page. Nothing is shown as done before the bench has shown it:
// a dialog stays open until the state that holds its entry has come back, and what
// the bench refuses it says in its own sentence.

let token = kept.get("token"), pageName = kept.get("page"), operator = kept.get("operator");
let busy = false;
let fresh = false; // paired just now, and the bench has not shown it yet

const dialog = (name) => byId("d-" + name);
const field = (name, key) => dialog(name).querySelector("[name=" + key + "]");
const chosen = (name, key) => dialog(name).querySelector("[name=" + key + "]:checked")?.value || "";
const typed = (name, key) => plain(field(name, key).value);
const inInch = () => vocabulary.unit === "in" ? { unit: "in" } : {};
const sentence = (text) => text ? text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".") : "";

function forget() {
  token = pageName = "";
  kept.set("token", "");
  kept.set("page", "");
  acts();
}

// ask asks the bench. It throws what the bench says no with: {message, instead}.
async function ask(method, path, body) {
  const headers = token ? { Authorization: "Bearer " + token } : {};
  if (body) headers["Content-Type"] = "application/json";
  let answer;
  try {
    answer = await fetch(path + inWords(), { method, headers, body: body && JSON.stringify(body), cache: "no-store", credentials: "omit", redirect: "error", signal: AbortSignal.timeout(20000) });
  } catch {
    throw { message: t("no answer came from the bench"), instead: t("look at what the page shows before doing it again") };
  }
  const said = await answer.json().catch(() => ({ message: t("the bench's answer cannot be read"), instead: t("load the page again") }));
  if (answer.ok) return said;
  if (answer.status === 401) forget();
  throw said;
}

// seen waits until the page shows what an entry made.
function seen(receipt) {
  const there = () => event && !stale() && event.snapshot.seq >= receipt.seq;
  return new Promise((resolve, reject) => {
    const watch = () => { if (there()) end(resolve); };
    const limit = setTimeout(() => end(() => reject({ message: t("the bench has recorded it, but this page has not seen it yet"), instead: t("wait until the page is live again; do not do it twice") })), 8000);
    const end = (how) => { clearTimeout(limit); watchers.delete(watch); how(); };
    watchers.add(watch);
    watch();
  });
}

// give gives a command and waits for what it made.
async function give(command, from, done) {
  if (busy) return;
  busy = true;
  if (from) refused(from, null);
  acts();
  try {
    const { receipt, said } = await ask("POST", "command", { ...command, operator });
    await seen(receipt);
    if (from) from.close();
    flash(done);
    if (said.length) tell(t("Before the first press"), [...said, ...(event.snapshot.job?.cautions || []).map(its)]);
  } catch (no) {
    if (!no.message) throw no;
    if (["pin needed", "wrong pin", "too many tries"].includes(no.code)) askPin(no, command, from, done);
    else if (from?.open && token) refused(from, no);
    else { from?.close(); tell(sentence(no.message), [sentence(no.instead)]); }
  } finally {
    busy = false;
    acts();
  }
}

// askPin asks for the PIN that a command takes, and gives the command again with it.
// The PIN is kept nowhere.
let withPin = null;
function askPin(no, command, from, done) {
  open("pin");
  if (command.pin) refused(dialog("pin"), no);
  put(byId("d-pin-h"), t("PIN of {name}", { name: operator }));
  withPin = (pin) => give({ ...command, pin }, from, done);
}

function refused(from, no) {
  const where = from.querySelector(".refused");
  where.replaceChildren(...(no ? [make("b", "", sentence(no.message)), " " + sentence(no.instead)] : []));
}

function tell(title, lines) {
  put(byId("d-told-h"), title);
  dialog("told").querySelector(".told").replaceChildren(...lines.map((line) => make("p", "", line)));
  if (!dialog("told").open) dialog("told").showModal();
}

let flashEnds = 0;
function flash(text) {
  put(byId("flash"), text);
  clearTimeout(flashEnds);
  flashEnds = setTimeout(() => put(byId("flash"), ""), 4000);
}

// acts shows the buttons that make sense now.
function acts() {
  if (event?.pages.includes(pageName)) fresh = false;
  else if (event && token && !fresh) { forget(); flash(t("This page may only look from now on.")); return; }
  const { snapshot } = event || {}, job = snapshot?.job, step = snapshot?.step, may = !!token && !!event;
  const state = !job || job.ended ? "idle" : !step ? "rest" : ["wait", "torque", "compare"].includes(step.kind) ? step.kind : step.instrument ? "measure" : "confirm";
  const asks = step && snapshot.instruments.some((i) => i.kind === step.instrument && i.trigger && i.trigger !== "on press");
  const fits = event?.words.advice.some((a) => a.packs);
  const last = may && lastFiled();
  for (const b of document.querySelectorAll("[data-when]")) {
    b.hidden = !may || !b.dataset.when.split(" ").includes(state) || (b.dataset.do === "ask" && !asks) ||
      (b.dataset.do === "fitted" && !fits) || (b.dataset.do === "resume" && !snapshot.waiting) || (b.dataset.do === "last" && !last);
    b.disabled = stale();
  }
  const next = document.querySelector("#acts [data-do=next]");
  put(next, state !== "wait" ? t("Next") : !step.wait.started ? t("Start the time") : t("Go on"));
  byId("acts").hidden = ![...byId("acts").children].some((b) => !b.hidden);
  document.body.classList.toggle("may", !byId("acts").hidden);
  for (const b of document.querySelectorAll(".paired")) b.hidden = !may;
  for (const b of document.querySelectorAll(".unpaired")) b.hidden = may || !event?.touch;
  document.body.classList.toggle("busy", busy);
  document.querySelector(".looking").hidden = may;
  byId("to-wall").hidden = !event?.wall;
}

// about is the button for what can be done about a reading, or null.
function about(r) {
  const job = event.snapshot.job;
  if (!token || !job || job.ended || r.job !== job.job) return null;
  const [what, name, label] = r.standing === "struck out" ? ["restore", t("Restore"), t("Restore reading {seq}", r)]
    : r.ruling === "held" && !r.decided ? ["restore", t("Count it"), t("Count it: reading {seq}", r)]
    : r.standing ? ["strike", t("Strike out"), t("Strike out reading {seq}", r)] : [];
  if (!what) return null;
  const button = make("button", "", name);
  button.type = "button";
  button.dataset.key = r.seq + what;
  button.setAttribute("aria-label", label);
  button.addEventListener("click", () => what === "strike" ? strike(r) : give({ do: "restore", reading: r.seq }, null, t("Reading {seq} counts again.", r)));
  return button;
}

function lastFiled() {
  const { snapshot } = event, mine = (snapshot.readings || []).filter((r) => r.job === snapshot.job?.job && r.standing && r.standing !== "struck out");
  return mine.reduce((a, b) => !a || b.seq > a.seq ? b : a, null);
}

function valueOf(r) {
  const w = event.words.readings.find((w) => w.seq === r.seq);
  return t("Reading {seq}: {what}.", { seq: r.seq, what: list(withUnit(w.value, w.unit), w.title, its(r.place)) });
}

let striking = null;
function strike(r) {
  striking = r;
  open("strike");
  put(dialog("strike").querySelector(".about"), valueOf(r));
}

// open shows a dialog as it is at first.
function open(name) {
  const d = dialog(name);
  d.querySelector("form").reset();
  for (const input of d.querySelectorAll("input.num")) input.value = local(input.value);
  for (const input of d.querySelectorAll("[name=operator]")) input.value = operator;
  if (d.querySelector(".refused")) refused(d, null);
  d.showModal();
  d.scrollTop = 0;
}

function radios(where, name, options, first) {
  const legend = where.querySelector("legend");
  where.replaceChildren(legend, ...options.map(([value, ...text], i) => {
    const input = document.createElement("input");
    Object.assign(input, { type: "radio", name, value, checked: first === undefined ? i === 0 : value === first, required: true });
    return make("label", "", input, make("span", "", ...text));
  }));
}

// fetched gets what can be chosen from, and says so where that fails.
async function fetched(what = "choices") {
  try {
    return await ask("GET", what);
  } catch (no) {
    if (!no.message) throw no;
    tell(sentence(no.message), [sentence(no.instead)]);
    return null;
  }
}

// What each button does, and what each dialog sends.
const doing = {
  pair() { open("pair"); },
  operator() { open("operator"); },
  async language() {
    const known = await fetched("words");
    if (!known) return;
    open("language");
    radios(dialog("language").querySelector(".plans"), "language", known.languages.map((l) => [l.language, Object.assign(make("span", "", l.name), { lang: l.language })]), vocabulary.language);
    dialog("language").querySelector("[name=unit][value=" + vocabulary.unit + "]").checked = true;
  },
  mute() { mute(!muted); return false; },
  forget() { give({ do: "revoke" }, null, t("This page may only look from now on.")); },
  next() {
    if (event.snapshot.step?.wait?.started && left(event.snapshot.step) > 0) open("short");
    else give({ do: "next" }, null, t("Gone on."));
  },
  aside() { open("aside"); },
  resume() {
    open("resume");
    radios(dialog("resume").querySelector(".plans"), "job", event.snapshot.waiting.map((j) => [j.job, make("b", "", t("job {number}", { number: j.job })), ", " + list(its(j.title), j.reference, j.note)]));
  },
  stock() {
    open("stock");
    const stocks = event.snapshot.stocks || [];
    byId("stocks").replaceChildren(...stocks.map((s) => { const o = document.createElement("option"); o.value = s.stock; return o; }));
    if (stocks.length) field("stock", "stock").value = stocks[0].stock;
  },
  back() { give({ do: "back" }, null, t("Gone back.")); },
  ask() { give({ do: "take" }, null, t("The instrument is asked.")); },
  done() { give({ do: "confirm" }, null, t("Noted as done.")); },
  not() {
    open("not");
    dialog("not").querySelector(".screw").hidden = event.snapshot.step?.kind !== "torque";
  },
  last() { const r = lastFiled(); if (r) strike(r); },
  async value() {
    const choices = await fetched(), step = event.snapshot.step;
    if (!choices || !step) return;
    open("value");
    put(dialog("value").querySelector(".about"), list(its(step.title) || step.step, its(step.places.find((p) => p.active)?.place)));
    const tools = choices.instruments.filter((tool) => tool.kind !== "pedal"), fit = tools.filter((tool) => tool.kind === step.instrument), others = tools.filter((tool) => tool.kind !== step.instrument);
    const named = ({ name, kind }) => [name, name.replace(/-/g, " ").startsWith(kind) ? name : t("{name} ({kind})", { name, kind: its(kind) })];
    radios(dialog("value").querySelector(".tools"), "instrument", fit.map(named));
    radios(dialog("value").querySelector(".others"), "instrument", others.map(named), fit.length ? "" : others[0]?.name);
    dialog("value").querySelector("details").open = !fit.length;
    dialog("value").querySelector("details").hidden = !others.length;
    kinds = new Map(tools.map((tool) => [tool.name, tool.kind]));
    pairOrOne();
  },
  async begin() {
    const choices = await fetched();
    if (!choices) return;
    open("begin");
    radios(dialog("begin").querySelector(".plans"), "plan", choices.plans.map((p) => [p.file, make("b", "", its(p.title)), p.problem ? ". " + its(p.problem) : ", " + t("{n} steps", { n: p.steps })]));
    dialog("begin").querySelectorAll("[name=plan]").forEach((input, i) => { input.disabled = !!choices.plans[i].problem; });
    const first = dialog("begin").querySelector("[name=plan]:enabled");
    if (first) first.checked = true;
    asked = new Map(choices.plans.map((p) => [p.file, p.asks || []]));
    asks();
  },
  choose() {
    open("choose");
    const c = event.snapshot.step.compare;
    radios(dialog("choose").querySelector(".plans"), "candidate", c.candidates.map((k, i) => [k.candidate, make("b", "", its(k.candidate)), features(i)]), c.chosen || c.keep || "");
  },
  place() {
    open("place");
    dialog("place").querySelector(".steps").replaceChildren(...event.snapshot.job.steps.map((s) => make("li", s.active ? "active" : "",
      make("p", "", s.number + "  " + list(its(s.title) || s.step, s.closed && t("done"))), ...s.places.map((p, i) => toPlace(s, p, i)))));
  },
  async temperature() {
    const choices = await fetched();
    if (!choices) return;
    open("temperature");
    radios(dialog("temperature").querySelector(".parts"), "of", [["shop", t("the shop")], ...choices.parts.map((p) => [p.name, its(p.title)])]);
  },
  async check() {
    const choices = await fetched();
    if (!choices) return;
    open("check");
    const tools = choices.instruments.filter((tool) => tool.uses.length && tool.kind !== "feeler");
    usesOf = new Map(tools.map((tool) => [tool.name, tool.uses]));
    radios(dialog("check").querySelector(".tools"), "instrument", tools.map((tool) => [tool.name, tool.name]));
    uses();
  },
  fitted() {
    open("fitted");
    const all = event.words.advice.map((a, i) => [event.snapshot.advice[i].chain, a]).filter(([, a]) => a.packs);
    radios(dialog("fitted").querySelector(".chains"), "chain", all.map(([chain, a]) => [chain, a.title]));
    sides();
  },
  end() {
    const open_ = event.snapshot.job.steps.filter((s) => !s.closed).length;
    open("end");
    put(dialog("end").querySelector(".about"), open_ ? t("{n} steps are still open: say in the note why the job ends here.", { n: open_ }) : t("All steps are done."));
  },
};

let kinds = new Map(), usesOf = new Map(), asked = new Map();

// asks shows the questions of the chosen plan.
function asks() {
  dialog("begin").querySelector(".asks").replaceChildren(...(asked.get(chosen("begin", "plan")) || []).map((q, i) => {
    if (q.choices) {
      const set = make("fieldset", "", make("legend", "", its(q.question)));
      radios(set, "ask" + i, q.choices.map((c) => c.split(": ")[0]).map((c) => [c, its(c)]), q.usual || "");
      set.dataset.ask = q.name;
      return set;
    }
    const input = document.createElement("input");
    Object.assign(input, { placeholder: q.usual || t("such as {example}", { example: its(q.example) }), autocomplete: "off", maxLength: 100, required: !q.usual });
    input.dataset.ask = q.name;
    return make("label", "", its(q.question), input);
  }));
}

function answers() {
  const given = [...dialog("begin").querySelectorAll("[data-ask]")].map((e) => [e.dataset.ask, (e.tagName === "INPUT" ? e : e.querySelector(":checked"))?.value.trim() || ""]);
  return given.length ? Object.fromEntries(given) : undefined;
}

// features tells how a candidate's dimensions are.
function features(k) {
  return ": " + event.words.compared.slice(1).map((row) => row[0] + " " + row[k + 1].replace("+/-", "±")).join("; ");
}

// pairOrOne shows the fields that the chosen instrument has.
function pairOrOne() {
  const feeler = kinds.get(chosen("value", "instrument")) === "feeler";
  for (const e of dialog("value").querySelectorAll(".one")) e.hidden = feeler;
  for (const e of dialog("value").querySelectorAll(".pair")) e.hidden = !feeler;
  const units = { "torque wrench": [["N.m", "N·m"], ["lbf.ft", "lbf·ft"], ["lbf.in", "lbf·in"]], thermometer: [["Cel", "°C"], ["degF", "°F"]] }[kinds.get(chosen("value", "instrument"))];
  radios(dialog("value").querySelector(".unit"), "unit", units || [["mm", "mm"], ["in", "in"]], units ? units[0][0] : vocabulary.unit);
  field("value", feeler ? "passes" : "value").focus();
}

function uses() {
  radios(dialog("check").querySelector(".uses"), "use", (usesOf.get(chosen("check", "instrument")) || []).map((u) => [u, its(u)]));
}

function toPlace(step, p, i) {
  const place = its(p.place) || (step.places.length > 1 ? t("place {number}", { number: i + 1 }) : t("go there"));
  const button = make("button", "", p.needed ? t("{place} ({n} of {of})", { place, n: p.counted, of: p.needed }) : place);
  button.type = "button";
  if (p.active) button.setAttribute("aria-current", "step");
  button.addEventListener("click", () => give({ do: "place", step: step.step, place: String(i + 1) }, dialog("place"), t("Gone there.")));
  return button;
}

// sides shows what was advised for the chosen chain, and a field for each side.
function sides() {
  const i = event.snapshot.advice.findIndex((a) => a.chain === chosen("fitted", "chain")), a = event.words.advice[i];
  put(dialog("fitted").querySelector(".advised"), t("as advised: {packs}", { packs: a.packs.map((p) => p.side + " " + withUnit(p.pieces, p.unit)).join(", ") }));
  dialog("fitted").querySelector(".sides").replaceChildren(...a.packs.map((p, k) => {
    const input = document.createElement("input");
    Object.assign(input, { className: "num", inputMode: "none", autocomplete: "off", maxLength: 60 });
    input.dataset.side = event.snapshot.advice[i].best.packs[k].side;
    input.addEventListener("input", () => { dialog("fitted").querySelector("[value=other]").checked = true; });
    return make("label", "", t("{side}, {unit}, pieces with +", { side: p.side, unit: vocabulary.unit }), input);
  }));
}

function saidPacks() {
  if (chosen("fitted", "how") !== "other") return [];
  return [...dialog("fitted").querySelectorAll("[data-side]")].map((input) => ({ side: input.dataset.side, pieces: plain(input.value).split("+").map((piece) => piece.trim()).filter(Boolean) }));
}

const sending = {
  choose(d) { give({ do: "choose", candidate: chosen("choose", "candidate"), reason: field("choose", "reason").value.trim() }, d, t("Kept.")); },
  pin(d) {
    const pin = field("pin", "pin").value;
    field("pin", "pin").value = "";
    d.close();
    withPin(pin);
  },
  short(d) { give({ do: "next", note: field("short", "note").value.trim() }, d, t("Gone on.")); },
  aside(d) { give({ do: "aside", note: field("aside", "note").value.trim() }, d, t("The job waits.")); },
  resume(d) { give({ do: "resume", job: chosen("resume", "job") }, d, t("The job goes on.")); },
  stock(d) { give({ do: "stock", stock: field("stock", "stock").value.trim(), size: typed("stock", "size"), count: typed("stock", "count"), ...inInch() }, d, t("Recorded.")); },
  async pair(d) {
    busy = true;
    acts();
    try {
      const got = await ask("POST", "pair", { code: field("pair", "code").value, operator: field("pair", "operator").value });
      fresh = true;
      token = got.token;
      pageName = got.page;
      keepOperator(field("pair", "operator").value);
      kept.set("token", token);
      kept.set("page", pageName);
      d.close();
    } catch (no) {
      if (!no.message) throw no;
      field("pair", "code").value = "";
      refused(d, no);
    }
    busy = false;
    await seenPaired();
  },
  language(d) {
    for (const key of Object.keys(wanted)) kept.set(key, wanted[key] = chosen("language", key));
    history.replaceState(null, "", location.pathname); // the address has no say any more
    for (const link of document.querySelectorAll("a[href]")) link.search = "";
    d.close();
    learn();
  },
  operator(d) { keepOperator(field("operator", "operator").value); d.close(); },
  value(d) {
    const c = { do: "enter", instrument: chosen("value", "instrument") };
    if (kinds.get(c.instrument) === "feeler") Object.assign(c, { passes: typed("value", "passes"), stops: typed("value", "stops"), ...inInch() });
    else Object.assign(c, { value: typed("value", "value"), unit: chosen("value", "unit") });
    give(c, d, t("Recorded."));
  },
  strike(d) {
    const reason = field("strike", "other").value.trim() || d.querySelector("[name=reason]:checked")?.parentElement.textContent.trim() || "";
    give({ do: "strike out", reading: striking.seq, reason }, d, t("Reading {seq} is struck out.", striking));
  },
  begin(d) {
    keepOperator(field("begin", "operator").value);
    give({ do: "begin", plan_file: chosen("begin", "plan"), reference: field("begin", "reference").value.trim(), answers: answers() }, d, t("The job has begun."));
  },
  temperature(d) { give({ do: "temperature", of: chosen("temperature", "of"), celsius: typed("temperature", "celsius"), u: typed("temperature", "u") }, d, t("Recorded.")); },
  check(d) {
    give({ do: "check", instrument: chosen("check", "instrument"), use: chosen("check", "use"), value: typed("check", "value"), block: typed("check", "block"), u: typed("check", "u"), ...inInch() }, d, t("Recorded."));
  },
  fitted(d) { give({ do: "fitted", chain: chosen("fitted", "chain"), packs: saidPacks(), correction: field("fitted", "correction").checked, ...inInch() }, d, t("Recorded.")); },
  not(d) { give({ do: "confirm", outcome: chosen("not", "outcome"), note: field("not", "note").value.trim() }, d, t("Noted.")); },
  end(d) { give({ do: "end", note: field("end", "note").value.trim() }, d, t("The job has ended.")); },
};

function keepOperator(name) {
  operator = name.trim();
  kept.set("operator", operator);
}

// seenPaired waits until the bench's own word holds this page among those paired.
async function seenPaired() {
  for (let tries = 0; token && event && !event.pages.includes(pageName) && tries < 50; tries++) await new Promise((go) => setTimeout(go, 100));
  acts();
  tick();
  if (event) render(why() !== null);
}

// keypad makes the keys of a dialog; they type into the number field used last.
function keypad(keys) {
  const form = keys.closest("form");
  let into = null;
  form.addEventListener("focusin", (e) => { if (e.target.classList.contains("num")) into = e.target; });
  keys.append(...[...keys.dataset.keys].map((key) => {
    const button = make("button", "", key === "<" ? "⌫" : key === "-" ? "−" : key);
    button.type = "button";
    if (key === "<") say(() => button.setAttribute("aria-label", t("delete the last")));
    if (key === "-") say(() => button.setAttribute("aria-label", t("minus")));
    if (key === ".") say(() => put(button, vocabulary.decimal_mark));
    button.addEventListener("click", () => {
      const to = into?.isConnected && !into.closest("[hidden]") ? into : form.querySelector(".num:not([hidden] .num)");
      if (key === "<") to.value = to.value.slice(0, -1);
      else if (key === "-") to.value = to.value.startsWith("-") ? to.value.slice(1) : "-" + to.value;
      else if (to.value.length < to.maxLength) to.value += key === "." ? vocabulary.decimal_mark : key;
      to.dispatchEvent(new Event("input", { bubbles: true }));
      to.classList.add("into");
    });
    return button;
  }));
  form.addEventListener("focusin", () => { for (const n of form.querySelectorAll(".num")) n.classList.toggle("into", n === into); });
}

watchers.add(acts);
addEventListener("DOMContentLoaded", () => {
  for (const keys of document.querySelectorAll(".keys")) keypad(keys);
  for (const d of document.querySelectorAll("dialog")) {
    const name = d.id.slice(2);
    d.querySelector("form").addEventListener("submit", (e) => {
      e.preventDefault();
      if (!busy && sending[name]) sending[name](d);
      else if (!sending[name]) d.close();
    });
    for (const b of d.querySelectorAll(".cancel")) b.addEventListener("click", () => d.close());
    d.addEventListener("cancel", (e) => { if (busy) e.preventDefault(); });
    d.addEventListener("close", () => { if (document.activeElement === document.body) byId("menu").focus(); });
  }
  for (const b of document.querySelectorAll("[data-do]")) {
    b.addEventListener("click", () => { if (doing[b.dataset.do]() !== false && dialog("menu").open) dialog("menu").close(); });
  }
  byId("menu").addEventListener("click", () => open("menu"));
  for (const tools of dialog("value").querySelectorAll(".tools, .others")) tools.addEventListener("change", pairOrOne);
  dialog("begin").querySelector(".plans").addEventListener("change", asks);
  dialog("check").querySelector(".tools").addEventListener("change", uses);
  dialog("fitted").querySelector(".chains").addEventListener("change", sides);
});
