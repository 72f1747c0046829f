// The trail: the whole piece as a ridge line with its notes above it; and the notes around the
// current time.

import { lower } from "./timeline.js";
import { colour, fit, voiceColour } from "./canvas.js";

const NEAR_BEFORE_S = 1.6;
const NEAR_AFTER_S = 4.4;
const MAX_MARKS = 30000;

/** Write texts at their places. If more than one in five has no room, write nothing and return null,
 * unless `some` is enough. */
function place(c, texts, size, some) {
  let free = 0;
  const fits = [];
  for (const [x, text] of texts) {
    if (x < free) continue;
    fits.push([x, text]);
    free = x + c.measureText(text).width + size * 0.7;
  }
  if (!some && fits.length < texts.length * 0.8) return null;
  for (const [x, text] of fits) c.fillText(text, x, c.canvas.height - size * 0.5);
  return free;
}

export class TrailView {
  constructor(canvas, walk) {
    this.canvas = canvas;
    this.walk = walk;
  }

  setShow(show) {
    this.show = show;
    this.stale = true;
  }

  redraw() { this.stale = true; }

  setSilent(silent) {
    this.silent = silent;
    this.stale = true;
  }

  x(time) { return (time / this.end) * this.canvas.width; }
  time(x) { return (x / this.canvas.width) * this.end; }
  get end() { return Math.max(this.show.durationS, this.show.soundS, 1e-6); }

  /** The ridge: the density of notes along the piece, smoothed. */
  profile() {
    const { show } = this;
    const count = 240;
    const raw = new Float32Array(count);
    for (let k = 0; k < show.onset.length; k++) {
      const at = Math.min(count - 1, Math.floor((show.onset[k] / this.end) * count));
      raw[at] += show.velocity[k];
    }
    const most = Math.max(1, ...raw);
    const out = new Float32Array(count + 1);
    for (let k = 0; k <= count; k++) {
      let sum = 0;
      let weight = 0;
      for (let d = -5; d <= 5; d++) {
        const w = Math.exp(-(d * d) / 9);
        sum += w * (raw[Math.max(0, Math.min(count - 1, k + d))] / most);
        weight += w;
      }
      out[k] = sum / weight;
    }
    return out;
  }

  height(time) {
    const at = (time / this.end) * (this.ridge.length - 1);
    const k = Math.max(0, Math.min(this.ridge.length - 2, Math.floor(at)));
    const v = this.ridge[k] + (this.ridge[k + 1] - this.ridge[k]) * Math.min(1, Math.max(0, at - k));
    const h = this.canvas.height;
    return h - h * (0.2 + 0.24 * v);
  }

  outline(c, from, to) {
    const steps = 180;
    for (let k = 0; k <= steps; k++) {
      const t = from + ((to - from) * k) / steps;
      c.lineTo(this.x(t), this.height(t));
    }
  }

