// The disc: a message or a dropped file, its code, its layout and its sizes.

import { dropFile } from "./api.js";
import { chooser, h, uid } from "./dom.js";
import { fields } from "./fields.js";
import { discOf } from "./panel-music.js";

export function discPanel(panel, bench, tables, tell) {
  const message = h("textarea", { id: "message", rows: 4, maxLength: 40000, spellcheck: true });
  const title = h("input", { type: "text", id: "title", maxLength: 200 });
  const fact = h("p.fact", { role: "status" });
  const discs = tables.presets.filter((p) => p.kind === "disc");
  const pick = chooser([{ name: "", label: "my own" }, ...discs], "", async (name) => {
    if (!name) return;
    try {
      const got = await discOf(name);
      bench.change("disc", (d) => Object.assign(d, got));
    } catch (e) { bench.dispatchEvent(new CustomEvent("wrong", { detail: e })); }
  });
  const file = h("input", { type: "file", id: "file", "aria-describedby": "file-help" });
  file.addEventListener("change", () => file.files[0] && take(file.files[0]));

  message.addEventListener("input", () => bench.change("message", (d) => {
    d.disc.message = message.value;
    delete d.disc.bits;
    delete d.disc.geometry;
    own(d);
  }, "message"));
  title.addEventListener("input", () => bench.change("title", (d) => {
    if (title.value) d.disc.title = title.value;
    else delete d.disc.title;
    own(d);
  }, "title"));

  function own(d) {
    if (d.shipped !== null) d.name = "my-disc";
    d.shipped = null;
  }

  const section = (name) => fields(
    tables.sections[name].filter((f) => f.control !== "skip"), `disc.${name}`,
    (key, v) => bench.change(key, (d) => {
      d.disc[name] ??= {};
      if (v === undefined) delete d.disc[name][key];
      else d.disc[name][key] = v;
      own(d);
    }, `disc.${name}.${key}`));
  const code = section("code");
  const layout = section("layout");
  const geometry = section("geometry");
  const derived = h("p.help", {});

  let reading = null;
  async function take(one) {
    reading?.abort();
    const mine = reading = new AbortController();
    document.body.dataset.reading = "";
    tell(`Reading ${one.name}…`);
    try {
      const got = await dropFile(one, bench, mine.signal);
      bench.change("file", (d) => {
        if (got.setup) {
          d.setup = got.setup;
          d.presets = [];
          d.muted = [];
        } else {
          d.disc = got.disc;
          d.name = got.name;
          d.shipped = null;
        }
      });
      tell(`Read: ${got.about}`);
    } catch (e) {
      if (e.name !== "AbortError") bench.dispatchEvent(new CustomEvent("wrong", { detail: e }));
    } finally {
      if (reading === mine) delete document.body.dataset.reading;
      file.value = "";
    }
  }

  panel.append(
    h("div.field", { "data-place": "disc.message" }, h("label", { htmlFor: "message" }, "Message"), message,
      h("p.help", {}, "What the disc says. Its holes follow as you type.")),
    fact,
    h("div.field", {}, h("label", { htmlFor: pick.select.id }, "Disc"), pick.select, pick.about),
    h("div.field", {}, h("label", { htmlFor: "file" }, "From a file"), file,
      h("p.help", { id: "file-help" }, "Choose one, or drop it anywhere: a drawing, a photograph, a detector log, "
        + "a grid, a recorded MIDI take, a disc file, or a preset file.")),
    h("div.field", { "data-place": "disc.title" }, h("label", { htmlFor: "title" }, "Title"), title,
      h("p.help", {}, "For the files; it is not on the disc.")),
    h("details.more", {}, h("summary", {}, "Code"), h("div.inside", {}, code.elements)),
    h("details.more", {}, h("summary", {}, "Rows and positions"), h("div.inside", {}, layout.elements)),
    h("details.more", {}, h("summary", {}, "Sizes"), h("div.inside", {}, derived, geometry.elements)),
  );

  return {
    take,
    sync() {
      const d = bench.document;
      const text = d.disc.message ?? "";
      if (document.activeElement !== message || message.value !== text) message.value = text;
      message.placeholder = d.disc.bits ? "This disc holds bare bits. Type to write a message instead." : "";
      if (document.activeElement !== title || title.value !== (d.disc.title ?? "")) title.value = d.disc.title ?? "";
      pick.sync(d.shipped ?? "");
      code.sync(d.disc.code);
      layout.sync(d.disc.layout);
      geometry.sync(d.disc.geometry);
    },
    setShow(show) {
      const parts = [];
      if (show.message) parts.push(`${[...show.message].length.toLocaleString("en")} characters`);
      parts.push(`${(show.rows * show.positions).toLocaleString("en")} bits`,
        `${show.rows} row${show.rows === 1 ? "" : "s"} of ${show.positions}`,
        `${(show.geometry.outer * 2).toFixed(0)} mm across`);
      if (show.geometry.web !== undefined && show.geometry.web !== null) {
        parts.push(`thinnest web ${show.geometry.web.toFixed(2)} mm`);
      }
      fact.textContent = parts.join(" · ");
      if (document.activeElement !== message && show.document.disc.bits && show.message) {
        message.placeholder = show.message;
      }
      derived.textContent = show.geometry.given ? "" : "No sizes were given: these were found to fit.";
      derived.hidden = show.geometry.given;
    },
  };
}
