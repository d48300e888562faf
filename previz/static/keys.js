/* Keys and gestures, one table for the report of a shoot and for the live bench. One plain script that makes one name,
   `Keys`; it needs nothing.

   Keys.TABLE                 [{act, keys, says}], in the order in which they are listed
   Keys.listen(acts)          hears them wherever the focus is, except while text is typed. `acts` has a function for
                              each act that the page knows: play(), step(by), first(), last(), station(), flip(),
                              outline(), help(), leave(), undo(), redo(). One that gives false leaves the key to the browser.
   Keys.rows(body, acts)      fills a <tbody> with the keys of those acts
   Keys.gestures(node, acts)  on a picture: a press (down and up in one place) calls flip(), a swipe or drag across calls
                              grasp() once and then scrub(share), share of the picture's width since, to the right
                              positive; up and down stays the page's own scrolling

   What has the focus keeps its own keys: arrows, Home and End stay with a slider (but not with one marked
   data-keys="frame", which they move as they move the film), a list, a box of choices, a table that scrolls and a set
   that is turned. The space bar presses a button or box that was reached by Tab; after one that was clicked, which has
   the focus too, it plays. */
"use strict";

const Keys = (() => {
  const TABLE = [
    { act: "play", keys: ["Space"], says: "play the film, stop it" },
    { act: "step", keys: ["\u2190", "\u2192"], says: "one frame back, one on (with Shift: ten)" },
    { act: "first", keys: ["Home", "End"], says: "first frame, last frame" },
    { act: "station", keys: ["S"], says: "to the station frame" },
    { act: "flip", keys: ["B"], says: "without the bridge, with it again, at the same frame" },
    { act: "outline", keys: ["O"], says: "outline of what shows on, off" },
    { act: "undo", keys: ["Ctrl+Z"], says: "undo (with Shift: again)" },
    { act: "help", keys: ["?"], says: "these keys" },
    { act: "leave", keys: ["Esc"], says: "close what is open; put a value back that is being typed" },
  ];
  const ROLES = "[role=application], [role=slider], [role=listbox], [role=tablist], .scroll";
  // px that a finger may stray while it presses
  const STRAY_PX = 8;

  const typed = (node) => node.isContentEditable
    || node.matches("textarea, input:not([type=range], [type=checkbox], [type=radio], [type=button], [type=submit])");
  const ownsArrows = (node) => node.matches("select, input[type=radio], input[type=range]:not([data-keys=frame])")
    || Boolean(node.closest(ROLES));
  const pressed = (node) => node.matches("button, a, summary, select, input[type=checkbox], input[type=radio]");

  // whether what has the focus got it by the Tab key
  let tabbed = false;
  addEventListener("keydown", (e) => { if (e.key === "Tab") tabbed = true; }, true);
  addEventListener("pointerdown", () => { tabbed = false; }, true);

  // the letter on the key where another alphabet is set
  const letter = (e) => (e.key.length > 1 ? e.key
    : /^[\x20-\x7e]$/.test(e.key) ? e.key.toLowerCase() : (/^Key([A-Z])$/.exec(e.code) || ["", ""])[1].toLowerCase());

  function listen(acts) {
    // the space bar presses a button when it comes up again
    let taken = false;
    const does = { " ": "play", Home: "first", End: "last", s: "station", b: "flip", o: "outline", "?": "help" };
    addEventListener("keydown", (e) => {
      const node = e.target instanceof Element ? e.target : document.body, key = letter(e);
      taken = false;
      if (e.isComposing || e.altKey || document.querySelector("dialog[open]")) return;
      const call = (act, ...more) => { if (acts[act] && acts[act](...more) !== false) e.preventDefault(); };
      if (e.ctrlKey || e.metaKey) {
        if (key === "z") call(e.shiftKey ? "redo" : "undo", e);
        return;
      }
      if (key === "Escape") { call("leave", e); return; }
      if (typed(node)) return;
      if (/^(Arrow(Left|Right)|Home|End)$/.test(key) && ownsArrows(node)) return;
      if (key === "ArrowLeft" || key === "ArrowRight") {
        call("step", (key === "ArrowLeft" ? -1 : 1) * (e.shiftKey ? 10 : 1));
        return;
      }
      if (!Object.hasOwn(does, key) || (key === " " && tabbed && pressed(node))) return;
      // a key that is kept down must not make the picture flicker
      if (e.repeat && !/^(Home|End)$/.test(key)) { e.preventDefault(); return; }
      call(does[key]);
      taken = key === " " && e.defaultPrevented;
    });
    addEventListener("keyup", (e) => { if (e.key === " " && taken) e.preventDefault(); taken = false; });
  }

  function rows(body, acts) {
    body.replaceChildren(...TABLE.filter(({ act }) => acts[act]).map(({ keys, says }) => {
      const row = document.createElement("tr"), names = document.createElement("td"), words = document.createElement("td");
      for (const key of keys) {
        const cap = document.createElement("kbd");
        cap.textContent = key;
        names.append(cap, " ");
      }
      words.textContent = says;
      row.append(names, words);
      return row;
    }));
  }

  function gestures(node, acts) {
    let from = null, swiping = false;
    node.addEventListener("pointerdown", (e) => {
      if (e.button !== 0 || !e.isPrimary) return;
      from = { id: e.pointerId, x: e.clientX, y: e.clientY };
      swiping = false;
    });
    node.addEventListener("pointermove", (e) => {
      if (!from || e.pointerId !== from.id) return;
      const [dx, dy] = [e.clientX - from.x, e.clientY - from.y];
      if (!swiping && Math.hypot(dx, dy) > STRAY_PX) {
        if (Math.abs(dx) < Math.abs(dy)) { from = null; return; }
        swiping = true;
        node.setPointerCapture(e.pointerId);
        if (acts.grasp) acts.grasp();
      }
      if (swiping && acts.scrub) acts.scrub(dx / node.clientWidth);
    });
    node.addEventListener("pointerup", (e) => {
      if (from && e.pointerId === from.id && !swiping && acts.flip) acts.flip();
      from = null;
    });
    node.addEventListener("pointercancel", () => { from = null; });
    // a long press must not open a menu over the picture
    node.addEventListener("contextmenu", (e) => { if (from) e.preventDefault(); });
  }

  return { TABLE, listen, rows, gestures };
})();
