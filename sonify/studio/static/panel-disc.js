// The panel of the disc: its message, its code, its layout and its sizes.

import { settings } from "./settings.js";
import { discOf } from "./panel-music.js";
import { put } from "./store.js";
import { plural } from "./text.js";
import { area, chooser, fold, h, labelled } from "./view.js";

/** From now on the disc is not one that ships. */
export function own(d) {
  if (d.shipped !== null) d.name = "my-disc";
  d.shipped = null;
}

/** Write a message. Over a disc that ships, or one without a message, this makes a new disc, of the
 * smallest size that holds it. */
export function setMessage(store, text) {
  store.change("message", (d) => {
    if (d.shipped !== null || d.disc.bits) {
      for (const key of Object.keys(d.disc)) if (key !== "code") delete d.disc[key];
      d.fit = {};
    }
    d.disc.message = text;
    own(d);
  }, "message");
}

/** The message: as written, or as the bits spell it. */
export function messageOf(store) {
  const { disc } = store.document;
  return disc.message ?? (store.show?.document === store.document ? store.show.message : null) ?? "";
}

function sizeOf({ message, rows, positions, geometry: { outer, web } }) {
  const letters = [...message ?? ""].length;
  return [letters && plural(letters, "character"), plural(rows * positions, "bit"), `${plural(rows, "row")} of ${positions}`,
    `${(outer * 2).toFixed(0)} mm across`, typeof web === "number" && `thinnest web ${web.toFixed(2)} mm`].filter(Boolean).join(" · ");
}

export function discPanel(room, store, tables, areas) {
  const { sections } = tables;
  const discs = [{ name: "", label: "my own disc" }, ...tables.presets.filter((p) => p.kind === "disc")];

  async function pick(name) {
    if (!name) {
      sync();
      return;
    }
    try {
      const got = await discOf(name);
      store.change("disc", (d) => Object.assign(d, got));
    } catch (e) { store.dispatchEvent(new CustomEvent("wrong", { detail: e })); }
  }
  const edit = (part) => (key, v) => store.change(key, (d) => {
    put(d, `${part}.${key}`, v);
    own(d);
  }, `${part}.${key}`);
  const setSizes = (fitted) => store.change("sizes", (d) => {
    if (fitted) {
      d.fit = {};
      delete d.disc.geometry;
    } else {
      d.fit = null;
      d.disc.layout = { ...d.disc.layout, positions: store.show.positions };
      d.disc.geometry = structuredClone(store.show.geometry.table);
    }
    own(d);
  });

  const sync = area(room, () => {
    const { show, document: { disc, fit, shipped } } = store;
    const part = (name, table = disc[name]) => settings(sections[name], `disc.${name}`, table, edit(`disc.${name}`));
    const fitted = fit !== null && disc.message !== undefined;
    const size = (value, label) => h("label.pill", {}, h("input", { type: "radio", name: "sizes", value: value ? "fit" : "set",
      checked: fitted === value, disabled: value && disc.message === undefined, onchange: () => setSizes(value) }), h("span", {}, label));
    return [
      h("div.field", { "data-place": "disc.message" }, h("label", { htmlFor: "message" }, "Message"),
        h("textarea", { id: "message", rows: 4, maxLength: 40000, spellcheck: true, value: messageOf(store),
          placeholder: disc.bits ? "These bits spell no message. Type to write one." : "", oninput: (e) => setMessage(store, e.target.value) }),
        h("p.help", {}, "The text on the disc. The holes change as you type.")),
      h("p.fact", { role: "status" }, show && sizeOf(show)),
      labelled("disc-preset", "Disc", chooser("disc-preset", discs, shipped ?? "", pick)),
      h("div.field", {}, h("span.label", {}, "From a file"),
        h("button", { type: "button", onclick: () => areas.open("read") }, "Choose a file to read"),
        h("p.help", {}, "Or drop a file anywhere on the page.")),
      h("div.field", { "data-place": "disc.title" }, h("label", { htmlFor: "title" }, "Title"),
        h("input", { type: "text", id: "title", maxLength: 200, value: disc.title ?? "", oninput: (e) => edit("disc")("title", e.target.value || null) }),
        h("p.help", {}, "Engraved on the drawing, and used in files. Empty: nothing is engraved.")),
      fold("Code", part("code")),
      fold("Rows and positions", settings(sections.layout.filter((f) => !fitted || f.key !== "positions"), "disc.layout", disc.layout, edit("disc.layout"))),
      fold("Sizes",
        h("div.field", {}, h("span.label", {}, "Sizes"),
          h("div.pills", { role: "radiogroup", "aria-label": "Sizes" }, size(true, "fit the message"), size(false, "manual"))),
        show && !show.geometry.given && h("p.help", {}, "The disc gives no sizes; these were calculated."),
        fitted ? settings(sections.fit, "disc.fit", fit, (key, v) => edit("fit")(key, v))
          : part("geometry", disc.geometry ?? show?.geometry.table)),
      show?.geometry.cautions.length > 0 && h("ul.shop", { "aria-label": "Cautions for cutting" },
        show.geometry.cautions.map((c) => h("li", {}, c))),
    ];
  });
  return { sync, setShow: sync };
}
