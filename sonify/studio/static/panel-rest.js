// The areas of the machine and of the lamps.

import { settings } from "./settings.js";
import { area, chooser, fold, h, labelled } from "./view.js";

/** Chooses one of the presets of a kind; `plain` is the choice of none, with what it does. */
function presetPicker(kind, label, help, store, tables, music, plain = []) {
  const rows = [...plain, ...tables.presets.filter((p) => p.kind === kind)];
  const now = store.show?.equals[kind] ?? null;
  const own = now === null ? [{ name: "own", label: "your own" }] : [];
  return labelled(`preset-${kind}`, label, chooser(`preset-${kind}`, [...own, ...rows], now ?? "own", (v) => {
    if (v) music.lay(v);
    else plain[0].give();
  }), h("p.help", {}, help));
}

export function machinePanel(room, store, tables, music) {
  const give = (key, v) => store.set(`setup.player.${key}`, v);
  const sync = area(room, () => {
    const { show, setup: { player } } = store;
    return [
      presetPicker("player", "Player", "A player preset to start from.", store, tables, music),
      settings(tables.sections.player, "player", player, give),
      show && h("p.fact", {}, `One turn takes ${(show.positionS * show.positions).toFixed(2)} s, one position `
        + `${(show.positionS * 1000).toFixed(1)} ms. Reading the disc takes ${show.readS.toFixed(1)} s.`),
    ];
  });
  return { sync, setShow: sync };
}

export function lampsPanel(room, store, tables, music) {
  const rows = tables.sections["player.matrix"];
  const fill = rows.find((f) => f.key === "fill");
  const first = new Set(["lamp", "colours", "unlit", "background", "shape", "glow"]);
  const look = tables.sections.light;
  const matrix = (key, v) => store.set(`setup.player.matrix.${key}`, v);
  const light = (key, v) => store.set(`setup.light.${key}`, v);
  const plain = { name: "", label: "usual", about: "warm round lamps on near black", give: () => store.change("look", (d) => {
    delete d.setup.light;
    d.presets = d.presets.filter((n) => tables.presets.find((p) => p.name === n)?.kind !== "look");
  }) };
  const sync = area(room, () => {
    const { player, light: now } = store.setup;
    return [
      h("div.field", { "data-place": "player.matrix.fill" }, h("label", { htmlFor: "fill" }, fill.label),
        chooser("fill", tables.fills, player?.matrix?.fill ?? "fitted", (v) => matrix("fill", v)), h("p.help", {}, fill.help)),
      settings(rows.filter((f) => f !== fill), "player.matrix", player?.matrix, matrix),
      presetPicker("look", "Look", "A look preset to start from.", store, tables, music, [plain]),
      settings(look.filter((f) => first.has(f.key)), "light", now, light),
      fold("More of the look", settings(look.filter((f) => !first.has(f.key)), "light", now, light)),
    ];
  });
  return { sync, setShow: sync };
}
