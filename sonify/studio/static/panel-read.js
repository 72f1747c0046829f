// The area that reads a disc from a file: what was found, how sure it is, and other ways to read it.

import { dropFile } from "./api.js";
import { tell, work } from "./messages.js";
import { setMessage } from "./panel-disc.js";
import { area, fold, h } from "./view.js";

const HINTS = [ // for what a file may not tell
  ["positions", "Positions per turn", "For a log, a MIDI recording or a photograph. Empty: detected.", 100000],
  ["rows", "Rows of the disc", "For a MIDI recording. Empty: detected.", 100000],
  ["sample-rate", "Samples per second", "For a log without a time column.", 10000000]];

const share = (x) => `${(100 * x).toFixed(x > 0.999 ? 0 : 1)} %`;

/** A field for a file that is sent to the server; `take(file, signal, going)` gives what to say at the end,
 * and tells `going` the share of the work that is done. */
export function fileField(label, help, place, id, store, doing, take, redraw) {
  let going = null;
  let name = "";
  let began = 0;
  let done = null; // the share of the work
  let timer = 0;
  const lasted = () => Math.floor((performance.now() - began) / 1000);
  async function read(one) {
    going?.abort();
    const mine = going = new AbortController();
    document.body.dataset.reading = "";
    [name, began, done] = [one.name, performance.now(), null];
    clearInterval(timer);
    timer = setInterval(redraw, 1000);
    work.begin(id, `${doing} ${one.name}…`, 0);
    redraw();
    try {
      const said = await take(one, mine.signal, (x) => { if (going === mine) done = x; });
      work.end(id);
      tell(said);
    } catch (e) {
      work.end(id);
      if (e.name === "AbortError") tell(`Stopped: ${one.name}`);
      else {
        tell(`${one.name} could not be read`);
        store.dispatchEvent(new CustomEvent("wrong", { detail: e }));
      }
    } finally {
      if (going === mine) {
        going = null;
        clearInterval(timer);
        delete document.body.dataset.reading;
        redraw();
      }
      const box = document.getElementById(id); // not there before its area is drawn
      if (box) box.value = "";
    }
  }
  return { read, view: () => h("div.field.full", { "data-place": place }, h("label", { htmlFor: id }, label),
    h("input", { type: "file", id, "aria-describedby": `${id}-help`, onchange: (e) => e.target.files[0] && read(e.target.files[0]) }),
    going && h("div.row", {}, h("progress", { "aria-label": `${doing} ${name}`, max: 1, value: done ?? undefined }),
      h("span.fact", {}, `${done === null ? "" : `${Math.round(100 * done)} %, `}${lasted()} s`),
      h("button", { type: "button", onclick: () => going?.abort() }, "Stop")),
    h("p.about", { id: `${id}-help` }, help)) };
}

export const shop = (label, lines) => lines?.length > 0 && h("ul.shop", { "aria-label": label }, lines.map((line) => h("li", {}, line)));

export const terms = (rows) => h("dl", {}, rows.map(([term, value]) => [h("dt", {}, term), h("dd", {}, value)]));

export function readPanel(room, store, areas) {
  const given = {}; // the hints
  let got = null; // the server's answer
  let text = "";

  const field = fileField("From a file", "Choose a file or drop it anywhere on the page: a drawing, a photograph, a detector log, "
    + "a grid, a MIDI recording, a disc file, a preset file or a project file. Files stay on this computer.",
  "disc.file", "file", store, "Reading", async (one, signal, going) => {
    const next = await dropFile(one, { setup: store.setup, hints: given }, signal, going);
    if (next.project) store.open(next.project);
    else store.change("file", (d) => {
      if (next.setup) Object.assign(d, { setup: next.setup, presets: [], muted: [] });
      else take(d, next.disc, next.name);
    });
    got = next;
    text = next.seen?.message ?? "";
    if (next.seen) areas.open("read");
    return `Read: ${next.about}`;
  }, () => sync());

  const take = (d, disc, name) => Object.assign(d, { disc, name, shipped: null, fit: null });

  /** What was found, with what can be done about it. */
  const found = ({ about, name, seen }) => [
    h("h3", {}, "What was found"),
    terms([["Read as", `a ${seen.kind}: ${about}`],
      ["Confidence", `${share(seen.confidence)} on average, ${share(seen.least)} at the least sure hole`],
      ["Unknown bits", String(seen.unknown)], ["Arranged", seen.arranged]]),
    h("div.field", {}, h("label", { htmlFor: "read-text" }, "Message"),
      h("textarea", { id: "read-text", rows: 3, value: text, spellcheck: true, oninput: (e) => { text = e.target.value; },
        placeholder: "No message was found. Type what the disc should say." }),
      h("div.row", {}, h("button", { type: "button", onclick: () => {
        setMessage(store, text);
        tell("A new disc with this message");
      } }, "Make a new disc of this text"))),
    seen.others.length > 0 && [h("h3", {}, "Other ways to read it"),
      h("ul.others", {}, seen.others.map((o) => h("li", {}, h("strong", {}, o.message), h("span.note", {}, `${o.how}: ${o.why}`),
        h("button", { type: "button", onclick: () => {
          text = o.message;
          store.change("another reading", (d) => take(d, o.disc, name));
          tell("Read in the other way");
        } }, "Read it so"))))],
    seen.picture && h("figure.seen", {}, h("img", { src: seen.picture, alt: "The photograph with the holes that were found marked on it" }),
      h("figcaption.about", {}, "The holes that were found, drawn over the photograph.")),
  ];

  const sync = area(room, () => [
    field.view(),
    fold("Help the reader", HINTS.map(([key, label, help, most]) => h("div.field", {}, h("label", { htmlFor: `hint-${key}` }, label),
      h("input", { type: "number", id: `hint-${key}`, min: 1, max: most, step: 1, oninput: (e) => {
        if (Number(e.target.value) > 0) given[key] = Math.round(Number(e.target.value));
        else delete given[key];
      } }), h("p.about", {}, help)))),
    h("div.full", { role: "status" }, shop("Cautions of the reader", got?.cautions)),
    h("div.full", {}, got?.seen && found(got)),
  ]);
  return { read: field.read, given: () => given, sync };
}