  paint() {
    const { show, canvas } = this;
    const c = canvas.getContext("2d");
    const { width: w, height: h } = canvas;
    c.clearRect(0, 0, w, h);
    this.ridge = this.profile();
    // the notes above the ridge
    const low = show.low - 1;
    const range = Math.max(8, show.high - show.low + 2);
    const top = h * 0.05;
    const room = h * 0.54;
    const n = show.onset.length;
    const every = Math.max(1, Math.ceil(n / MAX_MARKS));
    const thick = Math.max(1.5, Math.min(h * 0.03, room / range));
    for (let k = 0; k < n; k += every) {
      const voice = show.voice[k];
      if (this.silent?.has(voice)) continue;
      c.globalAlpha = 0.35 + 0.6 * (show.velocity[k] / 127);
      c.fillStyle = voiceColour(voice);
      const y = top + room * (1 - (show.pitch[k] - low) / range);
      c.fillRect(this.x(show.onset[k]), y, Math.max(1, this.x(show.duration[k]) - 0.5), thick);
    }
    c.globalAlpha = 1;
    // a distant ridge, and the one that the piece walks along
    c.fillStyle = colour("far-ridge");
    c.beginPath();
    c.moveTo(0, h);
    for (let k = 0; k <= 120; k++) {
      const x = (k / 120) * w;
      c.lineTo(x, h - h * (0.3 + 0.07 * Math.sin(k * 0.11 + 1) + 0.045 * Math.sin(k * 0.29) + 0.012 * Math.sin(k * 1.1)));
    }
    c.lineTo(w, h);
    c.fill();
    c.fillStyle = colour("ridge");
    c.beginPath();
    c.moveTo(0, h);
    this.outline(c, 0, this.end);
    c.lineTo(w, h);
    c.fill();
    // a cairn where each row begins
    c.fillStyle = colour("cairn");
    const rows = show.row_s.length;
    const gap = this.x(show.row_s[1] ?? this.end);
    if (gap > 5) {
      const s = Math.min(h * 0.028, gap * 0.16);
      for (let r = 0; r < rows; r++) {
        const x = this.x(show.row_s[r]) + s;
        const y = this.height(show.row_s[r]);
        c.beginPath();
        c.ellipse(x, y - s * 0.4, s * 1.25, s * 0.62, 0, 0, 7);
        c.ellipse(x, y - s * 1.35, s * 0.9, s * 0.5, 0, 0, 7);
        c.ellipse(x, y - s * 2.1, s * 0.55, s * 0.4, 0, 0, 7);
        c.fill();
      }
    }
    // the message's words where they are read, if most have room
    const size = Math.max(10, Math.min(h * 0.1, 15 * Math.min(window.devicePixelRatio || 1, 2.5)));
    c.font = `500 ${size}px Atkinson, sans-serif`;
    c.textAlign = "left";
    c.fillStyle = colour("trail-letter");
    const words = this.words().map(([at, text]) => [Math.max(size * 0.4, this.x(at)), text]);
    let free = place(c, words, size, false);
    if (free === null) {
      // too many to read: number the rows instead
      const least = Math.max(1, (size * 5) / Math.max(1e-6, gap));
      const by = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].find((n) => n >= least) ?? 5000;
      const marks = [];
      for (let r = 0; r < rows; r += by) {
        marks.push([this.x(show.row_s[r]) + size * 0.4, `row ${r + 1}`]);
      }
      free = place(c, marks, size, true);
    }
    c.textAlign = "center";
    if (show.scroll) {
      const x = this.x(show.scroll.startS);
      if (w - x > size * 7) {
        c.fillText("message", Math.max((x + w) / 2, free + size * 4), h - size * 0.5);
      }
    }
    this.stale = false;
  }

  /** The message's words, and when the first character of each is known. */
  words() {
    const { caption_s: time, caption_point: point } = this.show;
    const out = [];
    let last = null;
    for (let k = 0; k < time.length && out.length < 2000; k++) {
      const char = String.fromCodePoint(point[k]);
      if (!char.trim()) last = null;
      else if (last) last[1] += char;
      else out.push(last = [time[k], char]);
    }
    return out;
  }

  draw(place, loop) {
    if (!this.show) return;
    let anew = fit(this.canvas) || this.stale;
    if (anew) this.paint();
    anew = fit(this.walk) || anew;
    // draw again only after a step of half a pixel
    const state = `${Math.round(this.x(place) * 2)} ${loop}`;
    if (!anew && state === this.state) return;
    this.state = state;
    const c = this.walk.getContext("2d");
    const { width: w, height: h } = this.walk;
    c.clearRect(0, 0, w, h);
    if (loop) {
      c.fillStyle = colour("loop");
      c.fillRect(this.x(loop[0]), 0, this.x(loop[1]) - this.x(loop[0]), h);
    }
    const r = Math.max(4, h * 0.045);
    const x = Math.max(r, Math.min(w - r, this.x(place)));
    c.strokeStyle = colour("walked");
    c.lineWidth = Math.max(2, h * 0.018);
    c.lineJoin = "round";
    c.beginPath();
    this.outline(c, 0, Math.min(place, this.end));
    c.stroke();
    const y = this.height(Math.min(place, this.end));
    c.strokeStyle = colour("now-line");
    c.lineWidth = Math.max(1, h * 0.008);
    c.beginPath();
    c.moveTo(x, h * 0.02);
    c.lineTo(x, y - r);
    c.stroke();
    c.fillStyle = colour("spot-halo");
    c.beginPath();
    c.arc(x, y - r, r * 2.2, 0, 7);
    c.fill();
    c.fillStyle = colour("lamp");
    c.beginPath();
    c.arc(x, y - r, r, 0, 7);
    c.fill();
  }
}

