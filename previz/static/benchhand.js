/* The values that are set by hand on the live bench. One plain script that makes one name, `Hand`.

   Hand.make(asks) -> hand    asks { now(request, told), paced(request) }: told({is: "done" | "refused" | "lost", why})
     hand.take(state)         shows a state: every field has what the scene has, but one that is being typed into
     hand.down()              the line is down: what is being typed is put beside its field
     hand.note(name, text)    a line beside a field; "" takes it away
     hand.undoTyping(node)    whether a value was being typed there, which is put back

   A field is typed into, and set by Enter, or by leaving it (Tab) where it has been changed; Escape puts it back. What
   is refused or lost is said beside the field with what was typed, and the field shows what the scene has. The word stays
   until the field is set anew or the scene has that value: an editor that gives it another does not take it away. */
"use strict";

const Hand = (() => {
  const STEPS = { length: 0.001, angle: Math.PI / 720, stop: 0.5, frame: 1, number: 0.01 };
  // ms after which a value that is not yet set is told as such
  const SLOW = 400;
  const el = (name, attributes = {}, ...children) => {
    const node = document.createElement(name);
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    node.append(...children);
    return node;
  };

  function make(asks) {
    const rows = new Map();
    let state = null;

    function note(name, text, kind = "note") {
      const row = rows.get(name);
      if (!row) return;
      row.said.textContent = text;
      row.said.className = kind;
      row.said.hidden = !text;
      row.field.toggleAttribute("aria-invalid", Boolean(text) && kind === "note");
    }

    function typing(row, on) {
      row.typed = on;
      row.node.toggleAttribute("data-typing", on);
    }

    function put(row) {
      typing(row, false);
      row.field.value = state.knobs[row.name].shown;
    }

    function commit(row) {
      const text = row.field.value.trim(), held = state.knobs[row.name].shown;
      put(row);
      row.lost = "";
      if (text === held) { note(row.name, ""); return; }
      const slow = setTimeout(() => note(row.name, `setting "${text}"`, "doing"), SLOW);
      asks.now({ do: "turn", values: { [row.name]: text } }, (said) => {
        clearTimeout(slow);
        if (said.is === "done") note(row.name, "");
        else if (said.is === "refused") lost(row, text, said.why);
        else lost(row, text);
      });
    }

    // what was typed and is not set; where nothing was answered it was perhaps done all the same, as the next state says
    function lost(row, text, why = "the bench did not answer") {
      row.lost = text;
      note(row.name, why.includes(text) ? why : `"${text}" is not set: ${why}`);
    }

    function build(name, knob) {
      const id = "knob-" + name, said = el("p", { class: "note", id: "note-" + name, role: "status" });
      const field = knob.kind === "choice"
        ? el("select", { id, "aria-describedby": said.id }, ...knob.choices.map((c) => el("option", {}, c)))
        : el("input", { id, type: "text", autocomplete: "off", spellcheck: "false", "aria-describedby": said.id });
      const node = el("div", { class: "knob", "data-knob": name }, el("div", { class: "named" }, el("label", { for: id }, knob.label), field));
      const two = el("p", { class: "two" });
      const row = { name, node, field, said, two, slide: null, typed: false, lost: "", owed: "", value: undefined, aside: "" };
      said.hidden = two.hidden = true;
      field.addEventListener("input", () => typing(row, true));
      // a browser tells of a change as well when a field that was typed into is switched off: it has been put back by then
      field.addEventListener("change", () => { if (row.typed) commit(row); });
      // no change where what is typed is what was there: it is still not being typed any more
      field.addEventListener("blur", () => { if (row.typed) commit(row); });
      field.addEventListener("keydown", (event) => {
        if (event.key === "Enter" && knob.kind !== "choice") { event.preventDefault(); commit(row); return; }
        const way = { ArrowUp: 1, ArrowDown: -1 }[event.key], value = state.knobs[name].value;
        if (knob.kind === "choice" || !way || value == null) return;
        event.preventDefault();
        put(row);
        turnNow(row, value + way * STEPS[knob.kind] * (event.shiftKey ? 10 : 1));
      });
      if (knob.kind !== "choice" && knob.kind !== "frame") {
        const slide = row.slide = el("input", { type: "range", min: knob.low, max: knob.high, step: "any", "aria-label": knob.label, "aria-describedby": said.id });
        slide.addEventListener("input", () => asks.paced({ do: "turn", values: { [name]: Number(slide.value) }, still: false }));
        slide.addEventListener("change", () => turnNow(row, Number(slide.value)));
        // the arrows of a slider take the same steps as those of its field
        slide.addEventListener("keydown", (event) => {
          const way = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1 }[event.key], value = state.knobs[name].value;
          if (!way || value == null || event.ctrlKey || event.metaKey || event.altKey) return;
          event.preventDefault();
          turnNow(row, value + way * STEPS[knob.kind] * (event.shiftKey ? 10 : 1));
        });
        node.append(slide);
      }
      node.append(said, two);
      const group = document.querySelector(`[data-knobs~="${name}"]`);
      group.insertBefore(node, group.querySelector(":scope > p, .wide"));
      rows.set(name, row);
      return row;
    }

    function turnNow(row, value) {
      asks.now({ do: "turn", values: { [row.name]: value }, still: true }, (said) => {
        row.lost = "";
        note(row.name, said.is === "refused" ? said.why : said.is === "lost" ? "not set: the bench did not answer" : "");
      });
    }

    // the file and the hand have set one value each: neither is lost until one is chosen
    function choice(row, aside) {
      const name = JSON.stringify(aside);
      if (name === row.aside) return;
      row.aside = name;
      row.two.hidden = !aside;
      if (!aside) { row.two.replaceChildren(); return; }
      const button = (text, on) => {
        const node = el("button", { type: "button" }, text);
        node.addEventListener("click", () => {
          asks.now({ do: "choose", knob: row.name, on }, (said) => { if (said.is !== "done") note(row.name, said.why || "not chosen: the bench did not answer"); });
          row.field.focus();
        });
        return node;
      };
      row.two.replaceChildren(`The file says ${aside.file}, set here was ${aside.mine}. `,
        button(`Take ${aside.mine}`, true), " ", button(`Keep ${aside.file}`, false));
    }

    function take(next) {
      state = next;
      for (const name in state.knobs) {
        const knob = state.knobs[name], row = rows.get(name) || build(name, knob);
        row.field.disabled = false;
        if (!row.typed && row.field.value !== knob.shown) row.field.value = knob.shown;
        if (row.lost === knob.shown) row.lost = "";
        if (!row.lost && row.value !== undefined && (row.value !== knob.value || row.owed)) note(name, "");
        row.owed = row.lost;
        row.value = knob.value;
        if (row.slide) {
          row.slide.disabled = false;
          if (!row.slide.matches(":active") && knob.value != null) row.slide.value = knob.value;
          row.slide.setAttribute("aria-valuetext", knob.shown || "not set");
        }
        choice(row, knob.aside);
        row.node.classList.toggle("changed", state.changed.includes(name));
      }
    }

    function down() {
      for (const row of rows.values()) {
        const text = row.field.value.trim(), typed = row.typed;
        if (state) put(row);
        if (typed && text !== row.field.value) lost(row, text);
        if (row.slide && row.value != null) row.slide.value = row.value;
      }
    }

    function undoTyping(node) {
      const row = [...rows.values()].find((one) => one.field === node);
      if (!row) return false;
      const was = row.typed;
      put(row);
      if (was) { note(row.name, ""); row.lost = ""; }
      return was;
    }

    return { take, down, note, undoTyping, isField: (node) => [...rows.values()].some((one) => one.field === node) };
  }

  return { make };
})();
