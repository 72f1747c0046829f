// Views: functions that give elements for a state; Preact draws them.

import { Component, h as element, render } from "./preact.js";
import { words } from "./text.js";

export { Component, render };

/** An element: `h("p.fact", { onclick: f }, "text", child)`; or a view with its properties. */
export function h(name, options, ...children) {
  if (typeof name !== "string" || !name.includes(".")) return element(name, options, ...children);
  const [tag, ...classes] = name.split(".");
  return element(tag, { ...options, class: [...classes, options.class].filter(Boolean).join(" ") }, ...children);
}

/** A view that is drawn again only if a value in its properties changed; functions do not count. */
export const memo = (view) => class extends Component {
  shouldComponentUpdate(next, state) {
    return state !== this.state || Object.keys(next).some((key) => typeof next[key] !== "function" && next[key] !== this.props[key]);
  }

  render(props) { return view(props, this); }
};

const REST_MS = 400; // after the last change, before closed areas are drawn; own choice

const waiting = new Map(); // closed areas that are not up to date, with what draws them
const idle = globalThis.requestIdleCallback ?? setTimeout;
let timer = 0;

/** Bring an area up to date, or all of them. */
export function catchUp(room) {
  for (const [one, draw] of waiting) if (!room || one === room) draw();
}

function spare() {
  const [first] = waiting.keys();
  if (first) catchUp(first);
  if (waiting.size) timer = setTimeout(idle, 0, spare);
}

/** Fill an area with what `make` gives. The result draws it again: at once if the area is open, else
 * when it opens or the browser has time, or by its `draw`. */
export function area(room, make) {
  const title = document.getElementById(room.getAttribute("aria-labelledby")).textContent;
  let busy = false;
  let again = false;
  const draw = () => {
    waiting.delete(room);
    again = busy; // what loses the focus because it is removed may ask for another drawing
    if (busy) return;
    busy = true;
    try {
      render([h("h2.hidden", {}, title), make()], room);
    } finally { busy = false; }
    if (again) draw();
  };
  return Object.assign(() => {
    if (!room.hidden) {
      draw();
      return;
    }
    waiting.set(room, draw);
    clearTimeout(timer);
    timer = setTimeout(idle, REST_MS, spare);
  }, { draw });
}

/** A select of `{ name, about }` rows (or groups of them), and a description of the choice. */
export function chooser(id, rows, value, onchange, options = {}) {
  const all = rows.flatMap((row) => row.rows ?? row);
  const text = String(value ?? "");
  const chosen = all.find((row) => String(row.name) === text);
  const option = (row) => h("option", { key: row.name, value: row.name }, row.label ?? words(row.name));
  return [
    h("select", { id, value: text, "aria-describedby": `${id}-about`, onchange: (e) => onchange(e.target.value), ...options },
      rows.map((row) => (row.group ? h("optgroup", { key: row.group, label: row.group }, row.rows.map(option)) : option(row))),
      text && !chosen && option({ name: text })),
    h("p.about", { id: `${id}-about`, hidden: !chosen?.about }, chosen?.about),
  ];
}

/** For `ref`: puts an element that is not drawn here into the one that is. */
export const mount = (node) => (e) => { if (e && node.parentNode !== e) e.append(node); };

/** What stands in a box: while it has the focus and means the value, as the user typed it. */
export function typed(id, value, same = () => true) {
  const box = document.getElementById(id);
  return box && box === document.activeElement && same(box.value) ? box.value : value;
}

export const labelled = (id, label, ...rest) => h("div.field", {}, h("label", { htmlFor: id }, label), rest);

export const check = (id, label, options) => h("label.check", { htmlFor: id }, h("input", { type: "checkbox", id, ...options }), label);

export const fold = (title, ...inside) => h("details.more", {}, h("summary", {}, title), h("div.inside", {}, inside));

/** Save a text as a file. */
export function give(name, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}
