// The piano roll: all notes over time and pitch, with bars, rows and a lane of velocities.

import { colour, fit, voiceColour } from "./canvas.js";
import { toneName } from "./marks.js";
import { lower } from "./timeline.js";

export const GUTTER = 46; // px for the names of the pitches
const RULER = 40; // px for the numbers of bars and rows
const LANE = 72; // px for the velocities
const ROW = 7; // px of a semitone, if all fit
const [LEAST, MOST] = [200, 460]; // px of height, before the velocities
const NAMES = 13; // px that the name of a pitch needs
const WHITE = new Set([0, 2, 4, 5, 7, 9, 11]);

/** Notes are `{ k, silent }`: their number, and whether a change leaves them out. */
export class Roll {
  constructor(canvas) {
    this.canvas = canvas;
    this.show = null;
    this.from = 0; // s at the left edge
    this.perS = 60; // px
    this.only = null; // the only voice shown
    this.chosen = null;
    this.mark = null;
    this.shift = null; // while a note is dragged: { semitones } or { velocity }
    this.loop = null;
    this.silent = new Set();
  }

  setShow(show) {
    this.show = show;
    // not spread into arguments: a long disc has more notes than a call can take
    const least = (array, from) => array.reduce((a, b) => Math.min(a, b), from);
    const most = (array, from) => array.reduce((a, b) => Math.max(a, b), from);
    this.longest = most(show.silent_duration, most(show.duration, 0.1));
    this.low = Math.floor(least(show.silent_pitch, show.low)) - 2;
    this.high = Math.ceil(most(show.silent_pitch, show.high)) + 2;
  }

  get range() { return this.high - this.low + 1; }

  /** The height in px, so that all of it is seen at once where that leaves room for the notes. */
  height(room) { return Math.max(LEAST, Math.min(MOST, this.range * ROW, room - RULER - LANE)) + RULER + LANE; }

  get grid() { return this.canvas.clientHeight - RULER - LANE; }
  get wide() { return this.canvas.clientWidth - GUTTER; }
  get step() { return this.grid / this.range; }

  x(time) { return GUTTER + (time - this.from) * this.perS; }
  time(x) { return this.from + (x - GUTTER) / this.perS; }
  y(pitch) { return RULER + (this.high - pitch) * this.step; }

  /** A column of the notes, or of those left out. */
  of({ k, silent }, name) {
    const { show } = this;
    if (silent) return show[`silent_${name}`][k];
    return (show[name] ?? show[`note_${name}`])[k];
  }

  *within(from, to, silent) {
    const onset = silent ? this.show.silent_onset : this.show.onset;
    for (let k = lower(onset, from - this.longest); k < onset.length && onset[k] <= to; k++) {
      const n = { k, silent };
      const voice = this.of(n, "voice");
      if ((this.only === null || voice === this.only) && onset[k] + this.of(n, "duration") >= from) yield n;
    }
  }

  /** The note at a point in CSS px; in the lane of velocities the nearest one. */
  note(x, y) {
    const lane = y > RULER + this.grid;
    const slack = lane ? 8 / this.perS : 3 / this.perS;
    const time = this.time(x);
    let best = null;
    for (const silent of lane ? [false] : [true, false]) {
      for (const n of this.within(time - slack, time + slack, silent)) {
        const onset = this.of(n, "onset");
        const top = this.y(this.of(n, "pitch"));
        const away = lane ? Math.abs(onset - time)
          : y >= top - 2 && y <= top + this.step + 2 && time <= onset + this.of(n, "duration") + slack ? Math.abs(y - top - this.step / 2) : Infinity;
        if (away < (best?.away ?? (lane ? slack : Infinity))) best = { ...n, away };
      }
    }
    return best && { k: best.k, silent: best.silent };
  }

  /** What part of the roll a point in CSS px is in. */
  part(y) { return y < RULER ? "ruler" : y < RULER + this.grid ? "notes" : "lane"; }

  velocity(y) { return Math.max(1, Math.min(127, Math.round(127 * (1 - (y - RULER - this.grid - 6) / (LANE - 10))))); }

  /** For the marks, in canvas pixels. */
  hit(x, y) {
    const ratio = this.canvas.width / this.canvas.clientWidth;
    const n = this.note(x / ratio, y / ratio);
    return n && { row: this.of(n, "row"), position: this.of(n, "position") };
  }

  same(a, b) { return a && b && a.k === b.k && a.silent === b.silent; }

