// The area that compares a recording, or the cut disc, with the disc at hand: errors, causes, remedies.

import { dropFile } from "./api.js";
import { give, h } from "./dom.js";
import { fileField } from "./panel-read.js";

/** `hints()` gives what helps the reader; `disc` shows the errors, after which `paint` is called. */
export function comparePanel(panel, store, { hints, disc, marks, sound, areas, paint }) {
  const report = h("div.full", {});
  let shown = null; // the disc that was compared
  const keyOf = ({ disc: one, fit }) => JSON.stringify([one, fit]);

  const field = fileField("A recording, or the cut disc", "A MIDI recording or a detector log of the real player, with the settings "
    + "on this page; or a photograph or drawing of the cut disc, or another disc file. Choose it, or drop it while this area is open.",
  "compare.file", "compare-file", store, "Comparing", async (one, signal) => {
    const { compared } = await dropFile(one, { hints: hints(), document: store.document }, signal);
    areas.open("compare");
    report.replaceChildren(...told(compared, one.name));
    shown = keyOf(store.document);
    mark(compared.errors);
    return compared.count ? `${compared.count} error${compared.count === 1 ? "" : "s"} found` : "No error found";
  });

  function mark(errors) {
    disc.errors = errors.filter((e) => e.row !== null);
    paint();
  }

  function told(c, name) {
    const line = (e) => {
      const where = e.row === null ? `clock row, position ${e.position + 1}` : `row ${e.row + 1}, position ${e.position + 1}`;
      // a survey's lines name the place themselves
      const text = e.text.startsWith(where.slice(0, 4)) ? e.text : `${where}: ${e.text}`;
      return h("li", {}, e.row === null ? text : h("button.link", { type: "button", title: "Show it on the disc, the lamps and the notes",
        onclick: () => {
          const n = store.show.read_order?.[e.row * store.show.positions + e.position];
          if (n !== undefined && !sound.playing) sound.seek(store.show.read_s[n]);
          marks.set({ row: e.row, position: e.position });
        } }, text));
    };
    const cause = (one, n) => h("li.cause", {}, h("h4", {}, n ? `Or: ${one.title}` : one.title),
      one.evidence.length ? h("ul", { "aria-label": "Evidence" }, one.evidence.map((x) => h("li", {}, x))) : null,
      one.try.length ? [h("p.label", {}, "Try"), h("ul", { "aria-label": "Try" }, one.try.map((x) => h("li", {}, x)))] : null);
    const row = ([term, value]) => [h("dt", {}, term), h("dd", {}, value)];
    const same = c.message === c.read;
    return [
      h("h3", {}, `${name}: ${c.right ?? `${c.count} fault${c.count === 1 ? "" : "s"}`}`),
      c.safety.length ? h("ul.shop", { "aria-label": "Safety" }, c.safety.map((x) => h("li", {}, `${x[0].toUpperCase()}${x.slice(1)}.`))) : null,
      h("dl", {}, [["Compared", `a ${c.kind} of ${c.title}`], ["Message", c.message ?? "none"],
        ...(same ? [] : [["As read", c.read ?? "none"]])].map(row).flat()),
      c.causes.length ? [h("h3", {}, "Likely causes"), h("ol.causes", {}, c.causes.slice(0, 3).map(cause))] : null,
      h("details.more", {}, h("summary", {}, "Measured"), h("dl", {}, c.measures.map(row).flat())),
      c.cautions.length ? h("ul.shop", { "aria-label": "Cautions" }, c.cautions.map((x) => h("li", {}, x))) : null,
      c.picture ? h("figure.seen", {}, h("img", { src: c.picture, alt: "The cut disc with a mark at each fault, numbered as listed" })) : null,
      c.errors.length ? [h("h3", {}, "Errors, also marked on the disc"), h("ol.errors", {}, c.errors.map(line))] : null,
      c.count > c.errors.length ? h("p.fact", {}, `and ${c.count - c.errors.length} more`) : null,
      h("div.row", {},
        c.report ? h("button", { type: "button", onclick: () => give(`${name.replace(/\.[^.]*$/, "")}-report.html`, c.report) }, "Save the report") : null,
        h("button", { type: "button", onclick: () => {
          report.replaceChildren();
          mark([]);
        } }, "Clear")),
    ].flat().filter(Boolean);
  }

  panel.append(field.element, report);

  return {
    read: field.read,
    sync() {},
    setShow(show) {
      // marks of another disc would be wrong
      if (disc.errors?.length && shown !== keyOf(show.document)) mark([]);
    },
  };
}
