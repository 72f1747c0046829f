// The first area: three steps from a message to a file.

import { roving } from "./areas.js";
import { messageOf, setMessage } from "./panel-disc.js";
import { plural, words } from "./text.js";
import { area, h } from "./view.js";

const TAKE = [["midi", ".mid", "MIDI file", "for music software"], ["sound", ".wav", "Sound", "to listen to"],
  ["lights", ".gif", "Animation", "of the lamps"], ["draw", ".svg", "Drawing", "to cut the disc"]];

const lasts = (s) => (s >= 90 ? `${(s / 60).toFixed(1)} minutes` : `${Math.round(s)} seconds`);

export function startPanel(room, store, tables, { music, files, areas, play }) {
  const presets = tables.presets.filter((p) => p.kind === "music");
  const step = (n, title, ...rest) => h("li.step", {}, h("h3", {}, h("span.count", { "aria-hidden": "true" }, n), title), rest);
  const sync = area(room, () => {
    const { show } = store;
    const now = presets.find((p) => store.document.presets.includes(p.name));
    return h("ol.steps", {},
      step(1, "Type your message", h("label.hidden", { htmlFor: "start-message" }, "Message on the disc"),
        h("div.field", { "data-place": "disc.message" }, h("textarea", { id: "start-message", rows: 3, maxLength: 40000, spellcheck: true,
          value: messageOf(store), oninput: (e) => setMessage(store, e.target.value) })),
        h("p.fact", {}, show && `${plural(show.rows, "row")} of ${show.positions} holes, ${(show.geometry.outer * 2).toFixed(0)} mm across, read in ${lasts(show.readS)}`)),
      step(2, "Choose how it sounds", h("label.hidden", { htmlFor: "start-preset" }, "Preset"),
        h("div.row", {},
          h("select", { id: "start-preset", "aria-describedby": "start-about", value: now?.name ?? "", onchange: (e) => music.lay(e.target.value) },
            presets.map((p) => h("option", { value: p.name }, words(p.name)))),
          h("button.main", { type: "button", onclick: play }, "Play")),
        h("p.about", { id: "start-about" }, now?.about ?? "Your own settings; see Music and Voices.")),
      step(3, "Take it with you", h("div.take", { role: "group", "aria-label": "Files" }, TAKE.map(([what, suffix, label, use]) =>
        h("button", { type: "button", "data-take": what, onclick: () => {
          files.make(what, suffix);
          areas.open("files");
        } }, h("strong", {}, label), h("span", {}, use))))));
  });
  sync.draw();
  const take = room.querySelector(".take");
  roving(take, () => take.querySelector(":focus") ?? take.firstElementChild);
  return { sync, setShow: sync };
}