  draw() {
    const { show, canvas } = this;
    if (!show || !canvas.clientWidth) return;
    fit(canvas);
    const c = canvas.getContext("2d");
    const ratio = canvas.width / canvas.clientWidth;
    const w = canvas.clientWidth;
    const h = canvas.clientHeight;
    const floor = RULER + this.grid;
    const to = this.time(w);
    c.setTransform(ratio, 0, 0, ratio, 0, 0);
    c.clearRect(0, 0, w, h);
    c.fillStyle = colour("line");
    c.globalAlpha = 0.35;
    for (let p = this.low; p <= this.high; p++) {
      if (!WHITE.has(((p % 12) + 12) % 12)) c.fillRect(GUTTER, this.y(p), w, this.step);
    }
    c.globalAlpha = 1;
    this.rulers(c, to, w, h);
    for (const silent of [true, false]) {
      for (const n of this.within(this.from, to, silent)) this.one(c, n, h);
    }
    // the names of the pitches, over what scrolls below them
    c.fillStyle = colour("panel");
    c.fillRect(0, 0, GUTTER, h);
    c.fillStyle = colour("quiet");
    c.font = "12px Atkinson, sans-serif";
    c.textAlign = "right";
    c.textBaseline = "middle";
    for (let p = this.low; p <= this.high; p++) {
      const tone = ((p % 12) + 12) % 12;
      if (tone === 0 || this.step >= NAMES || (tone === 7 && this.step * 5 >= NAMES)) {
        c.fillText(toneName(p), GUTTER - 6, this.y(p) + this.step / 2);
      }
    }
    c.fillText("bar", GUTTER - 6, 10);
    c.fillText("row", GUTTER - 6, 30);
    c.fillText("127", GUTTER - 6, floor + 8);
    c.fillText("1", GUTTER - 6, h - 8);
    c.strokeStyle = colour("line");
    c.strokeRect(GUTTER - 0.5, -1, w + 9, h + 2);
    c.beginPath();
    for (const y of [RULER, floor]) { c.moveTo(0, y + 0.5); c.lineTo(w, y + 0.5); }
    c.stroke();
  }

  rulers(c, to, w, h) {
    const { show } = this;
    c.textAlign = "left";
    c.textBaseline = "middle";
    c.font = "12px Atkinson, sans-serif";
    const lines = (times, y, top, name) => {
      let free = 0;
      for (let k = Math.max(0, lower(times, this.from) - 1); k < times.length && times[k] <= to; k++) {
        const x = Math.round(this.x(times[k])) + 0.5;
        c.globalAlpha = name === "row" ? 1 : 0.8;
        c.strokeStyle = colour(name === "row" ? "edge" : "line");
        c.beginPath();
        c.moveTo(x, top);
        c.lineTo(x, h);
        c.stroke();
        c.fillStyle = colour("quiet");
        if (x >= free && x >= GUTTER - 4) {
          c.fillText(String(k + 1), x + 4, y);
          free = x + 30;
        }
      }
      c.globalAlpha = 1;
    };
    lines(show.bar_s, 10, 2, "bar");
    lines(show.row_s, 30, 22, "row");
    if (!this.loop) return;
    const [a, b] = this.loop.map((t) => this.x(t));
    c.fillStyle = colour("loop");
    c.fillRect(a, 0, b - a, h);
    c.fillStyle = colour("deed");
    c.fillRect(a, 0, b - a, 4);
  }

  one(c, n, h) {
    const voice = this.of(n, "voice");
    const chosen = this.same(n, this.chosen);
    const marked = this.mark && this.of(n, "row") === this.mark.row && this.of(n, "position") === this.mark.position;
    const pitch = this.of(n, "pitch") + (chosen ? this.shift?.semitones ?? 0 : 0);
    const velocity = (chosen && this.shift?.velocity) || this.of(n, "velocity");
    const x = this.x(this.of(n, "onset"));
    const wide = Math.max(3, this.of(n, "duration") * this.perS - 1);
    const thick = Math.max(3, this.step - 1);
    const y = this.y(pitch) + (this.step - thick) / 2;
    const quiet = this.silent.has(voice);
    c.globalAlpha = quiet ? 0.25 : 0.45 + 0.5 * (velocity / 127);
    c.fillStyle = c.strokeStyle = voiceColour(voice);
    c.lineWidth = 1.5;
    c.beginPath();
    c.roundRect(x, y, wide, thick, Math.min(4, thick / 2));
    if (n.silent) c.stroke();
    else c.fill();
    if (chosen || marked) {
      c.globalAlpha = 1;
      c.lineWidth = chosen ? 3 : 2;
      c.strokeStyle = colour(chosen ? "focus" : "sounding");
      c.stroke();
    }
    if (!n.silent) {
      const tall = (LANE - 10) * (velocity / 127);
      c.globalAlpha = quiet ? 0.25 : 0.9;
      c.fillStyle = chosen ? colour("focus") : voiceColour(voice);
      c.fillRect(x, h - 4 - tall, chosen ? 5 : 3, tall);
    }
    c.globalAlpha = 1;
  }
}
