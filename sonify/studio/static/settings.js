// Controls made from the server's description of a setting, by the type of its value.

import { postJson } from "./api.js";
import { words } from "./text.js";
import { chooser, h, memo, typed } from "./view.js";

/** A value as inline TOML. */
export function inline(value) {
  if (Array.isArray(value)) return `[${value.map(inline).join(", ")}]`;
  if (value && typeof value === "object") {
    return `{ ${Object.entries(value).map(([k, v]) => `${k} = ${inline(v)}`).join(", ")} }`;
  }
  return typeof value === "string" ? JSON.stringify(value) : String(value);
}

const number = (text) => (text.trim() === "" || Number.isNaN(Number(text)) ? null : Number(text));

function decimals(step) {
  const text = String(step);
  return text.includes(".") ? text.length - text.indexOf(".") - 1 : 0;
}

function numberBox({ f, id, value, give }) {
  const [low, high] = f.soft ?? [f.min ?? f.above, f.max ?? f.below];
  const whole = f.kind === "int";
  const step = f.step ?? (whole ? 1 : 0.01);
  const slides = Number.isFinite(low) && Number.isFinite(high) && high - low <= 1e4;
  const clean = (v) => (whole ? Math.round(v) : Number(v.toFixed(Math.max(4, decimals(step)))));
  const text = value === null || value === undefined ? "" : String(clean(value));
  return h("div.numbers", {},
    slides && h("input", { type: "range", min: low, max: high, step, value: value ?? low, "aria-label": f.label,
      "aria-valuetext": `${text || "not set"} ${f.unit ?? ""}`.trim(), oninput: (e) => give(clean(Number(e.target.value)), true) }),
    h("input", {
      type: "number", id, step: whole ? 1 : "any", inputMode: "decimal", min: f.min ?? f.above, max: f.max ?? f.below,
      value: typed(id, text, (now) => number(now) === (value ?? null)), "aria-describedby": f.help && `${id}-help`,
      oninput: (e) => {
        const v = number(e.target.value);
        if (v !== null) give(whole ? Math.round(v) : v, true);
        else if (f.optional && e.target.value.trim() === "") give(undefined, true);
      },
      // text that is not a number is replaced by the last value
      onchange: (e) => { if (number(e.target.value) === null && !f.optional) e.target.value = text; },
    }),
    f.unit && h("span.unit", {}, f.unit));
}

const real = (f, text) => f.choices.find((c) => String(c.name) === text)?.name ?? text;

function choiceBox({ f, id, value, give }) {
  if (f.choices.length > 4) {
    const rows = f.optional ? [{ name: "", label: "not set" }, ...f.choices] : f.choices;
    const told = f.help && { "aria-describedby": `${id}-about ${id}-help` };
    return h("div", {}, chooser(id, rows, value, (v) => give(v === "" ? undefined : real(f, v)), told));
  }
  const now = String(value ?? "");
  const rows = f.optional ? [{ name: "", label: "not set" }, ...f.choices] : f.choices;
  const about = f.choices.find((c) => String(c.name) === now)?.about;
  return h("div.radios", { role: "radiogroup", id, "aria-label": f.label, "aria-describedby": f.help && `${id}-help` },
    h("div.pills", {}, rows.map((c) => h("label.pill", {},
      h("input", { type: "radio", name: id, value: c.name, checked: String(c.name) === now, onchange: () => give(c.name === "" ? undefined : c.name) }),
      h("span", {}, c.label ?? words(c.name))))),
    h("p.about", { hidden: !about }, about));
}

function colourBox({ f, id, value, give }) {
  return h("div.colours", {},
    h("input", { type: "color", "aria-label": `${f.label}, colour picker`, value: /^#[0-9a-f]{6}$/i.test(value) ? value.toLowerCase() : undefined,
      oninput: (e) => give(e.target.value, true) }),
    h("input", { type: "text", id, maxLength: 16, spellcheck: false, autocomplete: "off", value: value ?? "",
      "aria-describedby": f.help && `${id}-help`, onchange: (e) => give(e.target.value.trim()) }));
}

