// The area that compares a recording, or the cut disc, with the disc at hand: errors, causes, remedies.

import { dropFile } from "./api.js";
import { fileField, shop, terms } from "./panel-read.js";
import { plural } from "./text.js";
import { area, give, h } from "./view.js";

/** `hints()` gives what helps the reader; `disc` shows the errors, after which `paint` is called. */
export function comparePanel(room, store, { hints, disc, marks, sound, areas, paint }) {
  let result = null; // the server's answer, and the name of the file
  let shown = null; // the disc that was compared
  const keyOf = ({ disc: one, fit }) => JSON.stringify([one, fit]);

  const field = fileField("A recording, or the cut disc", "A MIDI recording or a detector log of the real player, with the settings "
    + "on this page; or a photograph or drawing of the cut disc, or another disc file. Choose it, or drop it while this area is open.",
  "compare.file", "compare-file", store, "Comparing", async (one, signal, going) => {
    const { compared } = await dropFile(one, { hints: hints(), document: store.document }, signal, going);
    areas.open("compare");
    result = { ...compared, name: one.name };
    shown = keyOf(store.document);
    mark(compared.errors);
    return compared.count ? `${plural(compared.count, "error")} found` : "No error found";
  }, () => sync());

  function mark(errors) {
    disc.errors = errors.filter((e) => e.row !== null);
    sync();
    paint();
  }

  function go(e) {
    const n = store.show.read_order?.[e.row * store.show.positions + e.position];
    if (n !== undefined && !sound.playing) sound.seek(store.show.read_s[n]);
    marks.set({ row: e.row, position: e.position });
  }
  function line(e) {
    const where = e.row === null ? `clock row, position ${e.position + 1}` : `row ${e.row + 1}, position ${e.position + 1}`;
    // a survey's lines name the place themselves
    const text = e.text.startsWith(where.slice(0, 4)) ? e.text : `${where}: ${e.text}`;
    return h("li", {}, e.row === null ? text
      : h("button.link", { type: "button", title: "Show it on the disc, the lamps and the notes", onclick: () => go(e) }, text));
  }
  const list = (label, lines) => lines.length > 0 && h("ul", { "aria-label": label }, lines.map((x) => h("li", {}, x)));
  const cause = (one, n) => h("li.cause", {}, h("h4", {}, `${n ? "Or: " : ""}${one.title} (${Math.round(100 * one.probability)}%)`), list("Evidence", one.evidence),
    one.try.length > 0 && h("p.label", {}, "Try"), list("Try", one.try));

  const told = (c) => [
    h("h3", {}, `${c.name}: ${c.right ?? plural(c.count, "fault")}`),
    shop("Safety", c.safety.map((x) => `${x[0].toUpperCase()}${x.slice(1)}.`)),
    terms([["Compared", `a ${c.kind}, with the disc “${c.title}”`], ["Message", c.message ?? "none"],
      ...(c.message === c.read ? [] : [["As read", c.read ?? "none"]])]),
    c.causes.length > 0 && [h("h3", {}, "Likely causes"), h("ol.causes", {}, c.causes.slice(0, 3).map(cause))],
    h("details.more", {}, h("summary", {}, "Measured"), terms(c.measures)),
    shop("Cautions", c.cautions),
    c.picture && h("figure.seen", {}, h("img", { src: c.picture, alt: "The cut disc with a mark at each fault, numbered as listed" })),
    c.errors.length > 0 && [h("h3", {}, "Errors, also marked on the disc"), h("ol.errors", {}, c.errors.map(line))],
    c.count > c.errors.length && h("p.fact", {}, `and ${c.count - c.errors.length} more`),
    h("div.row", {},
      c.report && h("button", { type: "button", onclick: () => give(`${c.name.replace(/\.[^.]*$/, "")}-report.html`, c.report) }, "Save the report"),
      h("button", { type: "button", onclick: () => {
        result = null;
        mark([]);
      } }, "Clear")),
  ];

  const sync = area(room, () => [field.view(), h("div.full", {}, result && told(result))]);
  return {
    read: field.read,
    sync,
    setShow(show) {
      // marks of another disc would be wrong
      if (disc.errors?.length && shown !== keyOf(show.document)) mark([]);
    },
  };
}
