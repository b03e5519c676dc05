'use strict';
const by = id => document.getElementById(id);
const put = (id, text) => { const e = by(id); if (e.textContent !== (text ?? '')) e.textContent = text ?? ''; };
const show = (id, yes) => { by(id).hidden = !yes; };
const list = (id, items, make) => by(id).replaceChildren(...items.map(i => { const li = document.createElement('li'); make(li, i); return li; }));
const SVG = 'http://www.w3.org/2000/svg';
const draw = (name, attributes, text) => {
  const e = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
  if (text !== undefined) e.textContent = text;
  return e;
};
const um = v => v.toFixed(1);

// Thickness from pass to pass, closing in on the band that is allowed.
function way(slide) {
  const svg = by('way'), W = 760, H = 520, left = 78, right = W - 26, top = 44, bottom = H - 62;
  const [target, low, high] = slide.band_um;
  const seen = slide.passes.flatMap(p => p.thickness_um.slice(1)).concat(low, high);
  const from = Math.max(0, Math.min(...seen) - 2), to = Math.max(...seen) + (Math.max(...seen) - Math.min(...seen)) * 0.14;
  const y = v => bottom - (v - from) / (to - from) * (bottom - top);
  const lastPass = slide.passes.at(-1);
  // What further passes like these would leave, as far as the target.
  const ahead = [];
  for (let v = lastPass.thickness_um[0] - slide.per_pass_um; slide.per_pass_um && ahead.length < 6; v -= slide.per_pass_um) {
    ahead.push([lastPass.pass + ahead.length + 1, Math.max(v, target)]);
    if (v <= target) break;
  }
  const count = Math.max(lastPass.pass + ahead.length, 3);
  const x = n => left + 64 + (n - 1) / (count - 1) * (right - left - 128);
  svg.setAttribute('viewBox', `0 0 ${W} ${H}`);
  const said = slide.passes.map(p => `pass ${p.pass}: ${um(p.thickness_um[0])} µm`).join(', ');
  const parts = [draw('title', {id: 'way-t'}, `Thickness by pass: ${said}; allowed ${um(low)} to ${um(high)} µm.`)];
  parts.push(draw('rect', {x: left, y: y(high), width: right - left, height: y(low) - y(high), fill: 'var(--band)'}));
  parts.push(draw('path', {d: `M${left} ${y(target)}H${right}`, stroke: 'var(--ink)', 'stroke-width': 1.6, 'stroke-dasharray': '6 6'}));
  parts.push(draw('text', {x: left + 10, y: y(low) - 10, 'font-size': 22, class: 'soft'}, 'allowed'));
  const step = [2, 5, 10, 20, 50].find(s => (to - from) / s <= 7) ?? 100;
  for (let v = Math.ceil(from / step) * step; v <= to; v += step) {
    parts.push(draw('path', {d: `M${left - 7} ${y(v)}H${left}`, stroke: 'var(--ink)', 'stroke-width': 2}));
    parts.push(draw('text', {x: left - 12, y: y(v) + 8, 'text-anchor': 'end', 'font-size': 24}, String(v)));
  }
  parts.push(draw('path', {d: `M${left} ${top - 10}V${bottom}H${right}`, fill: 'none', stroke: 'var(--ink)', 'stroke-width': 2.5}));
  parts.push(draw('text', {x: left, y: top - 20, 'text-anchor': 'middle', 'font-size': 22, class: 'soft'}, 'µm'));
  parts.push(draw('path', {d: 'M' + slide.passes.map(p => `${x(p.pass)} ${y(p.thickness_um[0])}`).join('L'), fill: 'none', stroke: 'var(--tone)', 'stroke-width': 4}));
  if (ahead.length) {
    const points = [[lastPass.pass, lastPass.thickness_um[0]], ...ahead].map(([n, v]) => `${x(n)} ${y(v)}`);
    parts.push(draw('path', {d: 'M' + points.join('L'), fill: 'none', stroke: 'var(--tone)', 'stroke-width': 3, 'stroke-dasharray': '3 9', 'stroke-linecap': 'round'}));
    ahead.forEach(([n, v]) => parts.push(draw('circle', {cx: x(n), cy: y(v), r: 7, fill: 'var(--paper)', stroke: 'var(--tone)', 'stroke-width': 3})));
  }
  slide.passes.forEach((p, i) => {
    const [mean, least, most] = p.thickness_um, last = i === slide.passes.length - 1;
    parts.push(draw('path', {d: `M${x(p.pass)} ${y(least)}V${y(most)}m-9 0h18M${x(p.pass) - 9} ${y(least)}h18`, stroke: 'var(--ink)', 'stroke-width': 3, fill: 'none'}));
    parts.push(draw('circle', {cx: x(p.pass), cy: y(mean), r: last ? 11 : 7, fill: 'var(--tone)', stroke: 'var(--paper)', 'stroke-width': 2}));
    parts.push(draw('text', {x: x(p.pass) + (last ? 22 : 6), y: Math.min(y(mean), y(most)) - (last ? 20 : 14), 'text-anchor': 'middle', 'font-size': last ? 42 : 26, 'font-weight': last ? 700 : 400}, um(mean)));
    if (p.removed_um) {
      const before = slide.passes[i - 1];
      const off = `${p.removed_um[0] < 0 ? '+' : '−'}${um(Math.abs(p.removed_um[0]))}`;
      const at = {x: (x(before.pass) + x(p.pass)) / 2 - 8, y: (y(before.thickness_um[0]) + y(mean)) / 2 + 28};
      parts.push(draw('text', {...at, 'text-anchor': 'end', 'font-size': 24, class: 'soft'}, off));
    }
    parts.push(draw('text', {x: x(p.pass), y: bottom + 28, 'text-anchor': 'middle', 'font-size': 24}, `pass ${p.pass}`));
    parts.push(draw('text', {x: x(p.pass), y: bottom + 52, 'text-anchor': 'middle', 'font-size': 20, class: 'soft'}, p.began));
  });
  svg.replaceChildren(...parts);
}

