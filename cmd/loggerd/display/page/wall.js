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
  at("doing").textContent = [b.step, b.tool && "with the " + b.tool].filter(Boolean).join(", ");
  at("count").textContent = b.count || "";
  if (b.last) {
    at("value").textContent = b.last.value + (b.last.unit ? " " + b.last.unit : "");
    verdict(at("verdict"), b.last.mark, b.last.verdict);
  } else at("lately").remove();
  at("fits").append(...(b.advice || []).filter((a) => a.float).map(fit));
  return box;
}

function fit(a) {
  const box = byId("one-fit").content.firstElementChild.cloneNode(true);
  box.classList.toggle("provisional", !!a.provisional);
  box.querySelector("h3").textContent = a.title + (a.provisional ? ", so far" : "");
  box.querySelector(".packs").append(...(a.packs || []).map((p) => make("li", "", p.side + " ", make("b", "", p.pieces + (p.unit ? " " + p.unit : "")))));
  box.querySelector(".value").textContent = a.float + " mm";
  verdict(box.querySelector(".verdict"), a.mark, a.outcome);
  return box;
}
