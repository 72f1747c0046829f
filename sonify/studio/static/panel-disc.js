// The panel of the disc: its message or file, its code, its layout and its sizes.

import { dropFile } from "./api.js";
import { chooser, h, uid } from "./dom.js";
import { fields } from "./fields.js";
import { work } from "./messages.js";
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

export function discPanel(panel, store, tables, tell) {
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
      notes.hidden = true;
    } catch (e) { store.dispatchEvent(new CustomEvent("wrong", { detail: e })); }
  });
  const file = h("input", { type: "file", id: "file", "aria-describedby": "file-help" });
  file.addEventListener("change", () => file.files[0] && read(file.files[0]));

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

  // hints for what a file may not tell
  const hint = (label, help, most) => {
    const box = h("input", { type: "number", id: uid("hint"), min: 1, max: most, step: 1 });
    return { box, element: h("div.field", {}, h("label", { htmlFor: box.id }, label), box, h("p.help", {}, help)) };
  };
  const help = {
    positions: hint("Positions per turn", "For a log, a MIDI recording or a photograph. Empty: detected.", 100000),
    rows: hint("Rows of the disc", "For a MIDI recording. Empty: detected.", 100000),
    "sample-rate": hint("Samples per second", "For a log without a time column.", 10000000),
  };
  const hints = () => Object.fromEntries(Object.entries(help)
    .filter(([, x]) => Number(x.box.value) > 0).map(([key, x]) => [key, Math.round(Number(x.box.value))]));
  const notes = h("ul.shop", { hidden: true, "aria-label": "Cautions of the reader" });
  let reading = null;
  const stop = h("button", { type: "button", hidden: true, onclick: () => reading?.abort() }, "Stop reading");
  async function read(one) {
    reading?.abort();
    const mine = reading = new AbortController();
    document.body.dataset.reading = "";
    work.begin("read", `Reading ${one.name}…`, 0);
    stop.hidden = false;
    try {
      const got = await dropFile(one, store.setup, hints(), mine.signal);
      if (got.project) store.open(got.project);
      else store.change("file", (d) => {
        if (got.setup) {
          d.setup = got.setup;
          d.presets = [];
          d.muted = [];
        } else {
          d.disc = got.disc;
          d.name = got.name;
          d.shipped = null;
          d.fit = null;
        }
      });
      work.end("read");
      tell(`Read: ${got.about}`);
      notes.replaceChildren(...(got.cautions ?? []).map((c) => h("li", {}, c)));
      notes.hidden = !got.cautions?.length;
    } catch (e) {
      work.end("read");
      if (e.name === "AbortError") tell(`Stopped reading ${one.name}`);
      else {
        tell(`${one.name} could not be read`);
        store.dispatchEvent(new CustomEvent("wrong", { detail: e }));
      }
    } finally {
      if (reading === mine) {
        reading = null;
        delete document.body.dataset.reading;
        stop.hidden = true;
      }
      file.value = "";
    }
  }

  panel.append(
    h("div.field", { "data-place": "disc.message" }, h("label", { htmlFor: "message" }, "Message"), message,
      h("p.help", {}, "The text on the disc. The holes change as you type.")),
    fact,
    h("div.field", {}, h("label", { htmlFor: pick.select.id }, "Disc"), pick.select, pick.about),
    h("div.field", { "data-place": "disc.file" }, h("label", { htmlFor: "file" }, "From a file"), file, stop,
      h("p.help", { id: "file-help" }, "Choose a file or drop it anywhere on the page: a drawing, a photograph, a detector log, "
        + "a grid, a MIDI recording, a disc file, a preset file or a project file.")),
    h("details.more", {}, h("summary", {}, "Help the reader"),
      h("div.inside", {}, Object.values(help).map((x) => x.element))),
    h("div", { role: "status" }, notes),
    h("div.field", { "data-place": "disc.title" }, h("label", { htmlFor: "title" }, "Title"), title,
      h("p.help", {}, "Engraved on the drawing, and used in files. Empty: nothing is engraved.")),
    h("details.more", {}, h("summary", {}, "Code"), h("div.inside", {}, code.elements)),
    h("details.more", {}, h("summary", {}, "Rows and positions"), h("div.inside", {}, layout.elements)),
    h("details.more", {}, h("summary", {}, "Sizes"), h("div.inside", {}, sizes, derived, byFit, byHand)),
    shop,
  );

  return {
    read,
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
