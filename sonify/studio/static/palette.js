// The command palette: type a few letters of anything the page can do, and press Enter.

import { words } from "./text.js";
import { catchUp, h, render } from "./view.js";

const MOST = 40; // rows of the list; a longer one is not read through
const FOCUSABLE = "input, select, textarea, button";

/** `gather()` gives the commands that are possible now, as `{ label, group, act }`. */
export class Palette {
  constructor(dialog, gather) {
    this.dialog = dialog;
    this.gather = gather;
    // a click beside the dialog's contents
    dialog.addEventListener("click", (e) => { if (e.target === dialog) dialog.close(); });
  }

  open() {
    this.commands = this.gather();
    this.find("");
    this.dialog.showModal();
    this.dialog.querySelector("input").focus();
  }

  find(text) {
    this.text = text;
    const wanted = text.toLowerCase().split(/\s+/).filter(Boolean);
    const score = ({ label, group }) => {
      const all = `${label} ${group}`.toLowerCase();
      if (!wanted.every((w) => all.includes(w))) return -1;
      // words that begin as typed come first, then shorter labels
      return wanted.filter((w) => ` ${all}`.includes(` ${w}`)).length - label.length / 1000;
    };
    this.shown = this.commands.map((c) => [score(c), c]).filter(([s]) => s >= 0 || !wanted.length)
      .sort(([a], [b]) => (wanted.length ? b - a : 0)).slice(0, MOST).map(([, c]) => c);
    this.point(0);
  }

  point(at) {
    const { shown } = this;
    this.at = shown.length ? (at + shown.length) % shown.length : 0;
    render([
      h("input", { type: "text", role: "combobox", "aria-expanded": "true", "aria-controls": "commands", "aria-autocomplete": "list",
        "aria-label": "Find a command", "aria-activedescendant": shown.length ? `command-${this.at}` : "", placeholder: "Find a command",
        autocomplete: "off", spellcheck: false, value: this.text, oninput: (e) => this.find(e.target.value), onkeydown: (e) => this.key(e) }),
      h("ul", { id: "commands", role: "listbox", "aria-label": "Commands" }, shown.map((c, n) => h("li", { id: `command-${n}`, role: "option",
        "aria-selected": n === this.at, onclick: () => this.run(c) }, h("span", {}, c.label), h("small", {}, c.group)))),
      h("p.help", { role: "status" }, shown.length ? "" : "Nothing here is called that."),
    ], this.dialog);
    this.dialog.querySelector("[aria-selected=true]")?.scrollIntoView({ block: "nearest" });
  }

  key(e) {
    const by = { ArrowDown: 1, ArrowUp: -1 }[e.key];
    if (by) this.point(this.at + by);
    else if (e.key === "Enter") this.run(this.shown[this.at]);
    else return;
    e.preventDefault();
  }

  run(command) {
    if (!command) return;
    this.dialog.close();
    command.act();
  }
}

/** A command for each control of the work areas: it opens the area and goes to the control. */
export function controlsOf(areas) {
  catchUp();
  const out = [];
  for (const [name, panel] of areas.panels) {
    const area = areas.tabs.get(name).textContent;
    for (const label of panel.querySelectorAll(".field > label, .field > .label, .head > label")) {
      const field = label.closest(".field");
      const target = label.htmlFor ? document.getElementById(label.htmlFor) : field.querySelector(FOCUSABLE);
      if (!target) continue;
      const voice = label.closest(".voice")?.querySelector(".voice-name").value;
      out.push({ label: [voice, label.textContent].filter(Boolean).join(": "), group: area, act: () => {
        areas.open(name);
        for (let d = field.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
        target.scrollIntoView({ block: "center" });
        target.focus();
      } });
    }
  }
  return out;
}

/** A command for each preset and each file. */
export function choicesOf(tables, music, files, areas) {
  const kinds = { music: "Music preset", player: "Player preset", look: "Look" };
  const presets = tables.presets.filter((p) => kinds[p.kind])
    .map((p) => ({ label: words(p.name), group: kinds[p.kind], act: () => music.lay(p.name) }));
  const made = tables.downloads.map((row) => ({ label: `Make: ${row.label}`, group: "Files", act: () => {
    areas.open("files");
    files.make(row.what, row.suffixes[0]);
  } }));
  return [...presets, ...made];
}
