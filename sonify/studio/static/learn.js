// Controls of a MIDI controller that move settings of the page.

import { recalled, remember } from "./keep.js";
import { toneName } from "./marks.js";
import { h } from "./view.js";

const KEPT = "sonify-controls";
const TEMPO = [40, 240]; // quarters a minute, at the ends of a control: own choice
const ROOT = [48, 72]; // C3 to C5

const between = ([low, high], v) => Math.round(low + ((high - low) * v) / 127);

/** What tells the voices apart: their names, with a number where several have the same. */
export function callings(store) {
  const seen = new Map();
  return (store.setup.music?.voice ?? []).map(({ name }, n) => {
    const own = name || `voice ${n + 1}`;
    seen.set(own, (seen.get(own) ?? 0) + 1);
    return seen.get(own) > 1 ? `${own} (${seen.get(own)})` : own;
  });
}

/** What a control can move: a key, a label, a place in the document, and the value for 0 to 127. */
function targets(store) {
  return [
    ["tempo", "Tempo", "setup.music.tempo", (v) => between(TEMPO, v)],
    ["root", "Transposition (root, C3 to C5)", "setup.music.root", (v) => toneName(between(ROOT, v))],
    ...callings(store).flatMap((voice, n) => [
      [`level ${voice}`, `Level of ${voice}`, `setup.music.voice.${n}.volume`, (v) => v],
      // 64 is the middle of a control (MIDI 1.0)
      [`pan ${voice}`, `Pan of ${voice}`, `setup.music.voice.${n}.pan`, (v) => Math.round(Math.max(-1, (v - 64) / 63) * 100) / 100],
    ]),
  ];
}

export class Learning {
  constructor(store, changed, tell) {
    Object.assign(this, { store, changed, tell });
    this.wanted = null; // the target that takes the next control
    this.moved = new Map(); // the latest value of each target, until the next frame
    this.learned = recalled(KEPT, {}); // target to "channel:controller"
    this.voices = callings(store);
    store.addEventListener("document", () => this.follow());
  }

  /** A voice that gets another name keeps its controls; those that are moved have them by their names. */
  follow() {
    const old = this.voices;
    const now = this.voices = callings(this.store);
    const other = now.flatMap((name, n) => (name === old[n] ? [] : [n]));
    if (old.length !== now.length || other.length !== 1) return;
    const [was, is] = [old[other[0]], now[other[0]]];
    for (const what of ["level", "pan"]) {
      const from = this.learned[`${what} ${was}`];
      if (!from) continue;
      delete this.learned[`${what} ${was}`];
      this.learned[`${what} ${is}`] = from;
    }
    this.keep();
  }

  /** A control was moved. */
  control(channel, number, value) {
    const from = `${channel}:${number}`;
    if (this.wanted) {
      for (const key of Object.keys(this.learned)) if (this.learned[key] === from) delete this.learned[key];
      this.learned[this.wanted] = from;
      this.tell(`Controller ${number} on channel ${channel + 1} is learned`);
      this.wanted = null;
      this.keep();
    }
    const key = Object.keys(this.learned).find((k) => this.learned[k] === from);
    if (!key) return;
    if (!this.moved.size) requestAnimationFrame(() => this.apply());
    this.moved.set(key, value);
  }

  apply() {
    const all = new Map(targets(this.store).map((one) => [one[0], one]));
    for (const [key, value] of this.moved) {
      const target = all.get(key);
      if (target) this.store.set(target[2], target[3](value), `control ${key}`);
    }
    this.moved.clear();
  }

  keep() {
    remember(KEPT, this.learned);
    this.changed();
  }

  view() {
    return h("details.more.full", {}, h("summary", {}, "Controls of the controller"),
      h("p.about", {}, "Press Learn and move a knob or fader; from then on it moves the setting."),
      h("ul.made", { "aria-label": "Controls" }, targets(this.store).map(([key, label]) => {
        const from = this.learned[key]?.split(":").map(Number);
        const waits = this.wanted === key;
        return h("li.file", { key, "data-target": key }, h("strong", {}, label),
          h("span.fact", {}, waits ? "Move a control…" : from ? `controller ${from[1]}, channel ${from[0] + 1}` : "none"),
          h("button", { type: "button", "aria-pressed": String(waits), "aria-label": `Learn: ${label}`, onclick: () => {
            this.wanted = waits ? null : key;
            this.changed();
          } }, "Learn"),
          from && h("button", { type: "button", "aria-label": `Forget: ${label}`, onclick: () => {
            delete this.learned[key];
            this.keep();
          } }, "Forget"));
      })));
  }
}