function render(state) {
  const slide = state && state.slide;
  if (state) list('happened', state.happened, (li, text) => { li.textContent = text; });
  if (!slide) return;
  document.title = `${slide.id}: ${slide.headline}`;
  by('bench').className = slide.tone + (slide.checking ? ' busy' : '');
  put('id', slide.id);
  put('pass', slide.pass > 1 ? `pass ${slide.pass}` : '');
  put('thickness', slide.thickness.startsWith('not measured') ? '' : slide.thickness);
  put('headline', slide.headline);
  show('take', slide.take_off);
  put('take-off', slide.take_off);
  put('corner', slide.take_off ? (slide.at_corner ?? 'evenly') : '');
  put('why', slide.why === slide.next ? '' : slide.why);
  show('next-box', slide.next);
  put('next', slide.next);
  const steps = slide.steps.filter(s => s !== slide.next);
  show('do-box', steps.length);
  list('steps', steps, (li, text) => { const s = document.createElement('span'); s.textContent = text; li.append(s); });
  show('care-box', slide.cautions.length);
  list('cautions', slide.cautions, (li, text) => { li.textContent = text; });
  show('way-box', slide.passes.length && slide.band_um);
  if (slide.passes.length && slide.band_um) way(slide);
  list('way-said', slide.way, (li, text) => { li.textContent = text; });
  list('fields', slide.fields, (li, f) => {
    const b = document.createElement('b');
    b.textContent = f.name;
    li.append(b, ` ${f.plane ? 'plane light' : 'plane light missing'}${f.crossed ? '; crossed: ' + f.crossed : ''}`);
  });
  show('others-box', state.others.length);
  list('others', state.others, (li, o) => {
    const b = document.createElement('b');
    li.className = o.tone;
    b.textContent = `${o.id}: ${o.headline}`;
    li.append(b, o.thickness ? ` ${o.thickness}` : '');
  });
}

function listen() {
  const events = new EventSource('/events');
  const link = by('link');
  events.onopen = () => { link.className = ''; link.textContent = 'live'; };
  events.onmessage = e => render(JSON.parse(e.data));
  events.onerror = () => {
    link.className = 'off';
    link.textContent = 'the watch has ended: what is shown is old';
    // A refused connection is not tried again by itself.
    if (events.readyState === EventSource.CLOSED) setTimeout(listen, 2000);
  };
}
listen();
