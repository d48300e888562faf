/* The live bench. The server holds the scene; this page shows the state it is told and asks for changes. It draws with
   the functions of draw.js. Lengths are in metres unless a name ends in _mm. */
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

  let socket = null, state = null, judged = null, hold = null, views = null, curve = null;
  let drawnSet = "", held = null, wait = 0, closing = false;
  const pictures = { seen: null, clean: null };
  const chosen = [];
  // what the tests read: pictures shown and answers told, by kind
  const shownCount = { coarse: 0, fine: 0, breaks: 0, holds: 0 };
  const count = (kind) => document.body.setAttribute("data-" + kind, shownCount[kind] += 1);

  // ---- the line to the server ----------------------------------------------------------------------------------
  function open() {
    const where = new URL("live", location.href);
    where.protocol = "ws:";
    socket = new WebSocket(where);
    socket.binaryType = "arraybuffer";
    socket.onmessage = (event) => (typeof event.data === "string" ? told(JSON.parse(event.data)) : seen(event.data));
    socket.onopen = () => { wait = 0; };
    socket.onclose = () => {
      if (closing) return;
      say("the bench does not answer; it may have been closed", true);
      wait = Math.min(wait + 1, 10);
      setTimeout(open, wait * 500);
    };
  }
  addEventListener("pagehide", () => { closing = true; });
  const ask = (request) => { if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(request)); };

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
      ask(paced); paced = null;
      pacing = setTimeout(go, PACE);
    };
    go();
  }
  function askNow(request) { moving = false; paced = null; clearTimeout(pacing); pacing = 0; ask(request); }

  function told(news) {
    const by = { state: takeState, break: takeBreak, hold: takeHold, cautions: takeCautions, unseen: takeUnseen,
      refused: (n) => say(n.why, true), done: (n) => say(n.word), rest: () => document.body.setAttribute("data-rest", news.order) };
    if (by[news.is]) by[news.is](news);
  }

  function say(text, refused = false) {
    $("word").textContent = text;
    $("word").classList.toggle("refused", refused);
  }

  // ---- pictures ------------------------------------------------------------------------------------------------
  async function seen(data) {
    const length = new DataView(data).getUint32(0);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 4, length)));
    const bitmap = await createImageBitmap(new Blob([new Uint8Array(data, 4 + length)], { type: "image/jpeg" }));
    const place = head.is === "clean" ? "clean" : "seen";
    // decoding is not in order
    if (pictures[place] && pictures[place].head.order > head.order) return bitmap.close();
    if (pictures[place]) pictures[place].bitmap.close();
    pictures[place] = { head, bitmap };
    if (head.is in shownCount) count(head.is);
    paint();
  }

  function paint() {
    const bare = held === "without" && pictures.clean, picture = bare ? pictures.clean : pictures.seen;
    if (!picture) return;
    const canvas = $("picture"), { bitmap, head } = picture;
    if (canvas.width !== 640) { canvas.width = 640; canvas.height = Math.round((640 * head.high) / head.wide); }
    const pen = canvas.getContext("2d");
    pen.imageSmoothingQuality = "high";
    pen.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
    const coarse = head.is === "coarse";
    $("picture-word").textContent = bare ? "without the bridge" : coarse
      ? `coarse, ${head.soft ? "focus as set" : "all in focus"}${head.old_light ? "; light and shadow of the bridge as it was built" : ""}`
      : "as delivered: focus, shutter, shine";
    canvas.setAttribute("aria-label", `The lens view at frame ${head.frame}${bare ? ", without the bridge" : ""}`);
    $("outline").toggleAttribute("hidden", !$("show-outline").checked || Boolean(bare));
    // an outline of an older place does not lie on this picture
    $("outline").classList.toggle("behind", !judged || judged.order < head.order);
  }

  function without(on) {
    held = on ? "without" : null;
    $("without").setAttribute("aria-pressed", String(on));
    paint();
  }

  // ---- numbers -------------------------------------------------------------------------------------------------
  function takeBreak(news) {
    judged = news;
    count("breaks");
    const word = Draw.verdict(news.break_pct);
    $("verdict").className = "verdict " + word.replace(" ", "-");
    $("verdict-word").textContent = word === "not judged" ? `not judged: ${news.why}` : `${word} at frame ${news.frame}`;
    $("verdict-break").textContent = news.break_pct == null ? "" : `break ${Draw.pct(news.break_pct)}${news.rough ? ", roughly" : ""}`;
    $("facts").textContent = `rail ${news.rail_mm.toFixed(1)} mm   slip ${news.slip_px.toFixed(1)} px`
      + (news.break_pct > 5 && news.tells.length ? `   what tells: ${news.tells.join(", ")}` : "");
    Draw.tells($("outline"), news.outline, [news.wide, news.high]);
    const kinds = [...new Set(news.outline.map((line) => line[0]))];
    $("key").replaceChildren(kinds.length ? Draw.tellKey(kinds) : "");
    $("outline").classList.toggle("behind", Boolean(pictures.seen) && news.order < pictures.seen.head.order);
    fresh();
    drawCamera();
  }

  // what the film holds: a stretch that stands holds for its seconds and for no rail
  const holds = (news) => `${news.hold_s.toFixed(1)} s of film, ${news.hold_mm.toFixed(1)} mm of rail`;

  function takeHold(news) {
    hold = news;
    count("holds");
    const parts = [news.frames
      ? `${news.rough ? "roughly: " : ""}holds for ${holds(news)}, frames ${news.first} to ${news.last}`
      : news.still_s > 0 ? "found before the station point" : "does not hold at the station point"];
    if (news.found_pct != null) parts.push(`found by ${news.found_pct.toFixed(0)} of 100 by the end of the hold asked for`);
    if (news.still_s > news.hold_s + 1e-9) parts.push(`as stills ${news.still_mm.toFixed(1)} mm`);
    if (news.worst_pct != null) parts.push(`worst in the hold asked for ${Draw.pct(news.worst_pct)}`);
    if (news.reveal_pct != null) parts.push(`at the reveal ${Draw.pct(news.reveal_pct)}`);
    $("hold").textContent = parts.join("; ");
    drawCurve();
    fresh();
  }

  function takeUnseen(news) { say(news.why, true); }

  function takeCautions(news) {
    const box = $("cautions");
    box.hidden = !news.cautions.length;
    box.replaceChildren(make("h2", {}, "Cautions"), make("ul", {}, ...news.cautions.map((text) => make("li", {}, text))));
  }

  // a verdict on an older state of the bench is shown as such
  function fresh() {
    // under a moving hand numbers come a little after its pictures
    const old = (news) => !news || !state || news.order < state.order - (moving ? BEHIND : 0);
    $("verdict").classList.toggle("old", old(judged));
    document.body.setAttribute("data-judged", judged ? judged.order : 0);
    $("hold").classList.toggle("old", old(hold));
  }

  function drawCurve() {
    if (!hold || !state || !hold.rows.length) return;
    const data = { rows: hold.rows, hold: state.move.hold, held: hold.frames ? [hold.first, hold.last] : null,
      marks: state.move.marks, limit_pct: 5 };
    if (curve) curve.reset(data);
    else curve = Draw.curve($("curve"), data, { width: 760, height: 236, by: "rail" });
    curve.update(state.frame);
  }

  // ---- the state -----------------------------------------------------------------------------------------------
  function takeState(next) {
    state = next;
    const move = state.move;
    document.title = `${state.title}: bench`;
    $("title").textContent = state.title;
    $("file").textContent = `${state.file}: ${state.unwritten ? "changed by hand, not written yet" : "as it is written"}`;
    for (const [id, value] of [["title", state.title], ["scale", state.scale], ["file", state.file],
      ["engine", state.engine.driver || "-"], ["pages", state.pages]]) $("tb-" + id).textContent = value;
    $("undo").disabled = !state.undo;
    $("redo").disabled = !state.redo;
    $("leave").disabled = !state.changed.length;
    $("write").disabled = !state.unwritten || state.faults.length > 0;
    $("write-as").disabled = state.faults.length > 0;
    $("follows").checked = state.follows;
    $("frame").style.aspectRatio = `${state.size[0]} / ${state.size[1]}`;
    const scrub = $("scrub");
    scrub.min = move.frames[0]; scrub.max = move.frames[1];
    if (document.activeElement !== scrub || !scrub.matches(":active")) scrub.value = move.frame;
    $("frame-number").textContent = move.frame;
    $("set-word").textContent = { building: "building and lighting the set; the old picture stays meanwhile",
      failed: `the set cannot be built: ${state.set.why}`, ready: "" }[state.set.state];
    takeFaults();
    for (const name in state.knobs) showKnob(name, state.knobs[name]);
    drawViews();
    if (curve) { drawCurve(); }
    drawShelf();
    fresh();
    document.body.setAttribute("data-order", state.order);
    document.body.setAttribute("data-set", state.set.state);
  }

  function takeFaults() {
    const box = $("faults"), nodes = [];
    for (const fault of state.faults) {
      nodes.push(make("p", {}, fault.text));
      if (fault.line) {
        nodes.push(make("pre", {}, `${String(fault.line).padStart(4)}  ${fault.source}\n`, " ".repeat(6 + fault.caret), make("b", {}, "^")));
      }
    }
    if (nodes.length) nodes.unshift(make("h2", {}, "The scene has faults; the last good picture stays"));
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
      views = { side: Draw.view($("side"), "side", set, { width: 640 }), plan: Draw.view($("plan"), "plan", set, { width: 640 }) };
      for (const which of ["side", "plan"]) draggable(which);
    } else if (name !== drawnSet) {
      for (const which of ["side", "plan"]) views[which].reset(set);
    }
    drawnSet = name;
    drawCamera();
  }

  function drawCamera() {
    if (!views || !state) return;
    const move = state.move;
    // sight lines of an older place would not meet the camera
    const sight = judged && judged.order === state.order ? judged.sight : [];
    for (const which of ["side", "plan"]) views[which].update({ position: move.position, forward: move.forward, field: move.field, sight });
  }

  function draggable(which) {
    const svg = $(which), view = views[which];
    view.camera.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
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

  // ---- values by hand ------------------------------------------------------------------------------------------
  const STEPS = { length: 0.001, angle: Math.PI / 720, stop: 0.5, frame: 1, number: 0.01 };

  function knobNodes(name, knob) {
    const id = "knob-" + name, row = make("div", { class: "knob", "data-knob": name });
    const field = knob.kind === "choice"
      ? make("select", { id }, ...knob.choices.map((c) => make("option", {}, c)))
      : make("input", { id, type: "text", autocomplete: "off", spellcheck: "false" });
    row.append(make("div", { class: "named" }, make("label", { for: id }, knob.label), field));
    field.addEventListener("change", () => {
      if (field.value !== state.knobs[name].shown) askNow({ do: "turn", values: { [name]: field.value } });
    });
    field.addEventListener("keydown", (event) => {
      const way = { ArrowUp: 1, ArrowDown: -1 }[event.key], value = state.knobs[name].value;
      if (knob.kind === "choice" || !way || value == null) return;
      event.preventDefault();
      askNow({ do: "turn", values: { [name]: value + way * STEPS[knob.kind] * (event.shiftKey ? 10 : 1) } });
    });
    if (knob.kind !== "choice" && knob.kind !== "frame") {
      const slide = make("input", { type: "range", min: knob.low, max: knob.high, step: "any", "aria-label": knob.label });
      slide.addEventListener("input", () => askPaced({ do: "turn", values: { [name]: Number(slide.value) }, still: false }));
      slide.addEventListener("change", () => askNow({ do: "turn", values: { [name]: Number(slide.value) }, still: true }));
      row.append(slide);
    }
    return row;
  }

  function showKnob(name, knob) {
    let row = document.querySelector(`[data-knob="${name}"]`);
    if (!row) {
      const group = document.querySelector(`[data-knobs~="${name}"]`);
      row = knobNodes(name, knob);
      group.insertBefore(row, group.querySelector("p, .wide"));
    }
    const field = $("knob-" + name), slide = row.querySelector("input[type=range]");
    // a value that is being typed is not taken out of the hand, unless it was set from here
    if (document.activeElement !== field || field.dataset.told === field.value) field.value = knob.shown;
    field.dataset.told = knob.shown;
    if (slide && !slide.matches(":active") && knob.value != null) slide.value = knob.value;
    row.classList.toggle("changed", state.changed.includes(name));
  }

  // ---- the shelf -----------------------------------------------------------------------------------------------
  let shelfDrawn = "";
  function drawShelf() {
    const name = JSON.stringify([state.shelf, chosen]);
    if (name === shelfDrawn) return;
    shelfDrawn = name;
    for (const number of [...chosen]) if (!state.shelf.some((c) => c.number === number)) chosen.splice(chosen.indexOf(number), 1);
    $("shelf").replaceChildren(...state.shelf.map((c) => {
      const tick = make("input", { type: "checkbox" });
      tick.checked = chosen.includes(c.number);
      tick.addEventListener("change", () => {
        if (tick.checked) chosen.push(c.number);
        else chosen.splice(chosen.indexOf(c.number), 1);
        if (chosen.length > 2) chosen.shift();
        drawShelf();
      });
      const take = make("button", { type: "button" }, "Back onto the bench");
      take.addEventListener("click", () => askNow({ do: "take", number: c.number }));
      const drop = make("button", { type: "button", "aria-label": `Put ${c.name} away` }, "Put away");
      drop.addEventListener("click", () => askNow({ do: "drop", number: c.number }));
      return make("li", {}, make("img", { src: `kept/${c.number}.jpg`, alt: `Lens view of ${c.name}` }),
        make("p", {}, make("b", {}, c.name)),
        make("p", { class: "small" }, `frame ${c.frame}: break ${Draw.pct(c.break.break_pct)}; holds ${holds(c.hold)}`),
        make("div", { class: "row" }, make("label", {}, tick, "compare"), take, drop));
    }));
    drawPair();
  }

  function drawPair() {
    const pair = chosen.map((n) => state.shelf.find((c) => c.number === n)).filter(Boolean);
    const box = $("pair");
    box.hidden = pair.length !== 2;
    if (box.hidden) return;
    const rows = [["break at its frame", (c) => Draw.pct(c.break.break_pct)], ["holds for", (c) => holds(c.hold)],
      ["found by the end of the hold", (c) => (c.hold.found_pct == null ? "-" : `${c.hold.found_pct.toFixed(0)} of 100`)],
      ["worst in the hold asked for", (c) => Draw.pct(c.hold.worst_pct)], ["at the reveal", (c) => Draw.pct(c.hold.reveal_pct)],
      ...Object.keys(state.knobs).map((name) => [`${groupOf(name)}: ${state.knobs[name].label}`, (c) => c.shown[name] || "-"])];
    const table = make("table", {}, make("thead", {}, make("tr", {}, make("th", {}, ""), ...pair.map((c) => make("th", {}, c.name)))),
      make("tbody", {}, ...rows.map(([label, value]) => {
        const words = pair.map(value);
        return make("tr", words[0] === words[1] ? {} : { class: "other" }, make("td", {}, label), ...words.map((w) => make("td", { class: "num" }, w)));
      })));
    box.replaceChildren(...pair.map((c) => make("figure", {}, make("img", { src: `kept/${c.number}.jpg`, alt: `Lens view of ${c.name}` }),
      make("figcaption", {}, `${c.name}, frame ${c.frame}`))), make("div", { class: "scroll", tabindex: "0" }, table));
  }
  const groupOf = (name) => document.querySelector(`[data-knobs~="${name}"] legend`).textContent.toLowerCase();

  // ---- buttons and keys ----------------------------------------------------------------------------------------
  const go = (frame, still = true) => {
    if (!state) return;
    const [first, last] = state.move.frames, number = Math.min(Math.max(frame, first), last);
    if (still) askNow({ do: "frame", number });
    else askPaced({ do: "frame", number, still: false });
  };
  for (const [id, word] of [["undo", "undo"], ["redo", "redo"], ["leave", "leave"], ["write", "write"]]) {
    $(id).addEventListener("click", () => { say(""); askNow({ do: word }); });
  }
  $("help").addEventListener("click", () => $("keys").showModal());
  $("write-as").addEventListener("click", () => { $("new-name").value = ""; $("naming").showModal(); });
  $("naming-leave").addEventListener("click", () => $("naming").close());
  $("naming-form").addEventListener("submit", (event) => {
    event.preventDefault();
    askNow({ do: "write as", name: $("new-name").value.trim() });
    $("naming").close();
  });
  $("keep-form").addEventListener("submit", (event) => {
    event.preventDefault();
    say("");
    askNow({ do: "keep", name: $("keep-name").value.trim() || `Candidate ${state.shelf.length + 1}` });
  });
  $("follows").addEventListener("change", () => askNow({ do: "paint follows", on: $("follows").checked }));
  $("show-outline").addEventListener("change", paint);
  $("scrub").addEventListener("input", () => { $("frame-number").textContent = $("scrub").value; go(Number($("scrub").value), false); });
  $("scrub").addEventListener("change", () => go(Number($("scrub").value)));
  $("curve").addEventListener("click", (event) => { if (curve) go(curve.frameAt(event)); });
  $("without").addEventListener("pointerdown", () => without(true));
  for (const name of ["pointerup", "pointerleave", "blur"]) $("without").addEventListener(name, () => without(false));
  $("without").addEventListener("keydown", (event) => { if (event.key === " " || event.key === "Enter") without(true); });
  $("without").addEventListener("keyup", () => without(false));

  const typing = () => ["INPUT", "SELECT", "TEXTAREA"].includes(document.activeElement.tagName) && document.activeElement.type !== "checkbox";
  addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]") || !state) return;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
      if (typing() && document.activeElement.type === "text") return;
      event.preventDefault();
      askNow({ do: event.shiftKey ? "redo" : "undo" });
      return;
    }
    if (typing() || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = event.shiftKey ? 10 : 1, move = state.move;
    const keys = { ArrowLeft: () => go(move.frame - step), ArrowRight: () => go(move.frame + step), Home: () => go(move.frames[0]),
      End: () => go(move.frames[1]), s: () => go(move.station), b: () => without(true), "?": () => $("keys").showModal(),
      o: () => { $("show-outline").checked = !$("show-outline").checked; paint(); } };
    const key = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (key) { event.preventDefault(); key(); }
  });
  addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "b") without(false); });
  addEventListener("blur", () => without(false));

  open();
})();
