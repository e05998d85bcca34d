"use strict";
// The story view: all readings of the job, and how they lie.

function render(blank) {
  const { job, steps, rows, advice } = event;
  put(byId("job"), job.join(" · "));
  document.title = [t("Story"), ...job].join(" – ");
  byId("none").hidden = job.length > 1;
  byId("legend").hidden = !steps.some((s) => s.places.length);
  byId("outcome").replaceChildren(...advice.flatMap((a) => [make("h2", "", a.title), make("p", "", blank ? unknown : a.text)]));
  byId("steps").replaceChildren(...steps.map((s) => storyStep(s, blank)));
  byId("all").querySelector("tbody").replaceChildren(...rows.map((r) => storyRow(r, blank)));
  put(byId("say"), blank || !rows.length ? "" : t("Reading {seq}: {ruling}.", { seq: rows[0].seq, ruling: rows[0].ruling }));
}

function storyStep(s, blank) {
  const box = make("section", "step", make("h3", "", s.title), make("p", "", blank ? unknown : s.state));
  for (const text of s.findings || []) box.append(make("p", "finding", text));
  for (const p of s.places) {
    const strip = make("div", "strip", make("p", "", p.name), make("p", "", blank ? unknown : p.count));
    if (!blank) strip.prepend(image(p.strip));
    box.append(strip);
  }
  return box;
}

function storyRow(r, blank) {
  const row = make("tr", r.gone ? "gone" : ""), symbol = make("span", "symbol");
  symbol.append(byId(r.mark).content.firstElementChild.cloneNode(true));
  const value = make("td", "", make("b", "", blank ? unknown : withUnit(r.value, r.unit)));
  const counts = make("td", "", symbol, r.standing);
  counts.dataset.mark = r.mark;
  row.append(make("td", "", String(r.seq)), make("td", "", r.time), value, make("td", "", list(r.title, r.place)),
    make("td", "", r.from), make("td", "", blank ? unknown : r.ruling), counts);
  return row;
}

addEventListener("DOMContentLoaded", () => byId("print").addEventListener("click", () => print()));
