/* The blind test of the report: clips of the shot with the bridge and without it, some turned left to right, in an order
   that nobody knows; the viewer clicks where it is seen, or says that nothing is. One plain script that makes one name,
   `Blind`; it needs film.js.

   Blind.open(film, data)        data: {rate, scene, last: frames of a clip, places: [[x, y, ...] px a frame], size_px,
                                 tolerance_px}; needs the elements of report.html whose ids begin with "blind-"

   What a clip is stands in this script's memory alone until the viewer has answered them all: the same canvas, the same
   stream and the same clock serve both kinds. The order comes from the browser's cryptographic generator. */
"use strict";

const Blind = (() => {
  const CLIPS = 6;
  const HEADER = ["viewer", "scene", "clip", "truth", "mirrored", "click", "right", "seconds"];

  function coins(count) {
    return [...crypto.getRandomValues(new Uint8Array(count))].map((v) => v % 2 === 1);
  }
  // each clip by a coin of its own; a set without either kind would teach nothing
  function order() {
    for (;;) {
      const truth = coins(CLIPS);
      if (truth.includes(true) && truth.includes(false)) return truth.map((is, k) => ({ is, k }));
    }
  }

  function inside(x, y, flat) {
    let is = false;
    for (let i = 0, j = flat.length - 2; i < flat.length; j = i, i += 2) {
      const [ax, ay, bx, by] = [flat[i], flat[i + 1], flat[j], flat[j + 1]];
      if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) is = !is;
    }
    return is;
  }
  function near(x, y, flat, far) {
    for (let i = 0, j = flat.length - 2; i < flat.length; j = i, i += 2) {
      const [ax, ay, bx, by] = [flat[j], flat[j + 1], flat[i], flat[i + 1]], run = (bx - ax) ** 2 + (by - ay) ** 2;
      const t = run ? Math.min(1, Math.max(0, ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / run)) : 0;
      if (Math.hypot(x - ax - t * (bx - ax), y - ay - t * (by - ay)) <= far) return true;
    }
    return false;
  }

  function open(film, data) {
    const get = (id) => document.getElementById("blind-" + id);
    const dialog = get("dialog"), canvas = get("lens"), pen = canvas.getContext("2d", { alpha: false, willReadFrequently: true });
    const label = get("label"), answers = [], viewers = [];
    let clips = [], at = 0, given = [], began = null, shown = -1, run = 0;

    const say = (id, text) => { get(id).textContent = text; };
    const state = (name) => { dialog.dataset.state = name; };

    function blank() {
      pen.fillStyle = "#808080";
      pen.fillRect(0, 0, canvas.width, canvas.height);
    }

    get("form").addEventListener("submit", (e) => {
      e.preventDefault();
      const name = label.value.trim();
      const wrong = !/^[\p{L}\p{N} ._-]+$/u.test(name) ? "A label has letters, digits, blanks and . _ - in it."
        : viewers.includes(name) ? `${name} has taken the test already; a viewer counts once.` : "";
      say("fault", wrong);
      label.setAttribute("aria-invalid", String(Boolean(wrong)));
      if (wrong) { label.focus(); return; }
      const sides = coins(CLIPS);
      clips = order().map(({ is, k }) => ({ is, turned: sides[k] }));
      at = 0;
      given = [];
      // what the viewer before was told is not for this one
      get("rows").replaceChildren();
      dialog.showModal();
      prepare();
    });

    function prepare() {
      began = null;
      shown = -1;
      blank();
      canvas.classList.toggle("turned", clips[at].turned);
      say("word", `Clip ${at + 1} of ${CLIPS}. It runs once, ${(data.last / data.rate).toFixed(1)} s. Click where you see the bridge, as soon as you do; or say that there is none.`);
      state("ready");
      get("go").focus();
    }

    get("go").addEventListener("click", async () => {
      const own = ++run;
      state("waiting");
      for (const i of [0, Math.min(film.group, data.last - 1)]) await film.ready(i);
      if (own !== run || !dialog.open) return;
      state("running");
      const without = !clips[at].is;
      requestAnimationFrame(function tick(time) {
        if (own !== run || !dialog.open) return;
        if (began == null) began = time;
        const i = Math.floor(((time - began) / 1000) * data.rate);
        if (i >= data.last) { blank(); state("over"); return; }
        film.want(i, { running: true, without });
        if (film.draw(pen, i, without)) shown = i;
        requestAnimationFrame(tick);
      });
    });

    // the place in the frame as it was shot, px
    function place(e) {
      const box = canvas.getBoundingClientRect(), share = (e.clientX - box.left) / box.width;
      return [(clips[at].turned ? 1 - share : share) * data.size_px[0], ((e.clientY - box.top) / box.height) * data.size_px[1]];
    }
    canvas.addEventListener("pointerdown", (e) => {
      if (began == null || e.button !== 0) return;
      answer(place(e));
    });
    get("nothing").addEventListener("click", () => { if (began != null) answer(null); });

    function answer(point) {
      const seconds = (performance.now() - began) / 1000, clip = clips[at], flat = data.places[Math.max(shown, 0)];
      const hit = point && (inside(...point, flat) || near(...point, flat, data.tolerance_px));
      run++;
      given.push({ clip, point, seconds, right: clip.is ? Boolean(hit) : !point });
      at++;
      if (at < CLIPS) prepare(); else finish();
    }

    function finish() {
      const name = label.value.trim();
      viewers.push(name);
      given.forEach(({ clip, point, seconds, right }, k) => answers.push([name, data.scene, k + 1, clip.is ? "with" : "without",
        clip.turned ? "yes" : "no", point ? point.map((v) => v.toFixed(0)).join(" ") : "nothing", right ? "yes" : "no", seconds.toFixed(2)]));
      get("rows").replaceChildren(...given.map(({ clip, point, seconds, right }, k) => {
        const row = document.createElement("tr");
        for (const text of [k + 1, clip.is ? "was there" : "was not there", point ? "clicked" : "nothing", right ? "right" : "wrong", `${seconds.toFixed(1)} s`]) {
          const cell = document.createElement("td");
          cell.textContent = text;
          row.append(cell);
        }
        return row;
      }));
      say("word", `${given.filter((g) => g.right).length} of ${CLIPS} right.`);
      label.value = "";
      state("done");
      told();
      get("close").focus();
    }

    // viewers of this visit: found is who clicked on it in the first clip that had it
    function told() {
      const first = viewers.map((name) => answers.find((row) => row[0] === name && row[3] === "with"));
      const found = first.filter((row) => row[6] === "yes"), times = found.map((row) => Number(row[7])).sort((a, b) => a - b);
      const middle = times.length ? (times[(times.length - 1) >> 1] + times[times.length >> 1]) / 2 : null;
      say("told", `${found.length} of ${viewers.length} viewers on this page found it in the first clip that had it`
        + `${middle == null ? "" : `, median ${middle.toFixed(1)} s`}.`);
      get("save").disabled = false;
    }

    const field = (value) => (/[",\n]/.test(String(value)) ? `"${String(value).replaceAll('"', '""')}"` : String(value));
    get("save").addEventListener("click", () => {
      const text = [HEADER, ...answers].map((row) => row.map(field).join(",")).join("\n") + "\n";
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
      link.download = `blind-${viewers.map((name) => name.replaceAll(" ", "-")).join("-").slice(0, 60)}.csv`;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    });

    for (const name of ["close", "leave"]) get(name).addEventListener("click", () => dialog.close());
    // a test that is left is none
    dialog.addEventListener("close", () => {
      // told late: the next viewer's may be open by now
      if (dialog.open) return;
      run++;
      began = null;
      get("begin").focus();
    });
  }

  return { open };
})();