/** Choices to tick; with the control "order", those that are ticked are also put in order, and one stays ticked. */
function ticksBox({ f, id, value, give }) {
  const on = value ?? [];
  const ordered = f.control === "order";
  const names = f.choices.map((c) => c.name);
  const rows = ordered ? [...on, ...names.filter((n) => !on.includes(n))] : names;
  const move = (n, by) => {
    const next = on.filter((x) => x !== n);
    next.splice(on.indexOf(n) + by, 0, n);
    give(next);
  };
  const arrow = (n, by, sign, word) => h("button.icon", { type: "button", "aria-label": `${word}: ${words(n)}`, title: word,
    disabled: !on.includes(n) || !on.includes(rows[rows.indexOf(n) + by]), onclick: () => move(n, by) }, sign);
  return h("div", { id, role: "group", "aria-label": f.label, "aria-describedby": f.help && `${id}-help` }, h("ul.ticks", {}, rows.map((n) => h("li", { key: n },
    h("label.check", {}, h("input", { type: "checkbox", name: id, value: n, checked: on.includes(n),
      disabled: ordered && on.length === 1 && on[0] === n,
      onchange: (e) => give(e.target.checked ? [...on, n] : on.filter((x) => x !== n)) }), words(n)),
    ordered && [arrow(n, -1, "↑", "Earlier"), arrow(n, 1, "↓", "Later")]))));
}

const boolBox = ({ f, id, value, give }) => h("input", { type: "checkbox", id, checked: Boolean(value),
  "aria-describedby": f.help && `${id}-help`, onchange: (e) => give(e.target.checked) });

/** A box for a text that means a value: `read` may refuse it. */
const textBox = (read, show) => ({ f, id, value, give }, view) => {
  const wrong = view.state.wrong;
  return h("div", {},
    h("input", { type: "text", id, spellcheck: false, autocomplete: "off", "aria-invalid": wrong && "true",
      "aria-describedby": f.help && `${id}-help`, value: typed(id, value === null || value === undefined ? "" : show(value)),
      onchange: async (e) => {
        const text = e.target.value.trim();
        try {
          const v = text === "" ? undefined : await read(text, f);
          view.setState({ wrong: null });
          give(v);
        } catch (x) { view.setState({ wrong: x.message }); }
      } }),
    h("p.about", { role: "status" }, wrong));
};

const readList = (text, f) => text.split(/[\s,;]+/).filter(Boolean).map((x) => {
  if (f.item.kind === "text") return x;
  const v = number(x);
  if (v === null) throw new Error(`"${x}" is not a number`);
  return v;
});

const readToml = async (text) => (await postJson("api/value", { text })).value;

const toml = textBox(readToml, inline);
const BOXES = {
  int: numberBox, float: numberBox, choice: choiceBox, bool: boolBox, colour: colourBox,
  text: textBox((text) => text, String),
  mixed: textBox((text) => number(text) ?? text, String),
  list: textBox(readList, (v) => v.join(", ")),
};

const Setting = memo(({ f, place, hidden, value, give }, view) => {
  const box = f.control === "colour" ? colourBox : f.kind === "list" && f.choices ? ticksBox : BOXES[f.kind] ?? toml;
  const group = box === ticksBox || (box === choiceBox && f.choices.length <= 4);
  return h(`div.field.is-${f.kind}`, { "data-place": place, hidden },
    group ? h("span.label", {}, f.label) : h("label", { htmlFor: place }, f.label),
    box({ f, id: place, value: value ?? f.default, give }, view),
    f.help && h("p.help", { id: `${place}-help` }, f.help));
});

/** A labelled control. `give(value, dragging)` is called at every change. */
export const setting = (f, place, value, give, more = {}) => h(Setting, { key: place, f, place, value, give, ...more });

/** Controls for some settings of a section, with the values of a table; `give` gets the key too. */
export const settings = (rows, place, table, give) => rows.filter((f) => f.control !== "skip").map((f) =>
  setting(f, `${place}.${f.key}`, table?.[f.key], (v, dragging) => give(f.key, v, dragging)));