export class NearView {
  constructor(canvas) {
    this.canvas = canvas;
    this.longest = 0;
  }

  setShow(show) {
    this.show = show;
    this.longest = 0;
    for (const d of show.duration) if (d > this.longest) this.longest = d;
    this.longest = Math.min(this.longest, 40);
  }

  setSilent(silent) { this.silent = silent; }

  scale() {
    const range = Math.max(10, this.show.high - this.show.low + 3);
    const h = this.canvas.height;
    return { range, thick: Math.max(h * 0.05, Math.min(h / range, h * 0.09)) };
  }

  /** The place whose note is at a point of the canvas. */
  hit(x, y) {
    const { show, canvas } = this;
    const { range, thick } = this.scale();
    const time = this.place - NEAR_BEFORE_S + (x / canvas.width) * (NEAR_BEFORE_S + NEAR_AFTER_S);
    for (let k = lower(show.onset, time - this.longest); k < show.onset.length && show.onset[k] <= time; k++) {
      if (show.onset[k] + show.duration[k] < time || this.silent?.has(show.voice[k])) continue;
      const top = (canvas.height - thick) * (1 - (show.pitch[k] - show.low + 1) / range);
      if (y >= top && y <= top + thick) return { row: show.note_row[k], position: show.note_position[k] };
    }
    return null;
  }

  draw(place) {
    const { show, canvas } = this;
    if (!show) return;
    fit(canvas);
    const c = canvas.getContext("2d");
    const { width: w, height: h } = canvas;
    c.clearRect(0, 0, w, h);
    const perS = w / (NEAR_BEFORE_S + NEAR_AFTER_S);
    const x = (t) => (t - place + NEAR_BEFORE_S) * perS;
    // vertical lines where rows begin
    c.strokeStyle = colour("line");
    c.lineWidth = 1;
    const firstRow = lower(show.row_s, place - NEAR_BEFORE_S);
    for (let r = firstRow; r < show.row_s.length && x(show.row_s[r]) < w; r++) {
      c.beginPath();
      c.moveTo(Math.round(x(show.row_s[r])) + 0.5, 0);
      c.lineTo(Math.round(x(show.row_s[r])) + 0.5, h);
      c.stroke();
    }
    const { range, thick } = this.scale();
    this.place = place;
    const from = lower(show.onset, place - NEAR_BEFORE_S - this.longest);
    const to = lower(show.onset, place + NEAR_AFTER_S);
    for (let k = from; k < to; k++) {
      const left = x(show.onset[k]);
      const wide = show.duration[k] * perS;
      if (left + wide < 0 || this.silent?.has(show.voice[k])) continue;
      const sounding = show.onset[k] <= place && show.onset[k] + show.duration[k] > place;
      const past = show.onset[k] + show.duration[k] <= place;
      const y = (h - thick) * (1 - (show.pitch[k] - show.low + 1) / range);
      c.globalAlpha = past ? 0.32 : sounding ? 1 : 0.66;
      c.fillStyle = voiceColour(show.voice[k]);
      c.beginPath();
      c.roundRect(left, y, Math.max(thick * 0.6, wide - 1), thick, thick * 0.4);
      c.fill();
      const marked = this.mark?.notes.includes(k);
      if (sounding || marked) {
        c.lineWidth = Math.max(1, thick * (marked ? 0.4 : 0.22));
        c.strokeStyle = colour(marked ? "focus" : "sounding");
        c.stroke();
      }
    }
    c.globalAlpha = 1;
    c.fillStyle = colour("now-line");
    c.fillRect(Math.round(NEAR_BEFORE_S * perS), 0, Math.max(1, w * 0.0015), h);
  }
}
