// Small helpers for making elements.

import { words } from "./text.js";

export { clock, size, words } from "./text.js";

let count = 0;

/** An element: `h("p", { class: "x", onclick: f }, "text", child)`. */
export function h(name, options = {}, ...children) {
  const [tag, ...classes] = name.split(".");
  const e = document.createElement(tag);
  if (classes.length) e.className = classes.join(" ");
  for (const [key, value] of Object.entries(options)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) e.addEventListener(key.slice(2), value);
    else if (key in e && !key.includes("-") && key !== "list") e[key] = value;
    else e.setAttribute(key, value === true ? "" : value);
  }
  e.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return e;
}

const SVG = "http://www.w3.org/2000/svg";

export function svg(tag, attributes = {}, ...children) {
  const e = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
  e.append(...children);
  return e;
}

export const uid = (stem) => `${stem}-${++count}`;

/** A select from `{ name, about }` rows (or groups of them), with a description of the choice. */
export function chooser(rows, value, onchange, options = {}) {
  const about = h("p.about", { id: uid("about") });
  const select = h("select", { id: uid("choose"), ...options, "aria-describedby": about.id });
  const all = new Map();
  const add = (into, row) => {
    all.set(String(row.name), row.about ?? "");
    into.append(h("option", { value: row.name }, row.label ?? words(row.name)));
  };
  for (const row of rows) {
    if (row.group) {
      const group = h("optgroup", { label: row.group });
      row.rows.forEach((r) => add(group, r));
      select.append(group);
    } else add(select, row);
  }
  const sync = (v) => {
    if (v !== undefined && v !== null && !all.has(String(v))) add(select, { name: v });
    select.value = v ?? "";
    about.textContent = all.get(String(v)) ?? "";
    about.hidden = !about.textContent;
  };
  select.addEventListener("change", () => {
    sync(select.value);
    onchange(select.value);
  });
  sync(value);
  return { select, about, sync };
}

/** Save a text as a file. */
export function give(name, text) {
  const url = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
  h("a", { href: url, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}
