// The area that reads a disc from a file: what was found, how sure it is, and other ways to read it.

import { dropFile } from "./api.js";
import { h, uid } from "./dom.js";
import { tell, work } from "./messages.js";
import { setMessage } from "./panel-disc.js";

const share = (x) => `${(100 * x).toFixed(x > 0.999 ? 0 : 1)} %`;

/** A field for a file that is sent to the server; `take(file, signal)` gives what to say at the end. */
export function fileField(label, help, place, id, store, doing, take) {
  const file = h("input", { type: "file", id, "aria-describedby": `${id}-help` });
  let going = null;
  const stop = h("button", { type: "button", hidden: true, onclick: () => going?.abort() }, "Stop");
  async function read(one) {
    going?.abort();
    const mine = going = new AbortController();
    document.body.dataset.reading = "";
    work.begin(id, `${doing} ${one.name}…`, 0);
    stop.hidden = false;
    try {
      const said = await take(one, mine.signal);
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
        delete document.body.dataset.reading;
        stop.hidden = true;
      }
      file.value = "";
    }
  }
  file.addEventListener("change", () => file.files[0] && read(file.files[0]));
  return { read, element: h("div.field.full", { "data-place": place }, h("label", { htmlFor: id }, label), file, stop,
    h("p.about", { id: `${id}-help` }, help)) };
}

export function readPanel(panel, store, areas) {
  // hints for what a file may not tell
  const hint = (label, help, most) => {
    const box = h("input", { type: "number", id: uid("hint"), min: 1, max: most, step: 1 });
    return { box, element: h("div.field", {}, h("label", { htmlFor: box.id }, label), box, h("p.about", {}, help)) };
  };
  const hints = {
    positions: hint("Positions per turn", "For a log, a MIDI recording or a photograph. Empty: detected.", 100000),
    rows: hint("Rows of the disc", "For a MIDI recording. Empty: detected.", 100000),
    "sample-rate": hint("Samples per second", "For a log without a time column.", 10000000),
  };
  const given = () => Object.fromEntries(Object.entries(hints)
    .filter(([, x]) => Number(x.box.value) > 0).map(([key, x]) => [key, Math.round(Number(x.box.value))]));
  const notes = h("ul.shop", { hidden: true, "aria-label": "Cautions of the reader" });
  const report = h("div.full", {});

  const field = fileField("From a file", "Choose a file or drop it anywhere on the page: a drawing, a photograph, a detector log, "
    + "a grid, a MIDI recording, a disc file, a preset file or a project file. Files stay on this computer.",
  "disc.file", "file", store, "Reading", async (one, signal) => {
    const got = await dropFile(one, { setup: store.setup, hints: given() }, signal);
    if (got.project) store.open(got.project);
    else store.change("file", (d) => {
      if (got.setup) Object.assign(d, { setup: got.setup, presets: [], muted: [] });
      else take(d, got.disc, got.name);
    });
    notes.replaceChildren(...(got.cautions ?? []).map((c) => h("li", {}, c)));
    notes.hidden = !got.cautions?.length;
    report.replaceChildren(...(got.seen ? found(got) : []));
    if (got.seen) areas.open("read");
    return `Read: ${got.about}`;
  });

  const take = (d, disc, name) => Object.assign(d, { disc, name, shipped: null, fit: null });

  /** What was found, with what can be done about it. */
  function found({ about, name, seen }) {
    const text = h("textarea", { id: uid("text"), rows: 3, value: seen.message ?? "", spellcheck: true,
      placeholder: "No message was found. Type what the disc should say." });
    const facts = [["Read as", `a ${seen.kind}: ${about}`],
      ["Confidence", `${share(seen.confidence)} on average, ${share(seen.least)} at the least sure hole`],
      ["Unknown bits", String(seen.unknown)], ["Arranged", seen.arranged]];
    const others = seen.others.map((o) => h("li", {}, h("strong", {}, o.message), h("span.note", {}, `${o.how}: ${o.why}`),
      h("button", { type: "button", onclick: () => {
        store.change("another reading", (d) => take(d, o.disc, name));
        text.value = o.message;
        tell("Read in the other way");
      } }, "Read it so")));
    return [
      h("h3", {}, "What was found"),
      h("dl", {}, facts.map(([term, value]) => [h("dt", {}, term), h("dd", {}, value)]).flat()),
      h("div.field", {}, h("label", { htmlFor: text.id }, "Message"), text,
        h("div.row", {}, h("button", { type: "button", onclick: () => {
          setMessage(store, text.value);
          tell("A new disc with this message");
        } }, "Make a new disc of this text"))),
      others.length ? h("h3", {}, "Other ways to read it") : null,
      others.length ? h("ul.others", {}, others) : null,
      seen.picture ? h("figure.seen", {}, h("img", { src: seen.picture, alt: "The photograph with the holes that were found marked on it" }),
        h("figcaption.about", {}, "The holes that were found, drawn over the photograph.")) : null,
    ].filter(Boolean);
  }

  panel.append(field.element,
    h("details.more", {}, h("summary", {}, "Help the reader"), h("div.inside", {}, Object.values(hints).map((x) => x.element))),
    h("div.full", { role: "status" }, notes), report);

  return { read: field.read, given, sync() {} };
}
