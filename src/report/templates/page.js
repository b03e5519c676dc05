"use strict";
// Zoom and pan of a field's two pictures together. Everything else on the page works without this.
for (const pair of document.querySelectorAll(".pair")) {
  const views = [...pair.querySelectorAll("svg")];
  const [x0, y0, w0, h0] = views[0].getAttribute("viewBox").split(" ").map(Number);
  let [x, y, w, h] = [x0, y0, w0, h0];
  const show = () => {
    w = Math.min(w0, Math.max(w0 / 24, w)); h = w * h0 / w0;
    x = Math.min(x0 + w0 - w, Math.max(x0, x)); y = Math.min(y0 + h0 - h, Math.max(y0, y));
    for (const v of views) v.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    pair.classList.toggle("zoomed", w < w0 * 0.999);
  };
  const zoom = (f, cx, cy) => { const nw = Math.min(w0, Math.max(w0 / 24, w * f)); f = nw / w; x = cx - (cx - x) * f; y = cy - (cy - y) * f; w = nw; show(); };
  const tools = pair.parentElement.querySelector(".tools");
  tools.hidden = false;
  tools.addEventListener("click", e => {
    const act = e.target.dataset.act;
    if (act === "in") zoom(0.6, x + w / 2, y + h / 2);
    if (act === "out") zoom(1 / 0.6, x + w / 2, y + h / 2);
    if (act === "whole") { [x, y, w, h] = [x0, y0, w0, h0]; show(); }
  });
  for (const v of views) {
    const at = e => { const r = v.getBoundingClientRect(); return [x + (e.clientX - r.left) / r.width * w, y + (e.clientY - r.top) / r.height * h]; };
    v.addEventListener("wheel", e => { if (!e.ctrlKey && w > w0 * 0.999 && e.deltaY > 0) return; e.preventDefault(); zoom(e.deltaY < 0 ? 0.8 : 1.25, ...at(e)); }, { passive: false });
    v.addEventListener("dblclick", e => { e.preventDefault(); zoom(0.5, ...at(e)); });
    let from = null;
    v.addEventListener("pointerdown", e => { if (w < w0 * 0.999) { from = at(e); v.setPointerCapture(e.pointerId); } });
    v.addEventListener("pointermove", e => { if (from) { const p = at(e); x += from[0] - p[0]; y += from[1] - p[1]; show(); } });
    v.addEventListener("pointerup", () => { from = null; });
    v.setAttribute("tabindex", "0");
    v.addEventListener("keydown", e => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (step && w < w0 * 0.999) { e.preventDefault(); x += step[0] * w / 8; y += step[1] * h / 8; show(); }
      if (e.key === "+" || e.key === "=") zoom(0.6, x + w / 2, y + h / 2);
      if (e.key === "-") zoom(1 / 0.6, x + w / 2, y + h / 2);
    });
  }
}
