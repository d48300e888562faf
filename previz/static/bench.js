/* The live bench. The server holds the scene; this page shows the state it is told and asks for changes. It draws with
   the functions of draw.js; what is set by hand is in benchhand.js, the words for numbers in benchsaid.js, the shelf in
   benchshelf.js, the keys in keys.js. Lengths are in metres unless a name ends in _mm. */
"use strict";

(() => {
  const $ = (id) => document.getElementById(id);
  const make = (name, attributes = {}, ...children) => {
    const node = document.createElement(name);
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    node.append(...children);
    return node;
  };
  // ms between requests of a moving hand: faster than pictures come
  const PACE = 40;
  // requests, about a second's, that a number may be behind a moving hand before it is shown as an old one
  const BEHIND = 25;
  // ms that an answer may take before the line counts as down, and of silence before the bench is asked whether it is there
  const PATIENCE = 6000, SILENCE = 4000;

  let socket = null, state = null, judged = null, hold = null, full = null, cautions = [], views = null, curve = null;
  let drawnSet = "", flipped = false, tries = 0, closing = false, down = true, focused = null;
  const pictures = { seen: null, clean: null };
  // what the tests read: pictures shown and answers told, by kind
  const shownCount = { coarse: 0, fine: 0, exact: 0, breaks: 0, holds: 0 };
  const count = (kind) => document.body.setAttribute("data-" + kind, shownCount[kind] += 1);

  // ---- the line to the server ----------------------------------------------------------------------------------
  let serial = 0, heard = 0;
  const waiting = new Map();
  const tellWaiting = () => document.body.setAttribute("data-waiting", waiting.size);

  function open() {
    const where = new URL("live", location.href), line = new WebSocket(where.href.replace(/^http/, "ws"));
    socket = line;
    line.binaryType = "arraybuffer";
    line.onmessage = (event) => {
      if (socket !== line) return;
      heard = performance.now();
      if (typeof event.data === "string") told(JSON.parse(event.data));
      else seen(event.data);
    };
    line.onopen = () => { heard = performance.now(); tries = 0; };
    line.onclose = () => { if (socket === line) lost(); };
  }

  // down means down: nothing can be set, and what is shown is shown as old, until the bench answers again by itself
  function lost() {
    if (closing) return;
    const line = socket;
    socket = null;
    if (line) line.close();
    if (!down) focused = document.activeElement;
    if (moving) say("The line went down while something was turned: what it shows now is what is set.", true);
    down = true;
    endMoving();
    hand.down();
    for (const node of document.querySelectorAll("main button:not(#help), main input, main select")) node.disabled = true;
    for (const one of [...waiting.values()]) one.told({ is: "lost" });
    waiting.clear();
    tellWaiting();
    $("line").textContent = "The bench does not answer. Nothing can be set, and what is shown is old; this page goes on by itself when it answers.";
    $("line").hidden = false;
    document.body.setAttribute("data-line", "down");
    numbers();
    tries = Math.min(tries + 1, 10);
    setTimeout(open, tries * 300);
  }

  function up() {
    down = false;
    $("line").hidden = true;
    $("line").textContent = "";
    document.body.setAttribute("data-line", "up");
    for (const node of document.querySelectorAll("main button, main input, main select")) node.disabled = false;
    if (focused && focused.isConnected && document.activeElement === document.body) focused.focus();
    focused = null;
  }
  addEventListener("pagehide", () => { closing = true; });
  // a page that comes back out of the browser's keeping has no line any more
  addEventListener("pageshow", (event) => { if (event.persisted) { closing = false; lost(); } });

  setInterval(() => {
    if (down || !socket) return;
    const now = performance.now(), oldest = Math.min(...[...waiting.values()].map((one) => one.at));
    if (now - oldest > PATIENCE && now - heard > PATIENCE) lost();
    else if (!waiting.size && now - heard > SILENCE) ask({ do: "here" });
  }, 500);

  const usual = (said) => { if (said.is === "refused") say(said.why, true); else if (said.is === "done" && said.word) say(said.word); };
  function ask(request, answered = usual) {
    if (down || !socket || socket.readyState !== WebSocket.OPEN) { answered({ is: "lost" }); return; }
    serial += 1;
    waiting.set(serial, { told: answered, at: performance.now() });
    tellWaiting();
    socket.send(JSON.stringify({ ...request, serial }));
  }
  function answer(news) {
    const one = waiting.get(news.serial);
    waiting.delete(news.serial);
    tellWaiting();
    if (one) one.told(news);
    else if (news.is === "refused" && news.knobs.length) for (const name of news.knobs) hand.note(name, news.why);
    else usual(news);
  }

  // moving: a hand of this page is turning something
  let paced = null, pacing = 0, moving = false;
  // requests of a moving hand: the newest goes out when the last one is old enough
  function askPaced(request) {
    paced = request;
    moving = true;
    if (pacing) return;
    const go = () => {
      pacing = 0;
      if (!paced) return;
      if (!down && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(paced));
      paced = null;
      pacing = setTimeout(go, PACE);
    };
    go();
  }
  function endMoving() { moving = false; paced = null; clearTimeout(pacing); pacing = 0; }
  function askNow(request, answered) { endMoving(); say(""); ask(request, answered); }

  function told(news) {
    if (down) { if (news.is !== "state") return; up(); }
    const by = { state: takeState, break: takeBreak, hold: takeHold, full: takeFull, refused: answer, done: answer,
      cautions: (n) => { cautions = n.cautions; numbers(); }, unseen: (n) => say(n.why, true),
      rest: () => document.body.setAttribute("data-rest", news.order) };
    if (by[news.is]) by[news.is](news);
  }

  function say(text, refused = false) {
    $("word").textContent = text;
    $("word").classList.toggle("refused", refused);
  }

  // ---- pictures ------------------------------------------------------------------------------------------------
  const RANK = { coarse: 0, fine: 1, clean: 1, exact: 2, "exact clean": 2 };
  async function seen(data) {
    const length = new DataView(data).getUint32(0);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 4, length)));
    const bitmap = await createImageBitmap(new Blob([new Uint8Array(data, 4 + length)], { type: "image/jpeg" }));
    const place = head.is.endsWith("clean") ? "clean" : "seen", old = pictures[place] && pictures[place].head;
    // decoding is not in order, and two judges draw: the newest picture counts, and of those the better one
    if (old && (old.order > head.order || (old.order === head.order && RANK[old.is] > RANK[head.is]))) { bitmap.close(); return; }
    if (pictures[place]) pictures[place].bitmap.close();
    pictures[place] = { head, bitmap };
    if (head.is in shownCount) count(head.is);
    paint();
  }

  function paint() {
    const bare = flipped && pictures.clean, picture = bare ? pictures.clean : pictures.seen;
    if (!picture) return;
    const canvas = $("picture"), { bitmap, head } = picture;
    if (canvas.width !== 960) { canvas.width = 960; canvas.height = Math.round((960 * head.high) / head.wide); }
    const pen = canvas.getContext("2d");
    pen.imageSmoothingQuality = "high";
    pen.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
    const paint_ = state && state.solving && RANK[head.is] < 2 ? ", in projected paint" : "";
    $("picture-word").textContent = bare ? "without the bridge" : head.is === "coarse"
      ? `coarse, ${head.soft ? "focus as set" : "all in focus"}${head.old_light ? "; light and shadow of the bridge as it was built" : ""}${paint_}`
      : `as delivered: focus, shutter, shine${paint_}`;
    canvas.setAttribute("aria-label", `The lens view at frame ${head.frame}${bare ? ", without the bridge" : ""}`);
    outline();
  }

  // the outline of the frame in hand, by the judge whose numbers are shown; one of an older place does not lie on it
  function outline() {
    const exact = full && full.about && full.order === (state || {}).order && Said.of(state, full);
    const lines = exact ? full.about.outline : judged ? judged.outline : [], by = exact ? full : judged;
    if (by) Draw.tells($("outline"), lines, [by.wide, by.high]);
    const kinds = [...new Set(lines.map((line) => line[0]))];
    $("key").replaceChildren(kinds.length ? Draw.tellKey(kinds) : "");
    $("outline").toggleAttribute("hidden", !$("show-outline").checked || Boolean(flipped && pictures.clean));
    $("outline").classList.toggle("behind", !by || (pictures.seen !== null && by.order < pictures.seen.head.order));
  }

  function flip() {
    flipped = !flipped;
    $("without").setAttribute("aria-pressed", String(flipped));
    $("without").textContent = flipped ? "With the bridge" : "Without the bridge";
    paint();
  }

  // ---- numbers -------------------------------------------------------------------------------------------------
  function takeBreak(news) { judged = news; count("breaks"); numbers(); drawCamera(); }
  function takeHold(news) { hold = news; count("holds"); numbers(); }
  function takeFull(news) { full = news; numbers(); drawCamera(); }

  function numbers() {
    if (!state) return;
    const said = Said.frame(state, full, judged), row = said.row, shows = row ? Draw.shown(row) : null;
    const word = row ? Draw.verdict(shows) : "not judged";
    $("verdict").className = "verdict " + word.replace(" ", "-");
    $("verdict-word").textContent = !row ? "not judged yet" : word === "not judged" ? `not judged: ${row.why}` : `${word} at frame ${row.frame}`;
    $("verdict-break").textContent = !row || row.break_pct == null ? ""
      : `break ${Draw.pct(row.break_pct)}${row.trace_pct ? `, trace ${Draw.pct(row.trace_pct)}` : ""}${said.kind === "rough" ? ", roughly" : ""}`;
    $("kind").textContent = Said.kind(state, full, judged, down);
    $("facts").textContent = !row ? "" : `rail ${row.rail_mm.toFixed(1)} mm; slip ${row.slip_px.toFixed(1)} px`
      + (row.tells.length && shows > 5 ? `; what tells: ${row.tells.join(", ")}` : "");
    const parts = Said.hold(state, full, hold), known = Said.of(state, full);
    $("hold").replaceChildren(...(parts.length ? [make("b", {}, parts[0]), ["", ...parts.slice(1)].join("; ")] : []));
    const steps = known && known.summary ? known.summary.helps : [];
    $("steps").replaceChildren(...steps.map((text) => make("li", {}, text)));
    $("steps").hidden = !steps.length;
    const warned = known ? known.cautions : cautions, box = $("cautions");
    if (box.dataset.said !== JSON.stringify(warned)) {
      box.dataset.said = JSON.stringify(warned);
      box.hidden = !warned.length;
      box.replaceChildren(make("h2", {}, "Cautions"), make("ul", {}, ...warned.map((text) => make("li", {}, text))));
    }
    outline();
    drawCurve();
    fresh(said.kind, known);
  }

  // a verdict on an older state of the bench is shown as such; so is one of a scene whose file is broken
  function fresh(kind, known) {
    // under a moving hand numbers come a little after its pictures
    const behind = (news) => !news || news.order < state.order - (moving ? BEHIND : 0);
    const wrong = down || state.faults.length > 0;
    $("verdict").classList.toggle("old", wrong || (kind !== "full" && behind(judged)));
    $("hold").classList.toggle("old", wrong || (!(known && known.summary) && behind(hold)));
    document.body.setAttribute("data-judged", judged ? judged.order : 0);
    document.body.setAttribute("data-exact", kind === "full" && full.order === state.order ? full.order : 0);
    document.body.setAttribute("data-full", full && full.summary ? full.order : 0);
  }

  // units across a drawing: on a narrow page as many as there are px, so that its letters can be read
  const wide = (most, id) => Math.min(most, Math.max(340, Math.round($(id).clientWidth) || most));
  addEventListener("resize", () => { if (state) { drawnSet = ""; drawViews(); drawCurve(); } });

  function drawCurve() {
    const rows = Said.rows(state, full, hold);
    if (!rows.length) return;
    const data = { rows, hold: state.move.hold, held: Said.held(state, full, hold), marks: state.move.marks, limit_pct: 5 };
    if (curve) curve.reset(data, "rail", wide(760, "curve"));
    else curve = Draw.curve($("curve"), data, { width: wide(760, "curve"), height: 236, by: "rail" });
    curve.update(state.frame);
  }

  // ---- the state -----------------------------------------------------------------------------------------------
  // what cannot be done just now keeps the focus all the same
  const able = (id, can) => $(id).setAttribute("aria-disabled", String(!can));

  function takeState(next) {
    state = next;
    const move = state.move, scrub = $("scrub");
    document.title = `${state.title}: bench`;
    $("title").textContent = state.title;
    $("file").textContent = `${state.file}: ${state.unwritten ? "changed by hand, not written yet" : "as it is written"}${state.taken_up ? "; taken up where a bench before this one ended" : ""}`;
    for (const [id, value] of [["title", state.title], ["scale", state.scale], ["file", state.file],
      ["engine", state.engine.driver || "-"], ["pages", state.pages]]) $("tb-" + id).textContent = value;
    const sound = !state.faults.length;
    able("undo", state.undo && sound);
    able("redo", state.redo && sound);
    able("leave", state.changed.length && sound);
    able("write", state.unwritten && sound);
    able("write-as", sound);
    $("follows").checked = state.follows;
    $("frame").style.aspectRatio = `${state.size[0]} / ${state.size[1]}`;
    scrub.min = move.frames[0]; scrub.max = move.frames[1];
    if (!scrub.matches(":active")) scrub.value = move.frame;
    scrub.setAttribute("aria-valuetext", `frame ${move.frame}, rail ${move.rail_mm.toFixed(1)} mm`);
    $("frame-number").textContent = move.frame;
    $("set-word").textContent = { building: "building and lighting the set; the old picture stays meanwhile",
      failed: `the set cannot be built: ${state.set.why}`, ready: "" }[state.set.state];
    takeFaults();
    hand.take(state);
    shelf.take(state);
    drawViews();
    numbers();
    document.body.setAttribute("data-order", state.order);
    document.body.setAttribute("data-set", state.set.state);
  }

  function takeFaults() {
    const box = $("faults"), nodes = [];
    for (const fault of state.faults) {
      nodes.push(make("p", {}, fault.text));
      if (fault.line) {
        nodes.push(make("pre", { tabindex: "0" }, `${String(fault.line).padStart(4)}  ${fault.source}\n`, " ".repeat(6 + fault.caret), make("b", {}, "^")));
      }
    }
    if (nodes.length) nodes.unshift(make("h2", {}, "The scene file has faults; the last good picture stays"));
    box.hidden = !nodes.length;
    box.replaceChildren(...nodes);
  }

  // ---- side view and plan --------------------------------------------------------------------------------------
  let extent = null, drag = null;
  function drawViews() {
    const move = state.move, drawing = state.set.drawing || {};
    // what the drawings show stays put under a moving hand
    if (!drag || !extent) extent = { low: move.low, high: move.high };
    const set = { wall_side: [], wall_plan: [], bridge_side: [], bridge_plan: [], lamps: [], ...drawing, ...extent,
      rail_line: move.rail_line, marks: move.marks, dimensions: [] };
    const name = JSON.stringify([extent, move.rail_line, move.marks, state.set.serial]);
    if (!views) {
      views = { side: Draw.view($("side"), "side", set, { width: wide(640, "side") }), plan: Draw.view($("plan"), "plan", set, { width: wide(640, "side") }) };
      for (const which of ["side", "plan"]) draggable(which);
    } else if (name !== drawnSet) {
      for (const which of ["side", "plan"]) views[which].reset(set, wide(640, "side"));
    }
    drawnSet = name;
    drawCamera();
  }

  function drawCamera() {
    if (!views || !state) return;
    const move = state.move;
    // sight lines of an older place would not meet the camera
    const by = full && full.about && full.order === state.order ? full.about : judged && judged.order === state.order ? judged : null;
    const sight = by ? by.sight : [];
    for (const which of ["side", "plan"]) views[which].update({ position: move.position, forward: move.forward, field: move.field, sight });
  }

  function draggable(which) {
    const svg = $(which), view = views[which];
    view.camera.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || down) return;
      event.preventDefault();
      svg.setPointerCapture(event.pointerId);
      svg.classList.add("dragging");
      const knobs = state.knobs;
      drag = { which, from: view.world(event), start: { right: knobs.right.value, up: knobs.up.value, out: knobs.out.value }, values: null };
    });
    svg.addEventListener("pointermove", (event) => {
      if (!drag || drag.which !== which) return;
      const now = view.world(event), start = drag.start;
      drag.values = { out: start.out + now.z - drag.from.z };
      if (which === "side") drag.values.up = start.up + now.y - drag.from.y;
      else drag.values.right = start.right + now.x - drag.from.x;
      askPaced({ do: "turn", values: drag.values, still: false });
    });
    const end = () => {
      if (!drag || drag.which !== which) return;
      svg.classList.remove("dragging");
      const values = drag.values;
      drag = null;
      if (values) askNow({ do: "turn", values, still: true });
    };
    svg.addEventListener("pointerup", end);
    svg.addEventListener("pointercancel", end);
  }

  // ---- buttons and keys ----------------------------------------------------------------------------------------
  const hand = Hand.make({ now: askNow, paced: askPaced });
  const shelf = Shelf.make(askNow, Said.candidate);

  const go = (frame, still = true) => {
    if (!state || down) return;
    const [first, last] = state.move.frames, number = Math.min(Math.max(frame, first), last);
    if (still) askNow({ do: "frame", number });
    else askPaced({ do: "frame", number, still: false });
  };
  for (const word of ["undo", "redo", "leave", "write"]) {
    $(word).addEventListener("click", () => { if ($(word).getAttribute("aria-disabled") !== "true") askNow({ do: word }); });
  }
  $("help").addEventListener("click", () => $("keys").showModal());
  $("write-as").addEventListener("click", () => {
    if ($("write-as").getAttribute("aria-disabled") === "true") return;
    $("new-name").value = "";
    $("naming-said").textContent = "";
    $("naming").showModal();
  });
  $("naming-leave").addEventListener("click", () => $("naming").close());
  // a name that is refused stays to be mended
  $("naming-form").addEventListener("submit", (event) => {
    event.preventDefault();
    askNow({ do: "write as", name: $("new-name").value.trim() }, (said) => {
      if (said.is === "done") { $("naming").close(); usual(said); return; }
      $("naming-said").textContent = said.why || "not written: the bench did not answer";
    });
  });
  $("keep-form").addEventListener("submit", (event) => {
    event.preventDefault();
    if (!state) return;
    const typed = $("keep-name").value.trim();
    askNow({ do: "keep", name: typed || `Candidate ${state.shelf.length + 1}` }, (said) => {
      usual(said);
      if (said.is === "done" && $("keep-name").value.trim() === typed) $("keep-name").value = "";
      if (said.is === "lost") say("not kept: the bench did not answer", true);
    });
  });
  $("follows").addEventListener("change", () => askNow({ do: "paint follows", on: $("follows").checked }));
  $("show-outline").addEventListener("change", outline);
  $("scrub").addEventListener("input", () => { $("frame-number").textContent = $("scrub").value; go(Number($("scrub").value), false); });
  $("scrub").addEventListener("change", () => go(Number($("scrub").value)));
  $("curve").addEventListener("click", (event) => { if (curve) go(curve.frameAt(event)); });
  $("without").addEventListener("click", flip);
  $("play").addEventListener("click", () => play());

  // the move at its own rate, in coarse pictures; a picture that is late is left out
  let running = 0, playing = 0;
  function play(on = !running) {
    cancelAnimationFrame(running);
    const was = running;
    running = 0;
    $("play").setAttribute("aria-pressed", String(on && !down));
    $("play").textContent = on && !down ? "Stop" : "Play";
    if (!on || !state || down) { if (was && state) go(playing); return; }
    const [first, last] = state.move.frames, start = state.move.frame >= last ? first : state.move.frame, began = performance.now();
    const step = (now) => {
      playing = Math.min(start + Math.floor((Math.max(now - began, 0) / 1000) * state.rate), last);
      $("frame-number").textContent = playing;
      go(playing, false);
      if (playing >= last || down) { play(false); return; }
      running = requestAnimationFrame(step);
    };
    running = requestAnimationFrame(step);
  }

  const textField = (node) => node instanceof HTMLInputElement && node.type === "text" && !hand.isField(node);
  const back = (word) => (event) => {
    if (textField(event.target)) return false;
    if (word === "undo" && hand.undoTyping(event.target)) return true;
    askNow({ do: word });
    return true;
  };
  const acts = {
    play: () => play(), step: (by) => go(state.move.frame + by), first: () => go(state.move.frames[0]), last: () => go(state.move.frames[1]),
    station: () => go(state.move.station), flip, outline: () => { $("show-outline").checked = !$("show-outline").checked; outline(); },
    help: () => $("keys").showModal(), undo: back("undo"), redo: back("redo"),
    leave: (event) => { if (running) play(false); else if (!hand.undoTyping(event.target)) return false; return true; },
  };
  for (const name of ["step", "first", "last", "station"]) {
    const act = acts[name];
    acts[name] = (...more) => { if (!state) return false; act(...more); return true; };
  }
  Keys.rows($("key-rows"), acts);
  Keys.listen(acts);
  let grasped = 0, swiped = null;
  Keys.gestures($("frame"), {
    flip, grasp: () => { grasped = state ? state.move.frame : 0; },
    scrub: (share) => {
      if (!state) return;
      swiped = Math.round(grasped + share * (state.move.frames[1] - state.move.frames[0]));
      go(swiped, false);
    },
  });
  for (const name of ["pointerup", "pointercancel"]) {
    $("frame").addEventListener(name, () => { if (swiped !== null) go(swiped); swiped = null; });
  }

  open();
})();
