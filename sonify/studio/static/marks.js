// The place that is pointed at: its hole, bit, letter, notes and lamp are marked in all views.

import { lower } from "./timeline.js";

export const TONES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];

/** Everything about a place: `n` is its index in the reading. */
export function about(show, { row, position }) {
  const index = row * show.positions + position;
  const n = show.read_order[index];
  const time = show.read_s[n];
  const character = show.caption_first.findIndex((first, k) => first <= index && index <= show.caption_last[k]);
  const notes = [];
  for (let k = 0; k < show.onset.length; k++) {
    if (show.note_row[k] === row && show.note_position[k] === position) notes.push(k);
  }
  let lamp = null;
  for (let k = lower(show.light_s, time - 1e-9); k < show.light_s.length && show.light_s[k] < time + 1e-9; k++) {
    if (show.light_level[k]) { lamp = show.seen[show.light_led[k]]; break; }
  }
  return { index, n, time, character, notes, lamp, bit: show.bits[index] };
}

export const toneName = (pitch) => `${TONES[Math.round(pitch) % 12]}${Math.floor(Math.round(pitch) / 12) - 1}`;

export class Marks extends EventTarget {
  constructor() {
    super();
    this.place = null;
    this.found = null;
  }

  setShow(show) {
    this.show = show;
    // where each place of the grid comes in the reading
    show.read_order = new Int32Array(show.read_s.length);
    for (let n = 0; n < show.read_s.length; n++) {
      show.read_order[show.read_row[n] * show.positions + show.read_position[n]] = n;
    }
    const { place } = this;
    this.place = null;
    this.set(place && place.row < show.rows && place.position < show.positions ? place : null);
  }

  set(place) {
    if (!this.show) return;
    if (place?.row === this.place?.row && place?.position === this.place?.position) return;
    this.place = place;
    this.found = place && about(this.show, place);
    this.dispatchEvent(new Event("change"));
  }

  /** Mark what is under the pointer in a view; its `hit(x, y)` takes canvas pixels. */
  follow(view) {
    const { canvas } = view;
    const at = (e) => {
      const box = canvas.getBoundingClientRect();
      return view.hit((e.clientX - box.left) * canvas.width / box.width, (e.clientY - box.top) * canvas.height / box.height);
    };
    canvas.addEventListener("pointermove", (e) => { if (this.show) this.set(at(e)); });
    canvas.addEventListener("pointerleave", () => this.set(null));
    return at;
  }
}
