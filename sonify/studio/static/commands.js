// What the page does on a key, a button of its head, or a line of the command palette.

import { postJson } from "./api.js";
import { roving } from "./areas.js";
import { wireKeys } from "./keys.js";
import { tell } from "./messages.js";
import { Palette, choicesOf, controlsOf } from "./palette.js";
import { enlarge, explain, fullScreen } from "./screen.js";
import { give } from "./view.js";

const $ = (id) => document.getElementById(id);

/** `wrong` is told what could not be done; `tables`, `music` and `files` are what the palette offers. */
export function wireCommands({ store, areas, transport, midi, tables, music, files, wrong }) {
  const undo = () => { if (store.undo()) tell(`Undone: ${store.why}`); };
  const redo = () => { if (store.redo()) tell(`Redone: ${store.why}`); };
  const choose = (which) => { if (store.choose(which)) tell(`Version ${which.toUpperCase()}`); };
  const toggle = () => transport.toggle();
  const help = () => $("shortcuts").showModal();
  const palette = new Palette($("palette"), gather);

  async function save() {
    try {
      const { text, name } = await postJson("api/project", store.project());
      give(name, text);
      tell(`Saved ${name}`);
    } catch (e) { wrong(e); }
  }

  /** Everything that the palette offers now. */
  function gather() {
    const row = (label, group, act) => ({ label, group, act });
    const press = (id, label, group) => row(label, group, () => $(id).click());
    return [
      row(transport.sound.playing ? "Pause" : "Play", "Space", toggle),
      press("loop-row", "Repeat row", "Playing"), press("loop-all", "Repeat all", "Playing"),
      ...[...areas.tabs].map(([name, tab], n) => row(`Go to ${tab.textContent}`, n < 9 ? String(n + 1) : "Area", () => {
        areas.open(name);
        tab.focus();
      })),
      ...(store.canUndo ? [row("Undo", "Ctrl+Z", undo)] : []), ...(store.canRedo ? [row("Redo", "Ctrl+Shift+Z", redo)] : []),
      row("Save the project", "Ctrl+S", save), row("Version A", "A", () => choose("a")), row("Version B", "B", () => choose("b")),
      row("Large player", "L", () => enlarge()), row("Full screen", "F", fullScreen), press("theme", "Light or dark colours", "View"),
      row("Explanations", "H", () => explain()), row("Tap the tempo", "T", () => midi.tap()), press("keys", "Keyboard shortcuts", "?"),
      ...choicesOf(tables, music, files, areas), ...controlsOf(areas),
    ];
  }

  const acts = { toggle, undo, redo, save, help, choose, fullScreen, large: () => enlarge(), explain: () => explain(), tap: () => midi.tap(),
    palette: () => palette.open(), area: (n) => { if (n < areas.names.length) areas.open(areas.names[n]); } };
  for (const [id, act] of [["undo", undo], ["redo", redo], ["save", save], ["keys", help], ["large", acts.large], ["full", fullScreen],
    ["explain", acts.explain], ["find", acts.palette], ["version-a", () => choose("a")], ["version-b", () => choose("b")]]) {
    $(id).addEventListener("click", act);
  }
  wireKeys(acts);
  roving($("tools"), () => $("tools").querySelector(":focus"));
}
