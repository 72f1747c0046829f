// The panel of the disc: its message, its code, its layout and its sizes.

import { chooser, h, uid } from "./dom.js";
import { fields } from "./fields.js";
import { discOf } from "./panel-music.js";

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

export function discPanel(panel, store, tables, areas) {
  const message = h("textarea", { id: "message", rows: 4, maxLength: 40000, spellcheck: true });
  const title = h("input", { type: "text", id: "title", maxLength: 200 });
  const fact = h("p.fact", { role: "status" });
  const discs = tables.presets.filter((p) => p.kind === "disc");
  const pick = chooser([{ name: "", label: "my own disc" }, ...discs], "", async (name) => {
    if (!name) {
      pick.sync(store.document.shipped ?? "");
      return;
    }
    try {
      const got = await discOf(name);
      store.change("disc", (d) => Object.assign(d, got));
    } catch (e) { store.dispatchEvent(new CustomEvent("wrong", { detail: e })); }
  });

  message.addEventListener("input", () => setMessage(store, message.value));
  title.addEventListener("input", () => store.change("title", (d) => {
    if (title.value) d.disc.title = title.value;
    else delete d.disc.title;
    own(d);
  }, "title"));

  const section = (name) => fields(
    tables.sections[name].filter((f) => f.control !== "skip"), `disc.${name}`,
    (key, v) => store.change(key, (d) => {
      d.disc[name] ??= {};
      if (v === undefined) delete d.disc[name][key];
      else d.disc[name][key] = v;
      own(d);
    }, `disc.${name}.${key}`));
  const code = section("code");
  const layout = section("layout");
  const geometry = section("geometry");
  const specs = fields(tables.sections.fit.filter((f) => f.control !== "skip"), "disc.fit",
    (key, v) => store.change(key, (d) => {
      d.fit = { ...d.fit };
      if (v === undefined) delete d.fit[key];
      else d.fit[key] = v;
      own(d);
    }, `fit.${key}`));
  let show = null;
  const kind = uid("sizes");
  const radio = (value, label) => h("input", { type: "radio", name: kind, value, id: uid("r"), onchange: () => {
    store.change("sizes", (d) => {
      if (value === "fit") {
        d.fit = {};
        delete d.disc.geometry;
      } else {
        d.fit = null;
        d.disc.layout = { ...d.disc.layout, positions: show.positions };
        d.disc.geometry = structuredClone(show.geometry.table);
      }
      own(d);
    });
  } });
  const [found, set] = [radio("fit"), radio("set")];
  const sizes = h("div.field", {}, h("span.label", {}, "Sizes"),
    h("div.pills", { role: "radiogroup", "aria-label": "Sizes" },
      h("label.pill", {}, found, h("span", {}, "fit the message")), h("label.pill", {}, set, h("span", {}, "manual"))));
  const byHand = h("div", {}, geometry.elements);
  const byFit = h("div", {}, specs.elements);
  const derived = h("p.help", {});
  const shop = h("ul.shop", { "aria-label": "Cautions for cutting" });

  panel.append(
    h("div.field", { "data-place": "disc.message" }, h("label", { htmlFor: "message" }, "Message"), message,
      h("p.help", {}, "The text on the disc. The holes change as you type.")),
    fact,
    h("div.field", {}, h("label", { htmlFor: pick.select.id }, "Disc"), pick.select, pick.about),
    h("div.field", {}, h("span.label", {}, "From a file"),
      h("button", { type: "button", onclick: () => areas.open("read") }, "Choose a file to read"),
      h("p.help", {}, "Or drop a file anywhere on the page.")),
    h("div.field", { "data-place": "disc.title" }, h("label", { htmlFor: "title" }, "Title"), title,
      h("p.help", {}, "Engraved on the drawing, and used in files. Empty: nothing is engraved.")),
    h("details.more", {}, h("summary", {}, "Code"), h("div.inside", {}, code.elements)),
    h("details.more", {}, h("summary", {}, "Rows and positions"), h("div.inside", {}, layout.elements)),
    h("details.more", {}, h("summary", {}, "Sizes"), h("div.inside", {}, sizes, derived, byFit, byHand)),
    shop,
  );

  return {
    sync() {
      const d = store.document;
      const text = messageOf(store);
      if (document.activeElement !== message || message.value !== text) message.value = text;
      message.placeholder = d.disc.bits ? "These bits spell no message. Type to write one." : "";
      if (document.activeElement !== title || title.value !== (d.disc.title ?? "")) title.value = d.disc.title ?? "";
      pick.sync(d.shipped ?? "");
      code.sync(d.disc.code);
      layout.sync(d.disc.layout);
      specs.sync(d.fit);
      const fitted = d.fit !== null && d.disc.message !== undefined;
      found.checked = fitted;
      found.disabled = d.disc.message === undefined;
      set.checked = !fitted;
      byFit.hidden = !fitted;
      byHand.hidden = fitted;
      const positions = panel.querySelector('[data-place="disc.layout.positions"]');
      positions.hidden = fitted;
      geometry.sync(d.disc.geometry ?? show?.geometry.table);
    },
    setShow(next) {
      show = next;
      if (!store.document.disc.geometry) geometry.sync(show.geometry.table);
      const parts = [];
      const letters = [...show.message ?? ""].length;
      if (letters) parts.push(`${letters.toLocaleString("en")} character${letters === 1 ? "" : "s"}`);
      parts.push(`${(show.rows * show.positions).toLocaleString("en")} bits`,
        `${show.rows} row${show.rows === 1 ? "" : "s"} of ${show.positions}`,
        `${(show.geometry.outer * 2).toFixed(0)} mm across`);
      if (show.geometry.web !== undefined && show.geometry.web !== null) {
        parts.push(`thinnest web ${show.geometry.web.toFixed(2)} mm`);
      }
      fact.textContent = parts.join(" · ");
      if (document.activeElement !== message) message.value = messageOf(store);
      derived.textContent = show.geometry.given ? "" : "The disc gives no sizes; these were calculated.";
      derived.hidden = show.geometry.given;
      shop.replaceChildren(...show.geometry.cautions.map((c) => h("li", {}, c)));
      shop.hidden = !show.geometry.cautions.length;
    },
  };
}
