// The first area: three steps from a message to a file.

import { h, uid, words } from "./dom.js";
import { roving } from "./areas.js";
import { messageOf, setMessage } from "./panel-disc.js";

const TAKE = [["midi", ".mid", "MIDI file", "for music software"], ["sound", ".wav", "Sound", "to listen to"],
  ["lights", ".gif", "Animation", "of the lamps"], ["draw", ".svg", "Drawing", "to cut the disc"]];

export function startPanel(panel, store, tables, { music, files, areas, play }) {
  const message = h("textarea", { id: "start-message", rows: 3, maxLength: 40000, spellcheck: true,
    oninput: () => setMessage(store, message.value) });
  const presets = tables.presets.filter((p) => p.kind === "music");
  const about = h("p.about", { id: uid("about") });
  const preset = h("select", { id: "start-preset", "aria-describedby": about.id, onchange: () => music.lay(preset.value) },
    presets.map((p) => h("option", { value: p.name }, words(p.name))));
  const listen = h("button.main", { type: "button", onclick: play }, "Play");
  const fact = h("p.fact", {});
  const take = TAKE.map(([what, suffix, label, use]) => h("button", { type: "button", "data-take": what, onclick: () => {
    files.make(what, suffix);
    areas.open("files");
  } }, h("strong", {}, label), h("span", {}, use)));
  const step = (n, title, ...rest) => h("li.step", {}, h("h3", {}, h("span.count", { "aria-hidden": "true" }, n), title), rest);
  panel.append(h("ol.steps", {},
    step(1, "Type your message", h("label.hidden", { htmlFor: message.id }, "Message on the disc"), message, fact),
    step(2, "Choose how it sounds", h("label.hidden", { htmlFor: preset.id }, "Preset"),
      h("div.row", {}, preset, listen), about),
    step(3, "Take it with you", h("div.take", { role: "group", "aria-label": "Files" }, take)),
  ));
  roving(panel.querySelector(".take"), () => take.find((b) => b === document.activeElement) ?? take[0]);
  return {
    sync() {
      const { presets: used } = store.document;
      const text = messageOf(store);
      if (document.activeElement !== message || message.value !== text) message.value = text;
      const now = presets.find((p) => used.includes(p.name));
      preset.value = now?.name ?? "";
      about.textContent = now?.about ?? "Your own settings; see Music and Voices.";
    },
    setShow(show) {
      if (document.activeElement !== message) message.value = messageOf(store);
      const minutes = show.readS >= 90 ? `${(show.readS / 60).toFixed(1)} minutes` : `${Math.round(show.readS)} seconds`;
      fact.textContent = `${show.rows} row${show.rows === 1 ? "" : "s"} of ${show.positions} holes, `
        + `${(show.geometry.outer * 2).toFixed(0)} mm across, read in ${minutes}`;
    },
  };
}
