// Controls made from the server's description of a setting, by the type of its value.

import { chooser, h, uid, words } from "./dom.js";
import { postJson } from "./api.js";

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

function numberField(f, id, give) {
  const [low, high] = f.soft ?? [f.min ?? f.above, f.max ?? f.below];
  const step = f.step ?? (f.kind === "int" ? 1 : 0.01);
  const slides = Number.isFinite(low) && Number.isFinite(high) && high - low <= 1e4;
  const box = h("input", {
    type: "number", id, step: f.kind === "int" ? 1 : "any", inputMode: "decimal",
    min: f.min ?? f.above, max: f.max ?? f.below,
  });
  const slide = slides
    ? h("input", { type: "range", min: low, max: high, step, "aria-label": f.label })
    : null;
  const clean = (v) => (f.kind === "int" ? Math.round(v) : Number(v.toFixed(Math.max(4, decimals(step)))));
  slide?.addEventListener("input", () => {
    const v = clean(Number(slide.value));
    box.value = v;
    slide.setAttribute("aria-valuetext", `${v} ${f.unit ?? ""}`.trim());
    give(v, true);
  });
  box.addEventListener("input", () => {
    const v = number(box.value);
    if (v === null && !(f.optional && box.value.trim() === "")) return;
    if (slide && v !== null) slide.value = v;
    give(v === null ? undefined : f.kind === "int" ? Math.round(v) : v, true);
  });
  let last = null;
  // text that is not a number is replaced by the last value
  box.addEventListener("change", () => { if (number(box.value) === null && !f.optional) box.value = last; });
  const unit = f.unit ? h("span.unit", {}, f.unit) : null;
  return {
    element: h("div.numbers", {}, slide, box, unit),
    control: box,
    sync(v) {
      const shown = v ?? f.default;
      last = shown;
      if (document.activeElement !== box || number(box.value) !== shown) {
        box.value = shown === null || shown === undefined ? "" : clean(shown);
      }
      if (slide) {
        slide.value = shown ?? low;
        slide.setAttribute("aria-valuetext", `${shown ?? "not set"} ${f.unit ?? ""}`.trim());
      }
    },
  };
}

function choiceField(f, id, give) {
  if (f.choices.length > 4) {
    const rows = f.optional ? [{ name: "", label: "not set" }, ...f.choices] : f.choices;
    const c = chooser(rows, f.default, (v) => give(v === "" ? undefined : real(f, v)), { id });
    return { element: h("div", {}, c.select, c.about), control: c.select, sync: (v) => c.sync(v ?? f.default) };
  }
  const name = uid("radio");
  const about = h("p.about", {});
  const inputs = f.choices.map((c) => {
    const input = h("input", { type: "radio", name, id: uid("r"), value: c.name });
    input.addEventListener("change", () => { sync(input.value); give(real(f, input.value)); });
    return input;
  });
  const sync = (v) => {
    const now = String(v ?? f.default);
    for (const i of inputs) i.checked = i.value === now;
    about.textContent = f.choices.find((c) => String(c.name) === now)?.about ?? "";
    about.hidden = !about.textContent;
  };
  const element = h("div.radios", { role: "radiogroup", id, "aria-label": f.label },
    h("div.pills", {}, f.choices.map((c, k) => h("label.pill", {}, inputs[k], h("span", {}, words(c.name))))),
    about);
  return { element, control: element, sync, group: true };
}

const real = (f, text) => f.choices.find((c) => String(c.name) === text)?.name ?? text;

function colourField(f, id, give) {
  const pick = h("input", { type: "color", "aria-label": `${f.label}, colour picker` });
  const box = h("input", { type: "text", id, maxLength: 16, spellcheck: false, autocomplete: "off" });
  pick.addEventListener("input", () => { box.value = pick.value; give(pick.value, true); });
  box.addEventListener("change", () => give(box.value.trim()));
  return {
    element: h("div.colours", {}, pick, box),
    control: box,
    sync(v) {
      const shown = v ?? f.default ?? "";
      box.value = shown;
      if (/^#[0-9a-f]{6}$/i.test(shown)) pick.value = shown.toLowerCase();
    },
  };
}

function boolField(f, id, give) {
  const box = h("input", { type: "checkbox", id });
  box.addEventListener("change", () => give(box.checked));
  return { element: box, control: box, sync: (v) => { box.checked = Boolean(v ?? f.default); } };
}

function textField(f, id, give, read, show) {
  const box = h("input", { type: "text", id, spellcheck: false, autocomplete: "off" });
  const said = h("p.about", { role: "status" });
  box.addEventListener("change", async () => {
    box.removeAttribute("aria-invalid");
    said.textContent = "";
    try {
      give(box.value.trim() === "" ? undefined : await read(box.value.trim()));
    } catch (e) {
      box.setAttribute("aria-invalid", "true");
      said.textContent = e.message;
    }
  });
  return {
    element: h("div", {}, box, said),
    control: box,
    sync(v) {
      if (document.activeElement === box) return;
      const shown = v ?? f.default;
      box.value = shown === null || shown === undefined ? "" : show(shown);
    },
  };
}

function readList(f) {
  return (text) => text.split(/[\s,;]+/).filter(Boolean).map((x) => {
    if (f.item.kind === "text") return x;
    const v = number(x);
    if (v === null) throw new Error(`"${x}" is not a number`);
    return v;
  });
}

async function readToml(text) {
  return (await postJson("api/value", { text })).value;
}

const KINDS = {
  int: numberField,
  float: numberField,
  choice: choiceField,
  colour: colourField,
  bool: boolField,
  text: (f, id, give) => textField(f, id, give, (t) => t, String),
  mixed: (f, id, give) => textField(f, id, give, (t) => number(t) ?? t, String),
  list: (f, id, give) => textField(f, id, give, readList(f), (v) => v.join(", ")),
  toml: (f, id, give) => textField(f, id, give, readToml, inline),
};

/** A labelled control. `give(value, dragging)` is called at every change. */
export function field(f, place, give) {
  const id = uid(f.key);
  const kind = f.control === "colour" ? colourField : KINDS[f.kind] ?? KINDS.toml;
  const made = kind(f, id, give);
  const help = f.help ? h("p.help", { id: uid("help") }, f.help) : null;
  if (help) made.control.setAttribute("aria-describedby", help.id);
  const label = made.group ? h("span.label", {}, f.label) : h("label", { htmlFor: id }, f.label);
  const element = h(`div.field.is-${f.kind}`, { "data-place": place }, label, made.element, help);
  return { element, sync: made.sync, key: f.key };
}

/** Controls for some settings of a section; `sync(table)` shows a section's values. */
export function fields(rows, place, give) {
  const made = rows.map((f) => field(f, `${place}.${f.key}`, (v, dragging) => give(f.key, v, dragging)));
  return {
    elements: made.map((m) => m.element),
    sync(table) {
      for (const m of made) m.sync(table?.[m.key]);
    },
  };
}
