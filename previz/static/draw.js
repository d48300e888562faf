/* Drawings shared by the report of a shoot and by the live bench: side elevation and plan, the break curve, the judged
   outline over a frame. One plain script that makes one name, `Draw`; it needs look.css and nothing else. All lengths
   in metres unless the name ends in _mm or _px, world axes as in the scene file (X camera right, Y up, Z from the wall).

   Draw.view(svg, which, set, options) -> view      which: "side" (from camera right) or "plan" (from above)
     set   { low: [x,y,z], high: [x,y,z],                 what both drawings must show
             wall_side: [[[x,y,z]...]...], wall_plan,     cut profiles, closed outlines, hatched; inner ones are holes
             bridge_side: [[[x,y,z]...]...], bridge_plan, closed outlines, inner ones are holes
             rail_line: [[x,y,z]...],
             marks: [{name, frame, rail_mm, point: [x,y,z]}],
             lamps: [{name, position, aim}],
             dimensions: [{view: "side"|"plan", a: [x,y,z], b: [x,y,z], offset_px}] }
     options { width: 640 }                               drawing units across, the svg's own px if letters are to keep
                                                          their size; give both views the same
     view.update(now)    now { position: [x,y,z], forward: [x,y,z],
                               field: [left, right, top, bottom] each [x,y,z], directions to the frame's edges,
                               sight: [[edge, wall, broken]...] edge, wall: [x,y,z]; broken: true | false }
     view.reset(set, width)    draws another set, or the same one at another width, into the same svg
     view.world(event)   -> {z, y} (side) or {z, x} (plan) under the pointer
     view.camera         the <g> of the camera, larger than it looks, for dragging

   Draw.curve(svg, data, options) -> curve
     data  { rows: [{frame, rail_mm, break_pct | null, trace_pct | null, found_pct?, drift_deg_s?}...], hold: [first, last] frames asked for,
             held: [first, last] | null frames that do, marks: [{name, frame}...], limit_pct: 5 }
     options { width, height, by: "rail" | "frame" }
     curve.update(frame), curve.reset(data, by, width), curve.frameAt(event) -> frame number nearest to the pointer

   Draw.larger(svg, redraw) -> drawing  a button lays the drawing 2.5 times as large in a box that scrolls: redraw(times)
     drawing.again() calls redraw as it is, drawing.usual() lays it whole without it

   Draw.tells(svg, lines, size_px)      lines: [[kind, [x, y, x, y, ...] px]...], kind: a word in Draw.TELLS;
                                        size_px [width, height] of the frame they were judged in
   Draw.tellKey(kinds) -> element       the key to those lines
   Draw.TELLS                           [{word, dash, meaning}]: "hidden", the tells in the judge's order, "shows"
   Draw.shown(row) -> percent | null, break or trace, whichever is more
   Draw.verdict(percent) -> "holds" | "breaks" | "not judged";  Draw.pct(break_pct) -> "3.2 %" | "not judged"
   Draw.mm(m, decimals), Draw.inches(m), Draw.both(m, decimals) -> lengths in words, metric, imperial, both */
"use strict";

