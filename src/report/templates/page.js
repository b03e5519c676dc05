"use strict";
// A field's two pictures zoomed and moved together, and the way from the table of defects to an outline. All else works without.
const fields = new Map();
for (const pair of document.querySelectorAll(".pair")) {
  const views = [...pair.querySelectorAll("svg")];
  const [x0, y0, w0, h0] = views[0].getAttribute("viewBox").split(" ").map(Number);
  let [x, y, w, h] = [x0, y0, w0, h0];
  const zoomed = () => w < w0 * 0.999;
  const show = () => {
    w = Math.min(w0, Math.max(w0 / 24, w)); h = w * h0 / w0;
    x = Math.min(x0 + w0 - w, Math.max(x0, x)); y = Math.min(y0 + h0 - h, Math.max(y0, y));
    for (const v of views) v.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    pair.classList.toggle("zoomed", zoomed());
  };
  const zoom = (f, cx, cy) => { const nw = Math.min(w0, Math.max(w0 / 24, w * f)); f = nw / w; x = cx - (cx - x) * f; y = cy - (cy - y) * f; w = nw; show(); };
  const middle = (f) => zoom(f, x + w / 2, y + h / 2);
  const tools = pair.parentElement.querySelector(".tools");
  tools.hidden = false;
  const acts = {
    in: () => middle(0.6),
    out: () => middle(1 / 0.6),
    full: () => middle(views[0].getBoundingClientRect().width * devicePixelRatio / w),
    whole: () => { [x, y, w, h] = [x0, y0, w0, h0]; show(); },
  };
  tools.addEventListener("click", e => acts[e.target.dataset.act]?.());
  fields.set(pair, box => {
    w = Math.max(w0 / 6, 3 * Math.max(box.width, box.height * w0 / h0)); h = Math.min(h0, w * h0 / w0);
    x = box.x + box.width / 2 - w / 2; y = box.y + box.height / 2 - h / 2;
    show();
    pair.scrollIntoView({ block: "center" });
    views[0].focus({ preventScroll: true });
  });
  for (const v of views) {
    const at = e => { const r = v.getBoundingClientRect(); return [x + (e.clientX - r.left) / r.width * w, y + (e.clientY - r.top) / r.height * h]; };
    // At the whole field a turn of the wheel moves the page, as everywhere else.
    v.addEventListener("wheel", e => { if (!e.ctrlKey && !zoomed()) return; e.preventDefault(); zoom(e.deltaY < 0 ? 0.8 : 1.25, ...at(e)); }, { passive: false });
    v.addEventListener("dblclick", e => { e.preventDefault(); zoom(0.5, ...at(e)); });
    let from = null;
    v.addEventListener("pointerdown", e => { if (zoomed()) { from = at(e); v.setPointerCapture(e.pointerId); } });
    v.addEventListener("pointermove", e => { if (from) { const p = at(e); x += from[0] - p[0]; y += from[1] - p[1]; show(); } });
    for (const end of ["pointerup", "pointercancel"]) v.addEventListener(end, () => { from = null; });
    v.setAttribute("tabindex", "0");
    v.addEventListener("keydown", e => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (step && zoomed()) { e.preventDefault(); x += step[0] * w / 8; y += step[1] * h / 8; show(); }
      if (e.key === "+" || e.key === "=") acts.in();
      if (e.key === "-") acts.out();
      if (e.key === "0") acts.whole();
    });
  }
}
const links = [...document.querySelectorAll(".defects a")];
for (const link of links) {
  const mark = document.getElementById(link.hash.slice(1));
  link.addEventListener("click", () => {
    for (const other of links) other.removeAttribute("aria-current");
    link.setAttribute("aria-current", "true");
    document.getElementById("sw-" + mark.classList[0].slice(2)).checked = true;
    // Once the browser has gone to the outline by itself.
    setTimeout(() => fields.get(mark.closest(".pair"))(mark.getBBox()));
  });
}
