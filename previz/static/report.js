/* The report of a shoot: one scrubber ties the lens view, the drawings, the curve, the numbers and the set together.
   Reads the two blocks of data in the page; draws with Draw (draw.js); the set in three dimensions with Three. */
"use strict";

(() => {
  const get = (id) => document.getElementById(id);
  const data = JSON.parse(get("data").textContent);
  const pictures = JSON.parse(get("pictures").textContent);
  const first = data.frames[0].frame, last = data.frames[data.frames.length - 1].frame;
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
  const webp = (text) => "data:image/webp;base64," + text;
  const count = data.frames.length;
  let frame = data.start, without = false, kept = false, held = false, running = false;

  // ---- the lens view -------------------------------------------------------------------------------------------
  const canvas = get("lens"), pen = canvas.getContext("2d", { alpha: false });
  const seen = pictures.seen.map(() => null), clean = pictures.patches.map(() => null);

  function picture(list, i) {
    const source = list === seen ? pictures.seen[i] : pictures.patches[i] && pictures.patches[i][4];
    if (!source) return null;
    if (!list[i]) {
      const image = new Image();
      list[i] = { image, ready: false };
      image.src = webp(source);
      list[i].whole = image.decode().then(() => { list[i].ready = true; if (data.frames[i].frame === frame) ask(); });
    }
    return list[i];
  }

  function drawLens() {
    const i = frame - first, with_ = picture(seen, i), patch = without ? picture(clean, i) : null;
    if (!with_.ready || (patch && !patch.ready)) return false;
    pen.drawImage(with_.image, 0, 0, canvas.width, canvas.height);
    if (patch) {
      const [x, y, w, h] = pictures.patches[i], k = canvas.width / data.size_px[0];
      pen.drawImage(patch.image, x * k, y * k, w * k, h * k);
    }
    canvas.dataset.frame = frame;
    canvas.dataset.without = without;
    // these say what is drawn: a picture that is not ready yet leaves the one before it, and its words
    get("without-word").hidden = !without;
    const nth = String(frame - first + 1).padStart(String(count).length, "\u2007");
    const seconds = ((frame - first) / data.rate).toFixed(2).padStart((count / data.rate).toFixed(2).length, "\u2007");
    set_("counter", `frame ${frame}, ${nth} of ${count}, ${seconds} s, ${without ? "without" : "with"} the bridge`);
    return true;
  }

  // the rest is fetched from the page's own text while nothing else is to be done
  async function warm() {
    const order = data.frames.map((_, i) => i).sort((a, b) => Math.abs(a - data.start + first) - Math.abs(b - data.start + first));
    for (const i of order) { await picture(seen, i).whole; await (picture(clean, i) || {}).whole; }
    document.documentElement.dataset.warm = "yes";
  }

  const warmed = warm();

  // ---- what moves with the scrubber ----------------------------------------------------------------------------
  // drawn at the width at which they are shown, so that letters keep their size
  const wide = (id, least) => Math.max(least, Math.round(get(id).parentElement.clientWidth / (id === "side" && apart() ? 2 : 1)));
  const apart = () => getComputedStyle(get("drawings")).display === "grid" && getComputedStyle(get("drawings")).gridTemplateColumns.split(" ").length > 1;
  const side = Draw.view(get("side"), "side", data.set, { width: wide("side", 340) });
  const plan = Draw.view(get("plan"), "plan", data.set, { width: wide("side", 340) });
  const curve = Draw.curve(get("curve"), data.curve, { width: wide("curve", 480), height: 270 });
  let shownWide = document.documentElement.clientWidth;
  window.addEventListener("resize", () => {
    if (document.documentElement.clientWidth === shownWide) return;
    shownWide = document.documentElement.clientWidth;
    for (const view of [side, plan]) view.reset(data.set, wide("side", 340));
    curve.reset(data.curve, curve.by, wide("curve", 480));
  });
  // on paper the letters of the drawings are to be as large as those beside them
  window.addEventListener("beforeprint", () => {
    for (const view of [side, plan]) view.reset(data.set, 420);
    curve.reset(data.curve, curve.by, 860);
  });
  window.addEventListener("afterprint", () => {
    for (const view of [side, plan]) view.reset(data.set, wide("side", 340));
    curve.reset(data.curve, curve.by, wide("curve", 480));
  });
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
    drawLens();
    // a viewer of the film sees no outline
    const outline = get("tells"), wanted = get("show-tells").checked && !without && !running;
    outline.toggleAttribute("hidden", !wanted);
    outline.style.display = wanted ? "" : "none";
    if (wanted) Draw.tells(outline, row.lines, data.size_px);
    get("frame").value = String(frame);
    // the running film's picture goes first: all that stands beside it follows five times a second, and at rest
    if (!running || performance.now() - followed > 200) follow(row);
    document.documentElement.dataset.frame = frame;
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

  function go(to) {
    const next = Math.max(first, Math.min(last, to));
    if (next === frame) return;
    frame = next;
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

  // held down it is the other way round from what is ticked
  function bridge(away) {
    held = away;
    if (without === (kept !== held)) return;
    without = !without;
    ask();
  }
  // one press, at the frame that is there; the film runs on
  function flip() {
    kept = !kept;
    get("without").setAttribute("aria-pressed", String(kept));
    bridge(held);
    set_("said", `${without ? "without" : "with"} the bridge`);
  }
  get("without").addEventListener("click", flip);
  const stage = get("stage");
  stage.addEventListener("pointerdown", (e) => {
    if (e.button !== 0) return;
    stage.setPointerCapture(e.pointerId);
    bridge(true);
  });
  for (const name of ["pointerup", "pointercancel"]) stage.addEventListener(name, () => bridge(false));
  // a long press must not open a menu over the picture
  stage.addEventListener("contextmenu", (e) => { if (held) e.preventDefault(); });

  // The film, at the pace that is asked for by the clock. It waits until every picture, with the bridge and without, has
  // been made ready, so that a flip shows the same frame; what comes too late all the same is counted and told.
  const pace = get("pace"), loop = get("loop");
  let runs = 0, late = 0;
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
    late = 0;
    get("run").setAttribute("aria-pressed", "true");
    set_("run", "pause");
    await warmed;
    if (!running || own !== runs) return;
    const rate = Number(pace.value), from = frame >= last ? 0 : frame - first, began = performance.now();
    let shown = 0;
    ask();
    requestAnimationFrame(function tick(time) {
      if (!running || own !== runs) return;
      const gone = Math.max(0, Math.floor(((time - began) / 1000) * rate)), over = from + gone >= count && !loop.checked;
      late += Math.max(0, (over ? count - 1 - from : gone) - shown - 1);
      shown = gone;
      go(first + (over ? count - 1 : (from + gone) % count));
      if (over || (from + gone === count - 1 && !loop.checked)) stop(); else requestAnimationFrame(tick);
    });
  }
  // out of sight the browser draws nothing
  document.addEventListener("visibilitychange", () => { if (document.hidden) stop(); });
  pace.addEventListener("change", stop);
  get("run").addEventListener("click", run);

  const help = get("help");
  get("help-open").addEventListener("click", () => help.showModal());

  // keys that belong to what has the focus are left to it
  const typing = (node) => node.matches("select, textarea, input:not([type=range]):not([type=checkbox])");
  window.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || typing(e.target) || help.open) return;
    const inTable = e.target.closest(".scroll"), button = e.target.matches("button, a, summary");
    const step = e.shiftKey ? 10 : 1;
    const does = {
      ArrowLeft: () => go(frame - step), ArrowRight: () => go(frame + step), Home: () => go(first), End: () => go(last),
      t: () => { get("show-tells").checked = !get("show-tells").checked; ask(); }, r: run, f: flip, "?": () => help.showModal(),
      " ": () => bridge(true),
    }[e.key.length === 1 ? e.key.toLowerCase() : e.key];
    if (!does || (inTable && e.key !== "?" && e.key !== " ")) return;
    if (e.key === " " && (button || e.target.matches("input[type=checkbox]"))) return;
    if (!/^[ rf]$/i.test(e.key)) stop();
    does();
    e.preventDefault();
  });
  window.addEventListener("keyup", (e) => { if (e.key === " ") bridge(false); });
  window.addEventListener("blur", () => bridge(false));

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

  // ---- the set in three dimensions -----------------------------------------------------------------------------
  function bytes(text) {
    return Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  }

  function solidSet(canvas3, source) {
    const renderer = new Three.WebGLRenderer({ canvas: canvas3, antialias: true, preserveDrawingBuffer: true });
    renderer.setClearColor(0xfffdf8);
    const scene = new Three.Scene(), camera = new Three.PerspectiveCamera(35, 2, 0.01, 60);
    const controls = new Three.OrbitControls(camera, canvas3);
    controls.enableDamping = false;
    // a wheel that zooms would keep a reader from scrolling past the set
    controls.enableZoom = false;
    let through = false, now = null, waiting = 0, inView = false, stale = true;
    const meshes = [];
    for (const part of source.parts) {
      const shape = new Three.BufferGeometry();
      shape.setAttribute("position", new Three.BufferAttribute(new Float32Array(bytes(part.place)), 3));
      shape.setAttribute("uv", new Three.BufferAttribute(new Float32Array(bytes(part.uv)), 2));
      shape.setIndex(new Three.BufferAttribute(part.wide ? new Uint32Array(bytes(part.face)) : new Uint16Array(bytes(part.face)), 1));
      waiting++;
      const map = new Three.TextureLoader().load(webp(part.picture), () => { waiting--; draw(); });
      map.colorSpace = Three.SRGBColorSpace;
      map.flipY = false;
      map.generateMipmaps = true;
      map.anisotropy = renderer.capabilities.getMaxAnisotropy();
      meshes.push(new Three.Mesh(shape, new Three.MeshBasicMaterial({ map, side: Three.DoubleSide })));
      scene.add(meshes[meshes.length - 1]);
    }
    const line = (points, colour) => {
      const shape = new Three.BufferGeometry().setFromPoints(points.map((p) => new Three.Vector3(...p)));
      const node = new Three.Line(shape, new Three.LineBasicMaterial({ color: colour }));
      scene.add(node);
      return node;
    };
    // the bridge's own edges in chalk, since its paint is there to hide it
    const edges = new Three.LineSegments(new Three.EdgesGeometry(meshes[1].geometry, 40), new Three.LineBasicMaterial({ color: 0x285ca6 }));
    scene.add(edges);
    const guides = [line(source.rail, 0x26242a), line([[0, 0, 0], [0, 0, 1]], 0x285ca6), edges];
    const vector = (p) => new Three.Vector3(...p);

    // nothing is drawn while the set is scrolled out of sight: the lens view must keep the display's rate
    new IntersectionObserver((seen_) => {
      inView = seen_.some((s) => s.isIntersecting);
      if (inView && stale) draw();
    }, { rootMargin: "80px" }).observe(canvas3);

    function draw() {
      const w = canvas3.clientWidth, h = canvas3.clientHeight;
      stale = true;
      canvas3.dataset.drawn = "";
      if (!w || !h || !inView) return;
      stale = false;
      renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
      renderer.setSize(w, h, false);
      // from the lens only its frame is shown, as large as the window lets it be
      const fw = through ? Math.min(w, h * source.aspect) : w, fh = through ? fw / source.aspect : h;
      renderer.setScissorTest(false);
      renderer.clear();
      renderer.setViewport((w - fw) / 2, (h - fh) / 2, fw, fh);
      renderer.setScissor((w - fw) / 2, (h - fh) / 2, fw, fh);
      renderer.setScissorTest(true);
      camera.aspect = fw / fh;
      camera.fov = through ? source.fov_deg : 35;
      camera.updateProjectionMatrix();
      for (const guide of guides) guide.visible = !through;
      renderer.render(scene, camera);
      canvas3.dataset.drawn = waiting ? "" : "yes";
    }

    function moved(next) {
      now = next;
      // the field of view as four lines from the lens to the corners, and round
      const p = vector(next.position), reach = 0.16;
      const [l, r, t, b] = next.field.map((d) => vector(d).normalize().multiplyScalar(reach));
      const f = vector(next.forward).normalize().multiplyScalar(reach);
      const corner = (u, v) => p.clone().add(u).add(v).sub(f);
      const c = [corner(l, t), corner(r, t), corner(r, b), corner(l, b)];
      guides[1].geometry.dispose();
      guides[1].geometry = new Three.BufferGeometry().setFromPoints([p, c[0], c[1], p, c[2], c[3], p, c[3], c[0], c[1], c[2]]);
      if (through) lens();
      draw();
    }
    function lens() {
      const p = vector(now.position);
      camera.position.copy(p);
      controls.target.copy(p).add(vector(now.forward).multiplyScalar(source.reach));
      controls.update();
    }
    function home() {
      // everything that there is, and the lens, in a ball that fits the window
      const low = vector(source.rail[0]), high = low.clone();
      for (const mesh of meshes) {
        mesh.geometry.computeBoundingBox();
        low.min(mesh.geometry.boundingBox.min);
        high.max(mesh.geometry.boundingBox.max);
      }
      const half = (35 * Math.PI) / 360, ratio = Math.min(1, canvas3.clientWidth / canvas3.clientHeight || 1);
      const away = (0.32 * low.distanceTo(high)) / Math.sin(Math.atan(Math.tan(half) * ratio));
      controls.target.copy(low).add(high).multiplyScalar(0.5);
      camera.position.copy(controls.target).add(vector(source.from).normalize().multiplyScalar(away));
      controls.update();
    }
    function own(on) {
      through = on;
      document.querySelector('[data-turn="lens"]').setAttribute("aria-pressed", String(on));
    }
    function turn(name) {
      const arm = camera.position.clone().sub(controls.target), up = new Three.Vector3(0, 1, 0);
      if (name === "lens") { own(!through); if (through) lens(); else home(); draw(); return; }
      if (name === "home") { own(false); home(); draw(); return; }
      own(false);
      if (name === "left" || name === "right") arm.applyAxisAngle(up, name === "left" ? -0.2 : 0.2);
      if (name === "in" || name === "out") arm.multiplyScalar(name === "in" ? 0.8 : 1.25);
      if (name === "up" || name === "down") {
        const across = new Three.Vector3().crossVectors(up, arm).normalize();
        const next = arm.clone().applyAxisAngle(across, name === "up" ? -0.15 : 0.15);
        if (Math.abs(next.clone().normalize().y) < 0.98) arm.copy(next);
      }
      camera.position.copy(controls.target).add(arm);
      controls.update();
      draw();
    }
    // its own keys, while it has the focus
    const keys = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", "+": "in", "=": "in", "-": "out",
      Home: "home" };
    canvas3.addEventListener("keydown", (e) => {
      const name = keys[e.key];
      if (!name || e.ctrlKey || e.metaKey || e.altKey) return;
      turn(name);
      e.preventDefault();
      e.stopPropagation();
    });
    controls.addEventListener("start", () => { if (through) own(false); });
    controls.addEventListener("change", draw);
    new ResizeObserver(draw).observe(canvas3);
    home();
    return { moved, turn, draw };
  }

  try {
    solid = solidSet(get("solid-canvas"), pictures.solid);
    for (const button of document.querySelectorAll("[data-turn]")) button.addEventListener("click", () => solid.turn(button.dataset.turn));
  } catch {
    solid = null;
    get("solid-canvas").hidden = true;
    get("solid-tools").hidden = true;
    get("solid-missing").hidden = false;
  }

  show();
})();