const Draw = (() => {
  const SVG = "http://www.w3.org/2000/svg";
  const HOLDS_BELOW_PCT = 5;
  // "hidden", every tell in the judge's order, "shows"; filled in from previz/judge/telltable.py
  const TELLS = /* tells */[];

  function el(name, attributes, ...children) {
    const node = document.createElementNS(SVG, name);
    for (const key in attributes) if (attributes[key] != null) node.setAttribute(key, attributes[key]);
    for (const child of children) node.append(child);
    return node;
  }
  const f = (v) => (Math.round(v * 100) / 100).toString();
  const path = (points, closed) => (points.length ? "M" + points.map((p) => f(p[0]) + " " + f(p[1])).join("L") : "")
    + (closed && points.length ? "Z" : "");

  // ---- words ---------------------------------------------------------------------------------------------------
  const mm = (m, decimals = 1) => (m * 1000).toFixed(decimals).replace(/^-(0(\.0+)?)$/, "$1") + " mm";
  function inches(m) {
    // to the nearest sixteenth, always from metric; 1 in is 25.4 mm exactly
    const all = Math.round((Math.abs(m) / 0.0254) * 16);
    const feet = Math.floor(all / 192), whole = Math.floor((all % 192) / 16);
    let top = all % 16, bottom = 16;
    while (top && top % 2 === 0) { top /= 2; bottom /= 2; }
    const fraction = top ? `${top}/${bottom}` : "";
    const inch = whole || feet || !fraction ? [String(whole), fraction].filter(Boolean).join(" ") : fraction;
    return `${m < 0 && all ? "-" : ""}${feet ? feet + "'-" : ""}${inch}"`;
  }
  const both = (m, decimals = 1) => `${mm(m, decimals)} / ${inches(m)}`;
  const pct = (value, decimals = 1) => (value == null ? "not judged" : value.toFixed(decimals) + " %");
  // what shows of a frame, outline or traces, whichever is more
  const shown = (row) => (row.break_pct == null ? null : Math.max(row.break_pct, row.trace_pct || 0));
  const verdict = (value) => (value == null ? "not judged" : value <= HOLDS_BELOW_PCT ? "holds" : "breaks");

  // ---- side elevation and plan ---------------------------------------------------------------------------------
  let serial = 0;
  function view(svg, which, firstSet, options = {}) {
    const side = which === "side";
    let width = options.width || 640;
    const id = `hatch-${which}-${serial++}`;
    let scale = 1, left = 0, top = 0, height = 100, set = firstSet, moving, seen, named = [];
    const camera = el("g", { class: "d-camera-group" });
    // sheet right is towards the wall; sheet up is up in the side elevation, camera left in the plan
    const across = (p) => (left - p[2]) * scale;
    const down = (p) => (side ? top - p[1] : p[0] - top) * scale;
    const at = (p) => [across(p), down(p)];
    const way = (d) => (side ? [-d[2], -d[1]] : [-d[2], d[0]]);

    function reset(nextSet, nextWidth) {
      set = nextSet;
      width = nextWidth || width;
      const margin = 58;
      scale = (width - 2 * margin) / Math.max(set.high[2] - set.low[2], 1e-3);
      left = set.high[2] + margin / scale;
      const room = 62 / scale;
      top = side ? set.high[1] + room : set.low[0] - room;
      const extent = side ? set.high[1] - set.low[1] : set.high[0] - set.low[0];
      height = Math.round((extent + 2 * room) * scale);
      svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
      svg.replaceChildren();
      const clip = el("clipPath", { id: id + "-clip" }, el("rect", { width, height }));
      const hatch = el("pattern", { id, width: 7, height: 7, patternUnits: "userSpaceOnUse",
        patternTransform: "rotate(45)" }, el("line", { class: "d-hatch", x1: 0, y1: 0, x2: 0, y2: 7 }));
      svg.append(el("defs", {}, clip, hatch));
      const sheet = el("g", { "clip-path": `url(#${id}-clip)` });
      svg.append(sheet);
      const rings = (outlines) => outlines.map((ring) => path(ring.map(at), true)).join("");
      sheet.append(el("path", { class: "d-wall", "fill-rule": "evenodd", fill: `url(#${id})`,
        d: rings(side ? set.wall_side : set.wall_plan) }));
      sheet.append(el("path", { class: "d-bridge", "fill-rule": "evenodd",
        d: rings(side ? set.bridge_side : set.bridge_plan) }));
      const rail = set.rail_line.map(at);
      // nothing is written over the head, the scale or the camera's way
      const ends = [0, 1].map((k) => rail.map((p) => p[k]));
      named = [{ y: 22, up: 0, from: 0, to: 210 }, { y: height - 12, up: 4, from: 0, to: width * 0.2 + 80 },
        { y: Math.min(...ends[1]) - 2, up: Math.max(...ends[1]) - Math.min(...ends[1]) + 14,
          from: Math.min(...ends[0]) - 32, to: Math.max(...ends[0]) + 10 }];
      for (const name of ["d-rail", "d-rail-in"]) sheet.append(el("path", { class: name, d: path(rail), "stroke-linecap": "square" }));
      if (!side) for (const mark of set.marks || []) {
        const [x, y] = at(mark.point);
        sheet.append(el("circle", { class: "d-mark", cx: f(x), cy: f(y), r: 2.6 }));
      }
      moving = el("g", {});
      sheet.append(moving);
      // words last, so that no line runs through them
      const words = [...(set.dimensions || []).filter((d) => d.view === which).map((d) => drawDimension(sheet, d)),
        ...(set.lamps || []).map((lamp) => drawLamp(sheet, lamp))];
      for (const say of words) if (say) say();
      camera.replaceChildren(
        el("circle", { class: "d-camera-hit", r: 30 }),
        el("path", { class: "d-camera", d: "M-30 -11H-8V11H-30ZM-8 -6L6 -9V9L-8 6Z" }),
        el("circle", { class: "d-dot", r: 3 }));
      sheet.append(camera);
      const head = side ? "SIDE, from camera right" : "PLAN, from above";
      svg.append(el("text", { class: "d-head d-halo", x: 12, y: 22 }, head));
      drawScale();
      if (seen) update(seen);
    }

    function drawLamp(sheet, lamp) {
      const [x, y] = at(lamp.position), [ax, ay] = at(lamp.aim);
      const run = Math.hypot(ax - x, ay - y) || 1, dx = (ax - x) / run, dy = (ay - y) / run;
      // clear of the head
      const pad = 16, high = 46, inside = x > pad && x < width - pad && y > high && y < height - pad;
      let px = x, py = y;
      if (!inside) {
        // a lamp beyond the paper is shown where its beam comes in
        const t = Math.max(
          dx > 0 ? (pad - x) / dx : dx < 0 ? (width - pad - x) / dx : 0,
          dy > 0 ? (high - y) / dy : dy < 0 ? (height - pad - y) / dy : 0, 0);
        if (t >= run) return null;
        px = x + dx * t; py = y + dy * t;
      }
      sheet.append(el("path", { class: "d-aim", d: path([[px, py], [px + dx * 60, py + dy * 60]]) }));
      const turn = (Math.atan2(dy, dx) * 180) / Math.PI;
      sheet.append(el("path", { class: "d-lamp", d: "M-9 -6L4 -9V9L-9 6Z", transform: `translate(${f(px)} ${f(py)}) rotate(${f(turn)})` }));
      named.push({ y: py + 2, up: 8, from: px - 10, to: px + 10 });
      const beyond = x <= 0 || x >= width || y <= 0 || y >= height, words = lamp.name + (beyond ? ", beyond" : "");
      const sides = [[px + 14, py - 6, "start"], [px - 14, py - 6, "end"], [px + 14, py + 16, "start"], [px - 14, py + 16, "end"],
        [px, py - 16, "middle"], [px, py + 26, "middle"]];
      return () => write(sheet, words, px > width * 0.7 ? [sides[1], sides[0], ...sides.slice(2)] : sides, "d-soft", [px, py]);
    }

    // words where nothing else is written: in the first free one of `places` [x, y, anchor], or as near to them as may
    // be, above or below, with a line to `of`, what they name
    const LETTER = 7.4, LINE = 15;
    function write(sheet, words, places, name = "", of = null) {
      const wide = words.length * LETTER;
      const fitted = ([x, y, anchor]) => {
        const from = { start: x, middle: x - wide / 2, end: x - wide }[anchor];
        return [Math.min(Math.max(from, 4), Math.max(width - 4 - wide, 4)), y];
      };
      const free = ([from, line]) => line > 30 && line < height - 3
        && !named.some((n) => n.y + n.up > line - 12 && n.y - 12 < line && n.from < from + wide && from < n.to);
      const near = places.map(fitted);
      const away = [1, -1, 2, -2, 3, -3, 4, -4].flatMap((k) => near.slice(0, 2).map(([x, y]) => [x, y + k * LINE]));
      const at_ = near.find(free) || away.find(free) || near[0], [from, line] = at_;
      named.push({ y: line, up: 2, from, to: from + wide });
      if (of && !near.includes(at_)) {
        sheet.append(el("path", { class: "d-dim", d: path([of, [Math.min(Math.max(of[0], from), from + wide), line < of[1] ? line + 3 : line - 11]]) }));
      }
      sheet.append(el("text", { class: "d-halo " + name, x: f(from), y: f(line) }, words));
    }

    // draws the lines, and gives back what writes the words
    function drawDimension(sheet, d) {
      const a = at(d.a), b = at(d.b), run = Math.hypot(b[0] - a[0], b[1] - a[1]);
      if (run < 4) return null;
      let right = [-(b[1] - a[1]) / run, (b[0] - a[0]) / run], offset = d.offset_px;
      // inside the paper, and clear of the bridge
      const bridge = (side ? set.bridge_side : set.bridge_plan).map((ring) => ring.map(at));
      const fits = (o) => { const ends = [a, b].map((p) => [p[0] + right[0] * o, p[1] + right[1] * o]);
        return ends.every(([x, y]) => x > 10 && x < width - 10 && y > 34 && y < height - 14)
          && bridge.every((ring) => [0, 1].some((k) => { const [l, r] = [ends, ring].map((ps) => ps.map((p) => p[k]));
            return Math.max(...l) + 4 < Math.min(...r) || Math.min(...l) - 4 > Math.max(...r); })); };
      offset = [offset, -offset, offset / 2, -offset / 2].find(fits) ?? offset / 2;
      const [p, q] = [a, b].map((c) => [c[0] + right[0] * offset, c[1] + right[1] * offset]);
      const tick = (c) => `M${f(c[0] - 4)} ${f(c[1] + 4)}L${f(c[0] + 4)} ${f(c[1] - 4)}`;
      sheet.append(el("path", { class: "d-dim", d: path([a, p]) + path([b, q]) + path([p, q]) + tick(p) + tick(q) }));
      // a small drawing has no room for both; the table of the lens's place has them
      const words = width < 460 ? mm(run / scale, 0) : both(run / scale, 0);
      if (Math.abs(b[0] - a[0]) > Math.abs(b[1] - a[1])) {
        return () => write(sheet, words, [[(p[0] + q[0]) / 2, (p[1] + q[1]) / 2 - 5, "middle"]]);
      }
      // upright lengths are named at their foot, clear of what they measure
      const foot = Math.max(p[1], q[1]) + 17, below = foot < height - 30, end = p[0] > width / 2;
      return () => write(sheet, words, [[end ? p[0] + 4 : p[0] - 4, below ? foot : Math.min(p[1], q[1]) - 8, end ? "end" : "start"]]);
    }

    function drawScale() {
      const length = [2, 1, 0.5, 0.2, 0.1, 0.05, 0.02].find((l) => l * scale < width * 0.2) || 0.01;
      const x = 14, y = height - 12, end = x + length * scale;
      svg.append(el("path", { class: "d-axis", fill: "none", d: `M${x} ${y - 5}V${y}H${f(end)}V${y - 5}` }));
      svg.append(el("text", { class: "d-halo", x: f(end + 8), y }, `${f(length * 1000)} mm`));
    }

    function update(now) {
      seen = now;
      const start = at(now.position), parts = [];
      const edges = side ? [now.field[2], now.field[3]] : [now.field[0], now.field[1]];
      for (const edge of edges) {
        const d = way(edge), run = Math.hypot(d[0], d[1]) || 1, far = 2 * (width + height);
        parts.push(el("path", { class: "d-field", d: path([start, [start[0] + (d[0] / run) * far, start[1] + (d[1] / run) * far]]) }));
      }
      const sight = [...(now.sight || [])].sort((a, b) => Number(a[2]) - Number(b[2]));
      for (const [edge, wall, broken] of sight) {
        const name = broken ? " broken" : "", ends = [edge, wall].map(at);
        parts.push(el("path", { class: "d-sight" + name, d: path([start, ends[1]]) }));
        for (const p of ends) parts.push(el("circle", { class: "d-dot" + name, cx: f(p[0]), cy: f(p[1]), r: 3 }));
      }
      moving.replaceChildren(...parts);
      const d = way(now.forward);
      camera.setAttribute("transform", `translate(${f(start[0])} ${f(start[1])}) rotate(${f((Math.atan2(d[1], d[0]) * 180) / Math.PI)})`);
    }

    function world(event) {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      const z = left - point.x / scale;
      return side ? { z, y: top - point.y / scale } : { z, x: top + point.y / scale };
    }

    reset(firstSet);
    return { update, reset, world, camera, get px_per_m() { return scale; } };
  }

  // ---- the break along the move --------------------------------------------------------------------------------
  function curve(svg, firstData, options = {}) {
    const height = options.height || 260, box = { left: 62, right: 0, top: 50, bottom: height - 42 };
    let width = options.width || 1200;
    let data = firstData, wanted = options.by || "rail", by = wanted, now = null, lastFrame = null;

    const value = (row) => (by === "rail" ? row.rail_mm : row.frame);
    const first = () => value(data.rows[0]);
    const span = () => value(data.rows[data.rows.length - 1]) - first() || 1;
    const x = (row) => box.left + ((value(row) - first()) / span()) * (box.right - box.left);
    const most = () => Math.max(20, ...data.rows.map((r) => shown(r) || 0));
    const ceiling = () => [20, 40, 60, 80, 100].find((v) => v >= most()) || 100;
    const y = (p) => box.bottom - (p / ceiling()) * (box.bottom - box.top);
    const rowOf = (frame) => data.rows.find((r) => r.frame === frame);

    function steps(low, high, about) {
      const rough = (high - low) / about, ten = 10 ** Math.floor(Math.log10(rough || 1));
      const step = [1, 2, 5, 10].map((m) => m * ten).find((s) => s >= rough) || ten;
      const out = [];
      for (let v = Math.ceil(low / step) * step; v <= high + 1e-9; v += step) out.push(Math.round(v * 1e6) / 1e6);
      return out;
    }

    // where the camera stands or turns back, several frames share a place: then the frames run along the bottom, by
    // the rule of hold.png
    const oneWay = (rows) => {
      const steps = rows.slice(1).map((row, i) => row.rail_mm - rows[i].rail_mm);
      const sizes = steps.filter((step) => step).map(Math.abs).sort((a, b) => a - b);
      if (!sizes.length) return false;
      const way = rows[rows.length - 1].rail_mm < rows[0].rail_mm ? -1 : 1, least = 0.02 * sizes[sizes.length >> 1];
      return steps.every((step) => step * way >= 0) && steps.filter((step) => step * way < least).length <= 2;
    };

    function reset(nextData, nextBy, nextWidth) {
      data = nextData; wanted = nextBy || wanted; width = nextWidth || width;
      by = wanted === "rail" && !oneWay(data.rows) ? "frame" : wanted;
      const slides = data.rows.filter((row) => row.drift_deg_s != null);
      box.right = width - (slides.length > 1 ? 58 : 18);
      svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
      svg.replaceChildren();
      const add = (...n) => svg.append(...n);
      const text = (s, tx, ty, anchor = "middle", name = "") => add(el("text", { x: f(tx), y: f(ty), "text-anchor": anchor, class: name }, s));
      const line = (x1, y1, x2, y2, name) => add(el("line", { x1: f(x1), y1: f(y1), x2: f(x2), y2: f(y2), class: name }));
      const asked = data.hold && data.hold.map(rowOf);
      if (asked && asked[0] && asked[1]) {
        const [a, b] = asked.map(x).sort((p, q) => p - q);
        add(el("rect", { class: "d-hold", x: f(a), y: box.top, width: f(Math.max(b - a, 2)), height: box.bottom - box.top }));
      }
      for (let p = 0; p <= ceiling(); p += ceiling() > 40 ? 20 : 10) {
        line(box.left, y(p), box.right, y(p), "d-grid");
        text(p + " %", box.left - 8, y(p) + 4, "end");
      }
      line(box.left, y(data.limit_pct), box.right, y(data.limit_pct), "d-limit");
      const rows = data.rows;
      if (by === "rail") {
        for (const v of steps(rows[0].rail_mm, rows[rows.length - 1].rail_mm, 10)) {
          const tx = box.left + ((v - first()) / span()) * (box.right - box.left);
          line(tx, box.bottom, tx, box.bottom + 5, "d-axis");
          text(String(v), tx, box.bottom + 18);
        }
      } else {
        for (const row of spread(rows, 12)) {
          line(x(row), box.bottom, x(row), box.bottom + 5, "d-axis");
          text(row.frame, x(row), box.bottom + 18);
        }
      }
      text(by === "rail" ? "rail, mm" : "frame", (box.left + box.right) / 2, height - 6, "middle", "d-soft");
      text("break", 8, 16, "start", "d-head");
      // the other measure along the top
      let clear = -1e9;
      for (const row of spread(rows, 20)) {
        if (x(row) - clear < 54) continue;
        clear = x(row);
        line(clear, box.top - 4, clear, box.top, "d-axis");
        text(by === "rail" ? row.frame : row.rail_mm.toFixed(0) + " mm", clear, box.top - 8, "middle", "d-soft");
      }
      line(box.left, box.top, box.right, box.top, "d-grid");
      line(box.left, box.bottom, box.right, box.bottom, "d-axis");
      const marks = (data.marks || []).filter((m) => rowOf(m.frame)).sort((a, b) => a.frame - b.frame);
      // words beside their lines as long as they fit: pushed to the right, then back from the edge
      const wide = marks.map((m) => m.name.length * 8), places = marks.map((m) => x(rowOf(m.frame)) + 5);
      for (let i = 1; i < marks.length; i++) places[i] = Math.max(places[i], places[i - 1] + wide[i - 1] + 10);
      for (let i = marks.length - 1, edge = width - 4; i >= 0; i--) {
        places[i] = Math.min(places[i], edge - wide[i]);
        edge = places[i] - 10;
      }
      marks.forEach((mark, i) => {
        const mx = x(rowOf(mark.frame));
        line(mx, 22, mx, box.bottom, "d-markline");
        text(mark.name, places[i], 16, "start", "d-head d-halo");
      });
      const held = data.held && data.held.map(rowOf);
      if (held && held[0] && held[1]) line(x(held[0]), box.bottom, Math.max(x(held[1]), x(held[0]) + 2), box.bottom, "d-held");
      for (const run of runs(rows)) add(el("path", { class: "d-curve" + (run.broken ? " broken" : ""), d: path(run.points) }));
      const seen = rows.filter((row) => row.found_pct != null);
      if (seen.length > 1) {
        add(el("path", { class: "d-found", d: path(seen.map((row) => [x(row), y(Math.min(row.found_pct, ceiling()))])) }));
        // the words stand where the line is lowest and leaves room above itself
        text("found by then", x(seen[0]) + 6, y(seen[0].found_pct) - 8, "start", "d-head d-halo");
      }
      if (slides.length > 1) {
        // by a scale of its own, on the right
        const fastest = Math.max(...slides.map((row) => row.drift_deg_s));
        const full = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].find((v) => v >= fastest) || fastest;
        const at = (v) => box.bottom - (v / full) * (box.bottom - box.top);
        add(el("path", { class: "d-drift", d: path(slides.map((row) => [x(row), at(row.drift_deg_s)])) }));
        for (const v of [0, full / 2, full]) text(String(Math.round(v * 100) / 100), box.right + 8, at(v) + 4, "start", "d-soft");
        text("slides, deg/s", width - 4, height - 6, "end", "d-soft");
      }
      now = el("g", {}, el("line", { class: "d-now", y1: box.top - 2, y2: box.bottom }), el("circle", { class: "d-now-dot", r: 6 }));
      add(now);
      if (lastFrame != null) update(lastFrame);
    }

    const spread = (rows, count) => rows.filter((_, i) => i % Math.max(1, Math.round(rows.length / count)) === 0);

    function runs(rows) {
      const out = [];
      for (let i = 0; i < rows.length - 1; i++) {
        const a = rows[i], b = rows[i + 1];
        if (shown(a) == null || shown(b) == null) { out.push(null); continue; }
        let pieces = [[[x(a), y(shown(a))], [x(b), y(shown(b))], shown(a) > data.limit_pct]];
        if (shown(a) > data.limit_pct !== shown(b) > data.limit_pct) {
          const t = (data.limit_pct - shown(a)) / (shown(b) - shown(a));
          const m = [x(a) + t * (x(b) - x(a)), y(data.limit_pct)];
          pieces = [[pieces[0][0], m, shown(a) > data.limit_pct], [m, pieces[0][1], shown(b) > data.limit_pct]];
        }
        for (const [p, q, broken] of pieces) {
          const last = out[out.length - 1];
          if (last && last.broken === broken) last.points.push(q);
          else out.push({ points: [p, q], broken });
        }
      }
      return out.filter(Boolean);
    }

    function update(frame) {
      lastFrame = frame;
      const row = rowOf(frame);
      now.setAttribute("visibility", row ? "visible" : "hidden");
      if (!row) return;
      const dot = now.lastChild;
      now.setAttribute("transform", `translate(${f(x(row))} 0)`);
      dot.setAttribute("cy", f(shown(row) == null ? box.bottom : y(shown(row))));
    }

    function frameAt(event) {
      const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      let best = data.rows[0];
      for (const row of data.rows) if (Math.abs(x(row) - point.x) < Math.abs(x(best) - point.x)) best = row;
      return best.frame;
    }

    reset(firstData, by);
    return { update, reset, frameAt, get by() { return by; } };
  }

  // ---- the judged outline over a frame -------------------------------------------------------------------------
  const dashes = (kind, longer = 0) => {
    const tell = TELLS.find((t) => t.word === kind) || TELLS[TELLS.length - 1];
    return `${tell.dash[0] + longer} ${tell.dash[1] - longer}`;
  };

  function tells(svg, lines, size_px) {
    svg.setAttribute("viewBox", `0 0 ${size_px[0]} ${size_px[1]}`);
    svg.setAttribute("preserveAspectRatio", "none");
    const byKind = new Map();
    for (const [kind, flat] of lines) {
      let d = "";
      for (let i = 0; i < flat.length; i += 2) d += (i ? "L" : "M") + flat[i] + " " + flat[i + 1];
      byKind.set(kind, (byKind.get(kind) || "") + d);
    }
    const nodes = [], hidden = byKind.get("hidden");
    if (hidden) for (const name of ["t-rim", "t-hidden"]) nodes.push(el("path", { class: "t-line " + name, d: hidden }));
    for (const [name, longer] of [["t-ink", 1.6], ["t-white", 0.9], ["", 0]]) {
      for (const [kind, d] of byKind) {
        if (kind === "hidden") continue;
        nodes.push(el("path", { class: "t-line " + (name || "t-" + kind), "data-kind": kind, d,
          "stroke-dasharray": dashes(kind, longer), "stroke-dashoffset": longer / 2 }));
      }
    }
    svg.replaceChildren(...nodes);
  }

  function tellKey(kinds) {
    const key = document.createElement("ul");
    key.className = "tell-key";
    for (const { word: kind, meaning } of TELLS) {
      if (!kinds.includes(kind)) continue;
      // long enough for the gap after the longest dash
      const tell = TELLS.find((t) => t.word === kind), wide = Math.max(54, Math.ceil(1.4 * tell.dash[0] + tell.dash[1]) + 4);
      const svg = el("svg", { width: wide, height: 12, viewBox: `0 0 ${wide} 12`, "aria-hidden": "true" },
        el("path", { class: "t-line t-" + kind, d: `M2 6H${wide - 2}`, "stroke-dasharray": kind === "hidden" ? null : dashes(kind) }));
      const item = document.createElement("li");
      item.title = meaning;
      item.append(svg, kind);
      key.append(item);
    }
    return key;
  }

  // ---- a drawing laid larger, in a box of its own that scrolls --------------------------------------------------
  const TIMES = 2.5;
  function larger(svg, redraw) {
    const box = document.createElement("div"), button = document.createElement("button"), holder = document.createElement("div");
    let times = 1;
    holder.className = "enlarged";
    box.className = "enlarged-box";
    button.type = "button";
    svg.replaceWith(holder);
    box.append(svg);
    holder.append(box, button);
    function lay(next) {
      times = next;
      svg.style.width = times === 1 ? "" : 100 * times + "%";
      button.textContent = times === 1 ? "larger" : "whole";
      const name = svg.getAttribute("aria-label") || "drawing";
      button.setAttribute("aria-label", `${button.textContent}: ${name}`);
      for (const [key, value] of [["tabindex", "0"], ["role", "region"], ["aria-label", `${name}, larger`]]) {
        if (times === 1) box.removeAttribute(key); else box.setAttribute(key, value);
      }
    }
    button.addEventListener("click", () => {
      lay(times === 1 ? TIMES : 1);
      redraw(times);
      box.scrollTo((box.scrollWidth - box.clientWidth) / 2, (box.scrollHeight - box.clientHeight) / 2);
    });
    lay(1);
    return { again: () => redraw(times), usual: () => lay(1) };
  }

  return { view, curve, larger, tells, tellKey, TELLS, verdict, shown, pct, mm, inches, both };
})();
