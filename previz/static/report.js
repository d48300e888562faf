/* The report of a shoot: one scrubber ties the lens view, the drawings, the curve, the numbers and the set together.
   Reads the two blocks of data in the page; draws with Draw (draw.js); the set in three dimensions with Three. */
"use strict";

(() => {
  const get = (id) => document.getElementById(id);
  const data = JSON.parse(get("data").textContent);
  const pictures = JSON.parse(get("pictures").textContent);
  const first = data.frames[0].frame, last = data.frames[data.frames.length - 1].frame;
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
  const count = data.frames.length;
  let frame = data.start, without = false, running = false;

  // ---- the lens view -------------------------------------------------------------------------------------------
  const canvas = get("lens"), pen = canvas.getContext("2d", { alpha: false, willReadFrequently: true });
  const film = Film.open(pictures.film);
  // the texts of the pictures have been read
  get("pictures").remove();

  const want = () => film.want(frame - first, { round: get("loop").checked, running, without });

  function drawLens() {
    want();
    if (!film.draw(pen, frame - first, without)) return false;
    canvas.dataset.frame = frame;
    canvas.dataset.without = without;
    // these say what is drawn: a picture that is not ready yet leaves the one before it, and its words
    get("without-word").hidden = !without;
    const nth = String(frame - first + 1).padStart(String(count).length, "\u2007");
    const seconds = ((frame - first) / data.rate).toFixed(2).padStart((count / data.rate).toFixed(2).length, "\u2007");
    set_("counter", `frame ${frame}, ${nth} of ${count}, ${seconds} s, ${without ? "without" : "with"} the bridge`);
    return true;
  }

  film.heard(() => {
    if (film.trouble) {
      get("trouble").hidden = false;
      set_("trouble", film.trouble);
    }
    if (film.rested || film.trouble) document.documentElement.dataset.warm = "yes";
    if (Number(canvas.dataset.frame) !== frame || canvas.dataset.without !== String(without)) ask();
  });

  // ---- what moves with the scrubber ----------------------------------------------------------------------------
  // drawn at the width at which they are shown, so that letters keep their size
  const wide = (id, least) => Math.max(least, Math.round(get("drawings").clientWidth / (id === "side" && apart() ? 2 : 1)));
  const curveWide = () => Math.max(340, Math.round(get("break").clientWidth));
  const apart = () => getComputedStyle(get("drawings")).display === "grid" && getComputedStyle(get("drawings")).gridTemplateColumns.split(" ").length > 1;
  const side = Draw.view(get("side"), "side", data.set, { width: wide("side", 340) });
  const plan = Draw.view(get("plan"), "plan", data.set, { width: wide("side", 340) });
  const curve = Draw.curve(get("curve"), data.curve, { width: curveWide(), height: 270 });
  const larger = [side, plan].map((view, i) => Draw.larger(get(["side", "plan"][i]), (times) => {
    view.reset(data.set, times * wide("side", 340));
  }));
  function redrawn() {
    for (const one of larger) one.again();
    curve.reset(data.curve, curve.by, curveWide());
  }
  let shownWide = document.documentElement.clientWidth;
  window.addEventListener("resize", () => {
    if (document.documentElement.clientWidth === shownWide) return;
    shownWide = document.documentElement.clientWidth;
    redrawn();
    scrolled();
  });
  // on paper the letters of the drawings are to be as large as those beside them
  window.addEventListener("beforeprint", () => {
    for (const one of larger) one.usual();
    for (const view of [side, plan]) view.reset(data.set, 420);
    curve.reset(data.curve, curve.by, 860);
  });
  window.addEventListener("afterprint", redrawn);
  // what is wider than its place scrolls in itself, by keys too
  function scrolled() {
    for (const box of document.querySelectorAll(".across")) {
      const over = box.scrollWidth > box.clientWidth;
      for (const [name, value] of [["tabindex", "0"], ["role", "region"], ["aria-label", box.dataset.name]]) {
        if (over) box.setAttribute(name, value);
        else box.removeAttribute(name);
      }
    }
  }
  scrolled();
  const rows = new Map([...document.querySelectorAll("#table tr[data-frame]")].map((r) => [Number(r.dataset.frame), r]));
  const table = document.querySelector("#table .scroll");
  let asked = false, followed = 0, marked = null, solid = null, telling = 0, told = false;

  function ask() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(show);
  }

  const set_ = (id, text) => { const node = get(id); if (node.textContent !== text) node.textContent = text; };

  function show() {
    asked = false;
    const row = data.frames[frame - first];
    const there = drawLens();
    if (there) drawn = played;
    // a viewer of the film sees no outline
    const outline = get("tells"), wanted = get("show-tells").checked && !without && !running;
    outline.toggleAttribute("hidden", !wanted);
    outline.style.display = wanted ? "" : "none";
    if (wanted) Draw.tells(outline, row.lines, data.size_px);
    get("frame").value = String(frame);
    // the picture goes first: all that stands beside a running film, or beside one whose picture is still being decoded,
    // follows five times a second, and at rest
    const follows = performance.now() - followed > 200 || (!running && (there || Boolean(film.trouble)));
    if (follows) follow(row);
    if (follows || running) document.documentElement.dataset.frame = frame;
  }

  function follow(row) {
    followed = performance.now();
    side.update(row.now);
    plan.update(row.now);
    curve.update(frame);
    set_("now-frame", String(frame));
    set_("now-rail", Draw.both(row.rail_mm / 1000));
    // a frame in which nothing shows is of no use once the film has given the bridge away
    const still = Draw.verdict(Draw.shown(row)), slid = still === "holds" && row.found_pct > data.curve.limit_pct;
    const word = slid ? "found by now" : still;
    set_("now-word", word);
    const traced = row.trace_pct > 0.05 ? `, trace ${Draw.pct(row.trace_pct)}` : "";
    set_("now-break", row.break_pct == null ? "" : Draw.pct(row.break_pct) + traced);
    get("now-verdict").className = "verdict " + (slid ? "breaks" : still);
    set_("now-why", why(row, word));
    set_("now-mismatch", row.mismatch_de == null ? "-" : row.mismatch_de.toFixed(1));
    set_("now-slip", row.slip_px == null ? "-" : row.slip_px.toFixed(1));
    set_("now-drift", row.drift_deg_s == null ? "-" : row.drift_deg_s.toFixed(2));
    set_("now-found", row.found_pct.toFixed(1));
    set_("now-tells", row.reason || row.tells.join(", ") || "none");
    const slider = get("frame");
    const words = `frame ${frame}, rail ${row.rail_mm.toFixed(1)} mm, ${row.break_pct == null ? "" : `break ${Draw.pct(row.break_pct)}${traced}, `}${word}`;
    slider.setAttribute("aria-valuetext", words);
    // who goes by keys or buttons hears it too, once the hand rests
    clearTimeout(telling);
    if (document.activeElement !== slider && !running && told) telling = setTimeout(() => set_("said", words), 500);
    told = true;
    canvas.setAttribute("aria-label", `View through the lens, frame ${frame}${without ? ", without the bridge" : ""}: ${word}`);
    if (marked) marked.classList.remove("now");
    marked = rows.get(frame);
    if (marked) {
      marked.classList.add("now");
      const top = marked.offsetTop - table.clientHeight / 2;
      if (Math.abs(table.scrollTop - top) > table.clientHeight / 3) table.scrollTop = top;
    }
    if (solid) solid.moved(row.now);
  }

  // why a frame holds beside a line that shows, and what else the word does not say by itself
  function why(row, word) {
    const part = Draw.shown(row), limit = `${data.curve.limit_pct} %`;
    if (word === "not judged") return "This frame has no number; the table says why.";
    if (word === "found by now") return "No single frame gives it away, but who has watched from the start has found it by its sliding.";
    if (word === "breaks") return `More than ${limit} of its outline, or as much of a shadow or reflection of it, is found.`;
    return part < 0.05 ? "Nothing of its outline is found in this frame."
      : `What is drawn as showing is ${Draw.pct(part)} of its outline; a frame holds up to ${limit}.`;
  }

  function go(to) {
    const next = Math.max(first, Math.min(last, to));
    if (next === frame) return;
    frame = next;
    // decoding begins before the display's next beat
    want();
    ask();
  }

  const kinds = [...new Set(data.frames.flatMap((row) => row.lines.map((line) => line[0])))];
  if (kinds.length) get("key").append(Draw.tellKey(kinds));

  // ---- hands ---------------------------------------------------------------------------------------------------
  get("frame").addEventListener("input", (e) => { stop(); go(Number(e.target.value)); });
  for (const button of document.querySelectorAll("[data-step]")) button.addEventListener("click", () => { stop(); go(frame + Number(button.dataset.step)); });
  for (const button of document.querySelectorAll("[data-go]")) button.addEventListener("click", () => { stop(); go(Number(button.dataset.go)); });
  get("show-tells").addEventListener("change", ask);
  let dragging = false;
  get("curve").addEventListener("pointerdown", (e) => { stop(); dragging = true; go(curve.frameAt(e)); });
  get("curve").addEventListener("pointermove", (e) => { if (dragging) go(curve.frameAt(e)); });
  for (const name of ["pointerup", "pointercancel"]) window.addEventListener(name, () => { dragging = false; });
  for (const button of document.querySelectorAll("[data-by]")) button.addEventListener("click", () => {
    curve.reset(data.curve, button.dataset.by);
    showBy();
  });
  // a shot that stands is drawn over its frames, whatever is asked for
  const showBy = () => {
    for (const button of document.querySelectorAll("[data-by]")) button.setAttribute("aria-pressed", String(button.dataset.by === curve.by));
  };
  showBy();
  if (table) table.addEventListener("click", (e) => {
    const row = e.target.closest("tr[data-frame]");
    if (row) { stop(); go(Number(row.dataset.frame)); }
  });

  // one press, at the frame that is there; the film runs on
  function flip() {
    without = !without;
    get("without").setAttribute("aria-pressed", String(without));
    set_("said", `${without ? "without" : "with"} the bridge`);
    ask();
  }
  get("without").addEventListener("click", flip);

  // a finger across the picture goes through all of the film, or through a hundred frames of a longer one
  let grasped = frame;
  Keys.gestures(get("stage"), {
    flip,
    grasp: () => { stop(); grasped = frame; },
    scrub: (share) => go(grasped + Math.round(share * Math.min(count - 1, 100))),
  });

  // The film, at the pace that is asked for by the clock. It waits until the pictures of its first frames are there, with
  // the bridge and without, so that a flip shows the same frame; frames that come too late are counted and told.
  const pace = get("pace"), loop = get("loop");
  let runs = 0, late = 0, played = 0, drawn = 0;
  if (calm.matches) { pace.value = "1"; get("calm-word").hidden = false; }
  function stop() {
    if (!running) return;
    running = false;
    get("run").setAttribute("aria-pressed", "false");
    set_("run", "play the film");
    set_("late-word", late ? ` ${late === 1 ? "1 frame" : late + " frames"} came too late to be shown, last time.` : "");
    ask();
  }
  async function run() {
    if (running) { stop(); return; }
    const own = ++runs;
    running = true;
    late = played = drawn = 0;
    get("run").setAttribute("aria-pressed", "true");
    set_("run", "pause");
    const from = frame >= last ? 0 : frame - first;
    for (const i of [from, Math.min(from + film.group, count - 1)]) await film.ready(i);
    if (!running || own !== runs) return;
    const rate = Number(pace.value), began = performance.now();
    ask();
    requestAnimationFrame(function tick(time) {
      if (!running || own !== runs) return;
      const gone = Math.max(0, Math.floor(((time - began) / 1000) * rate)), over = from + gone >= count && !loop.checked;
      const now = over ? count - 1 - from : gone;
      // frames that were passed by, and the one before where it was never drawn
      if (now > played) late += now - played - 1 + (drawn < played ? 1 : 0);
      played = now;
      go(first + ((from + now) % count));
      if (over || (from + gone === count - 1 && !loop.checked)) stop(); else requestAnimationFrame(tick);
    });
  }
  // out of sight the browser draws nothing
  document.addEventListener("visibilitychange", () => { if (document.hidden) stop(); });
  pace.addEventListener("change", stop);
  get("run").addEventListener("click", run);

  // ---- keys: keys.js has the one table of both pages -----------------------------------------------------------
  const help = get("help");
  const acts = {
    play: run,
    step: (by) => { stop(); go(frame + by); },
    first: () => { stop(); go(first); },
    last: () => { stop(); go(last); },
    flip,
    outline: () => { get("show-tells").checked = !get("show-tells").checked; ask(); },
    help: () => help.showModal(),
  };
  get("help-open").addEventListener("click", acts.help);
  Keys.listen(acts);
  Keys.rows(get("help-keys"), { ...acts, leave: () => help.close() });

  if (data.blind) Blind.open(film, { ...data.blind, rate: data.rate, size_px: data.size_px });

  // ---- tables to copy ------------------------------------------------------------------------------------------
  for (const button of document.querySelectorAll("[data-copy]")) button.addEventListener("click", async () => {
    const source = get(button.dataset.copy);
    const lines = [...source.rows].map((r) => [...r.cells].map((c) => c.textContent.trim().replace(/\s+/g, " ")).join("\t"));
    let done = true;
    try {
      await navigator.clipboard.writeText(lines.join("\n"));
    } catch {
      // where the browser keeps the clipboard shut the table is marked, ready to be copied by hand
      const range = document.createRange();
      range.selectNode(source);
      getSelection().removeAllRanges();
      getSelection().addRange(range);
      done = false;
    }
    clearTimeout(telling);
    get("said").textContent = done ? `${lines.length - 1} rows copied` : "the table is marked; copy it with the browser";
    button.textContent = done ? "copied" : "marked";
    setTimeout(() => { button.textContent = "copy"; }, 1500);
  });

  // ---- the contact sheet ---------------------------------------------------------------------------------------
  const cells = get("cells");
  if (cells) {
    const items = [...cells.children], by = get("sheet-by"), least = get("sheet-least"), most = get("sheet-most");
    const value = (item, name) => (item.dataset[name] === "" || item.dataset[name] == null ? null : Number(item.dataset[name]));
    const arrange = () => {
      const [name, way] = by.value.split(" ");
      const sorted = [...items].sort((a, b) => {
        const x = value(a, name), y = value(b, name);
        if (x == null || y == null) return (x == null) - (y == null);
        return (x - y) * (way === "down" ? -1 : 1) || value(a, "rank") - value(b, "rank");
      });
      let shown = 0;
      for (const item of sorted) {
        const hold_ = value(item, "hold") ?? 0, worst = value(item, "worst");
        const keep = hold_ >= (Number(least.value) || 0) && (most.value === "" || (worst != null && worst <= Number(most.value)));
        item.hidden = !keep;
        shown += keep;
        cells.append(item);
      }
      set_("sheet-count", `${shown} of ${items.length} shown`);
    };
    for (const control of [by, least, most]) control.addEventListener("input", arrange);
    arrange();
  }

  // ---- the set in three dimensions: solid.js ------------------------------------------------------------------
  try {
    solid = Solid.open(get("solid-canvas"), pictures.solid);
    for (const button of document.querySelectorAll("[data-turn]")) button.addEventListener("click", () => solid.turn(button.dataset.turn));
  } catch {
    solid = null;
    get("solid-canvas").hidden = true;
    get("solid-tools").hidden = true;
    get("solid-missing").hidden = false;
  }

  show();
})();
