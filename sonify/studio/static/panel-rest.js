// The areas of the machine and of the lamps.

import { at } from "./store.js";
import { chooser, h } from "./dom.js";
import { fields } from "./fields.js";

function presetPicker(kind, label, help, tables, music) {
  const rows = tables.presets.filter((p) => p.kind === kind);
  const pick = chooser([{ name: "", label: "custom" }, ...rows], "", (v) => (v ? music.lay(v) : again()));
  let now = "";
  // "custom" can't be chosen: the preset in use is shown again
  const again = () => pick.sync(now);
  return {
    element: h("div.field", {}, h("label", { htmlFor: pick.select.id }, label), pick.select, pick.about,
      h("p.help", {}, help)),
    sync(used) {
      now = used.find((n) => rows.some((r) => r.name === n)) ?? "";
      again();
    },
  };
}

export function machinePanel(panel, store, tables, music) {
  const pick = presetPicker("player", "Player", "A player preset to start from.", tables, music);
  const made = fields(tables.sections.player, "player", (key, v) => store.set(`setup.player.${key}`, v));
  const fact = h("p.fact", {});
  panel.append(pick.element, ...made.elements, fact);
  return {
    sync() {
      pick.sync(store.document.presets);
      made.sync(store.setup.player);
    },
    setShow(show) {
      const turn = show.positionS * show.positions;
      fact.textContent = `One turn takes ${turn.toFixed(2)} s, one position ${(show.positionS * 1000).toFixed(1)} ms. `
        + `Reading the disc takes ${show.readS.toFixed(1)} s.`;
    },
  };
}

export function lampsPanel(panel, store, tables, music) {
  const matrix = tables.sections["player.matrix"].filter((f) => f.control !== "skip" && f.key !== "fill");
  const fill = chooser(tables.fills, "rows", (v) => store.set("setup.player.matrix.fill", v));
  const words0 = tables.sections["player.matrix"].find((f) => f.key === "fill");
  const size0 = fields(matrix, "player.matrix", (key, v) => store.set(`setup.player.matrix.${key}`, v));
  const pick = presetPicker("look", "Look", "A look preset to start from.", tables, music);
  const first = new Set(["lamp", "unlit", "background", "shape", "glow"]);
  const rows = tables.sections.light.filter((f) => f.control !== "skip");
  const give = (key, v) => store.set(`setup.light.${key}`, v);
  const look = fields(rows.filter((f) => first.has(f.key)), "light", give);
  const more = fields(rows.filter((f) => !first.has(f.key)), "light", give);
  panel.append(
    h("div.field", { "data-place": "player.matrix.fill" }, h("label", { htmlFor: fill.select.id }, words0.label),
      fill.select, fill.about, h("p.help", {}, words0.help)),
    ...size0.elements, pick.element, ...look.elements,
    h("details.more", {}, h("summary", {}, "More of the look"), h("div.inside", {}, more.elements)));
  return {
    sync() {
      fill.sync(at(store.setup, "player.matrix.fill") ?? "rows");
      size0.sync(at(store.setup, "player.matrix"));
      pick.sync(store.document.presets);
      look.sync(store.setup.light);
      more.sync(store.setup.light);
    },
    setShow() {},
  };
}
