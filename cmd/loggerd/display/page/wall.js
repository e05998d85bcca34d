"use strict";
// The wall: many benches side by side.

function render(blank) {
  byId("benches").replaceChildren(...event.benches.map((b) => bench(b, blank)));
  put(byId("say"), blank ? "" : event.benches.filter((b) => b.doubt).map((b) => b.name + ": " + b.doubt).join(" "));
}

function bench(b, blank) {
  const box = byId("one-bench").content.firstElementChild.cloneNode(true), at = (name) => box.querySelector("." + name);
  at("name").textContent = b.name;
  box.setAttribute("aria-label", b.name);
  box.classList.toggle("lost", !!b.doubt);
  at("away").textContent = b.doubt || "";
  at("away").hidden = !b.doubt;
  if (blank || b.doubt) {
    for (const name of ["job", "doing", "count", "lately", "fits"]) at(name).remove();
    return box;
  }
  at("job").textContent = b.job;
  at("doing").textContent = b.step && b.tool ? t("{step}, with the {instrument}", { step: b.step, instrument: b.tool }) : b.step || "";
  at("count").textContent = b.count || "";
  if (b.last) {
    at("value").textContent = withUnit(b.last.value, b.last.unit);
    verdict(at("verdict"), b.last.mark, b.last.verdict);
  } else at("lately").remove();
  at("fits").append(...(b.advice || []).filter((a) => a.float).map(fit));
  return box;
}

function fit(a) {
  const box = byId("one-fit").content.firstElementChild.cloneNode(true);
  box.classList.toggle("provisional", !!a.provisional);
  box.querySelector("h3").textContent = a.provisional ? t("{title}, so far", { title: a.title }) : a.title;
  box.querySelector(".packs").append(...(a.packs || []).map((p) => make("li", "", p.side + " ", make("b", "", withUnit(p.pieces, p.unit)))));
  box.querySelector(".value").textContent = withUnit(a.float, vocabulary.unit);
  verdict(box.querySelector(".verdict"), a.mark, a.outcome);
  return box;
}
