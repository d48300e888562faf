/* The shelf of the live bench, and two candidates side by side. One plain script that makes one name, `Shelf`; it needs
   draw.js.

   Shelf.make(ask, words) -> shelf   ask(request); words.holds(candidate) says how long one holds
     shelf.take(state)               shows a state's shelf; what has the focus keeps it */
"use strict";

const Shelf = (() => {
  const make_ = (name, attributes = {}, ...children) => {
    const node = document.createElement(name);
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    node.append(...children);
    return node;
  };

  function make(ask, words) {
    const list = document.getElementById("shelf"), box = document.getElementById("pair"), items = new Map();
    let state = null, chosen = [], drawn = "";

    function item(c) {
      const tick = make_("input", { type: "checkbox" });
      tick.addEventListener("change", () => {
        chosen = tick.checked ? [...chosen, c.number].slice(-2) : chosen.filter((n) => n !== c.number);
        for (const [number, one] of items) one.tick.checked = chosen.includes(number);
        pair();
        if (!box.hidden) box.scrollIntoView({ block: "nearest" });
      });
      const take = make_("button", { type: "button" }, "Back onto the bench");
      take.addEventListener("click", () => ask({ do: "take", number: c.number }));
      const drop = make_("button", { type: "button", "aria-label": `Put ${c.name} away` }, "Put away");
      drop.addEventListener("click", () => ask({ do: "drop", number: c.number }));
      const node = make_("li", {}, make_("img", { src: `kept/${c.number}.jpg`, alt: `Lens view of ${c.name}` }),
        make_("p", {}, make_("b", {}, c.name)),
        make_("p", { class: "small" }, `frame ${c.frame}: ${words.shows(c)}; ${words.holds(c)} (${words.judge(c)})`),
        make_("div", { class: "row" }, make_("label", {}, tick, "compare"), take, drop));
      return { node, tick, take, drop };
    }

    function take(next) {
      state = next;
      const numbers = state.shelf.map((c) => c.number);
      for (const [number, one] of [...items]) if (!numbers.includes(number)) {
        // what had the focus goes to the next candidate, or to where one is kept
        if (one.node.contains(document.activeElement)) {
          const near = one.node.nextElementSibling || one.node.previousElementSibling;
          (near ? near.querySelector("button:last-of-type") : document.getElementById("keep-name")).focus();
        }
        one.node.remove();
        items.delete(number);
      }
      for (const c of state.shelf) if (!items.has(c.number)) {
        items.set(c.number, item(c));
        list.append(items.get(c.number).node);
      }
      chosen = chosen.filter((number) => numbers.includes(number));
      for (const one of items.values()) one.tick.disabled = one.take.disabled = one.drop.disabled = false;
      pair();
    }

    // only what differs: the eye has nothing to look for among equal rows
    function pair() {
      const two = chosen.map((n) => state.shelf.find((c) => c.number === n)).filter(Boolean);
      const name = JSON.stringify(two);
      box.hidden = two.length !== 2;
      if (box.hidden || name === drawn) { drawn = box.hidden ? "" : drawn; return; }
      drawn = name;
      const group = (key) => document.querySelector(`[data-knobs~="${key}"] legend`).textContent.toLowerCase();
      const all = [["shows at its frame", words.shows], ["holds", words.holds], ["judged by", words.judge],
        ["found by the end of the hold", words.found], ["worst in the hold asked for", words.worst], ["at the reveal", words.reveal],
        ...Object.keys(state.knobs).map((key) => [`${group(key)}: ${state.knobs[key].label}`, (c) => c.shown[key] || "-"])];
      const rows = all.map(([label, value]) => [label, ...two.map(value)]), other = rows.filter(([, a, b]) => a !== b);
      const table = make_("table", {}, make_("thead", {}, make_("tr", {}, make_("td", {}, ""), ...two.map((c) => make_("th", { scope: "col" }, c.name)))),
        make_("tbody", {}, ...other.map(([label, ...texts]) => make_("tr", {}, make_("th", { scope: "row" }, label),
          ...texts.map((text) => make_("td", { class: "num" }, text))))));
      const same = rows.length - other.length;
      box.replaceChildren(make_("h3", {}, "Side by side"),
        ...two.map((c) => make_("figure", {}, make_("img", { src: `kept/${c.number}.jpg`, alt: `Lens view of ${c.name}` }),
          make_("figcaption", {}, `${c.name}, frame ${c.frame}`))),
        make_("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "What differs" }, table),
        make_("p", { class: "small" }, same === 1 ? "1 other row is the same for both." : `${same} other rows are the same for both.`));
    }

    return { take };
  }

  return { make };
})();
