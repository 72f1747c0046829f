// The matrix, lamp for lamp, in its look.

import { lower } from "./timeline.js";
import { fit } from "./canvas.js";

/** Linear light from an sRGB value and back, 0 to 1 (IEC 61966-2-1). */
const linear = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
const encoded = (v) => (v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055);

const parts = (colour) => [1, 3, 5].map((k) => linear(parseInt(colour.slice(k, k + 2), 16) / 255));
const css = (rgb) => `rgb(${rgb.map((v) => Math.round(255 * encoded(Math.min(v, 1)))).join(" ")})`;

/** The colour of a lens with so much light: over 1 it turns white, as in the files. */
function shade(lamp, unlit, light, glare) {
  const over = glare ? Math.max(light - 1, 0) : 0;
  const white = over / (over + 2);
  return css(lamp.map((v, k) => {
    const mixed = unlit[k] + (v - unlit[k]) * Math.min(light, 1);
    return mixed + (1 - mixed) * white;
  }));
}

/** A share of linear light as the last two digits of a colour. */
const alpha = (light) =>
  Math.round(255 * encoded(Math.min(light, 1))).toString(16).padStart(2, "0");

/** A gradient from one radius to another in equal steps. */
function radial(c, middle, from, to, stops) {
  const out = c.createRadialGradient(middle, middle, from, middle, middle, to);
  stops.forEach((stop, k) => out.addColorStop(k / (stops.length - 1), stop));
  return out;
}

export class MatrixView {
  constructor(canvas) {
    this.canvas = canvas;
    this.base = document.createElement("canvas");
    this.sprites = new Map();
  }

  setShow(show) {
    const { look } = show;
    const same = this.show
      && JSON.stringify([this.show.look, this.show.matrix]) === JSON.stringify([look, show.matrix]);
    this.show = show;
    const lamps = show.matrix.width * show.matrix.height;
    // each lamp fades from one level to another, starting at `since`; lamps are numbered as seen
    this.levels = new Uint8Array(lamps);
    this.from = new Uint8Array(lamps);
    this.to = new Uint8Array(lamps);
    this.since = new Float64Array(lamps);
    // which of the look's colours each lamp has, kept while it fades out
    this.hue = new Uint8Array(lamps);
    this.forget();
    if (!same) {
      this.stale = true;
      const [w, h] = this.units();
      this.canvas.style.aspectRatio = `${w} / ${h}`;
      this.canvas.closest(".matrix-view").style.setProperty("--ratio", w / h);
    }
  }

  forget() {
    this.from.fill(0);
    this.to.fill(0);
    this.since.fill(-1e9);
    this.upTo = 0;
    this.step = -1;
    this.last = -1e9;
    this.drawn = false;
  }

  redraw() { this.stale = true; }

  /** The picture's size in lamps, with border and seams. */
  units() {
    const { look } = this.show;
    const seams = (n) => (look.module ? Math.floor((n - 1) / look.module) * look["module-gap"] : 0);
    const margin = 2 * look.margin;
    return [look.across + seams(look.across) + margin, look.down + seams(look.down) + margin];
  }

  levelOf(lamp, time) {
    const from = this.from[lamp];
    const to = this.to[lamp];
    if (from === to) return to;
    const most = (255 * (time - this.since[lamp])) / this.show.look.fade;
    return Math.abs(to - from) <= most ? to : from + Math.sign(to - from) * most;
  }

  turn(lamp, level, time, hue = 0) {
    if (level && this.hue[lamp] !== hue) {
      this.hue[lamp] = hue;
      this.drawn = false;
    }
    if (this.to[lamp] === level) return;
    this.from[lamp] = this.show.look.fade > 0 ? this.levelOf(lamp, time) : level;
    this.to[lamp] = level;
    this.since[lamp] = time;
    this.last = time;
    this.drawn = false;
  }

  /** The levels of all lamps, numbered as seen, at a time of the show. */
  levelsAt(place) {
    const s = this.show;
    const count = lower(s.light_s, place + 1e-6);
    const step = s.scroll && place >= s.scroll.startS - 1e-9
      ? Math.min(Math.floor((place - s.scroll.startS) / s.scroll.columnS + 1e-6), s.scroll.steps) : -1;
    if (count < this.upTo || step < this.step) this.forget();
    for (let k = this.upTo; k < count; k++) {
      this.turn(s.seen[s.light_led[k]], s.light_level[k], s.light_s[k], s.light_hue[k]);
    }
    this.upTo = count;
    if (step > this.step) {
      // a few steps back show how far fading lamps have come
      const far = Math.ceil(s.look.fade / s.scroll.columnS) + 1;
      for (let k = Math.max(this.step + 1, step - far); k <= step; k++) this.scrollTo(k);
      this.step = step;
    }
    if (place < this.last + s.look.fade + 0.05) this.drawn = false;
    if (!this.drawn) {
      for (let lamp = 0; lamp < this.levels.length; lamp++) this.levels[lamp] = this.levelOf(lamp, place);
    }
    return this.levels;
  }

  scrollTo(step) {
    const { scroll, scroll_bits: bits, seen, matrix: { width, height } } = this.show;
    const bytes = Math.ceil(scroll.columns / 8);
    const time = scroll.startS + step * scroll.columnS;
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        const j = step - width + 1 + x;
        const on = j >= 0 && j < scroll.columns && (bits[y * bytes + (j >> 3)] >> (j & 7)) & 1;
        this.turn(seen[y * width + x], on ? 255 : 0, time);
      }
    }
  }

  /** The middle of a lamp in pixels of the canvas. */
  centre(x, y) {
    const { look } = this.show;
    const seam = (n) => (look.module ? Math.floor(n / look.module) * look["module-gap"] : 0);
    const s = this.lampSize;
    return [(look.margin + x + seam(x) + 0.5) * s, (look.margin + y + seam(y) + 0.5) * s];
  }

  lens(c, x, y, size, shape) {
    const half = (size * (1 - this.show.look.gap)) / 2;
    if (shape === "square") c.rect(x - half, y - half, half * 2, half * 2);
    else if (shape === "bar") c.roundRect(x - half / 3, y - half, (half * 2) / 3, half * 2, half / 3);
    else if (shape === "ring") {
      c.moveTo(x + half, y);
      c.arc(x, y, half, 0, 2 * Math.PI);
      c.moveTo(x + half * 0.44, y);
      c.arc(x, y, half * 0.44, 0, 2 * Math.PI, true);
    } else if (shape === "chip") { c.moveTo(x + half / 2, y); c.arc(x, y, half / 2, 0, 2 * Math.PI); }
    else { c.moveTo(x + half, y); c.arc(x, y, half, 0, 2 * Math.PI); }
  }

  /** The picture of a lamp at a step of brightness in one of the look's colours. */
  sprite(level, hue) {
    const key = level + 256 * hue;
    if (this.sprites.has(key)) return this.sprites.get(key);
    const { look } = this.show;
    const size = this.lampSize;
    const light = level / look.steps;
    const wide = Math.ceil(size * 2 * look.reach);
    const sprite = document.createElement("canvas");
    sprite.width = wide;
    sprite.height = wide;
    const c = sprite.getContext("2d");
    const mid = wide / 2;
    const half = (size * (1 - look.gap)) / 2;
    if (look.glow > 0 || look.bloom > 0) {
      c.fillStyle = radial(c, mid, half, size * look.reach,
        look.halo.map((x) => look.hues[hue] + alpha(x * light)));
      c.fillRect(0, 0, wide, wide);
    }
    c.beginPath();
    this.lens(c, mid, mid, size, look.shape);
    const [lamp, unlit] = [parts(look.hues[hue]), parts(look.unlit)];
    c.fillStyle = radial(c, mid, 0, half,
      look.lens.map((x) => shade(lamp, unlit, x * light, look.glare)));
    c.fill();
    this.sprites.set(key, sprite);
    return sprite;
  }

  baseUp() {
    const { base, canvas, show } = this;
    const { look } = show;
    base.width = canvas.width;
    base.height = canvas.height;
    this.lampSize = canvas.width / this.units()[0];
    this.sprites.clear();
    const c = base.getContext("2d");
    const ground = look.background;
    if (/^#[0-9a-f]{6}$/i.test(ground)) {
      c.fillStyle = ground;
      c.fillRect(0, 0, base.width, base.height);
    }
    c.fillStyle = look.unlit;
    c.beginPath();
    for (let y = 0; y < look.down; y++) {
      for (let x = 0; x < look.across; x++) {
        const [cx, cy] = this.centre(x, y);
        this.lens(c, cx, cy, this.lampSize, look.shape);
      }
    }
    c.fill();
    this.stale = false;
    this.drawn = false;
    this.whole = true;
    this.painted = new Uint16Array(look.across * look.down);
  }

  draw(place) {
    if (!this.show) return;
    if (fit(this.canvas) || this.stale) this.baseUp();
    const levels = this.levelsAt(place);
    if (this.drawn) return;
    const c = this.canvas.getContext("2d");
    const changed = [];
    const top = this.show.look.steps;
    for (let lamp = 0; lamp < levels.length; lamp++) {
      const level = Math.round((levels[lamp] / 255) * top);
      const key = level && level + 256 * this.hue[lamp];
      if (key !== this.painted[lamp]) changed.push(lamp);
      this.painted[lamp] = key;
    }
    if (this.whole || changed.length > 24) {
      c.clearRect(0, 0, this.canvas.width, this.canvas.height);
      c.drawImage(this.base, 0, 0);
      for (let lamp = 0; lamp < levels.length; lamp++) this.lamp(c, lamp);
      this.whole = false;
    } else for (const lamp of changed) this.around(c, lamp);
    this.drawn = true;
  }

  /** The place that last lit, or will first light, the lamp at a point of the canvas. */
  hit(x, y) {
    const { show } = this;
    const { across, down } = show.look;
    const lamps = [...Array(across * down).keys()];
    const near = lamps.find((lamp) => {
      const [cx, cy] = this.centre(lamp % across, Math.floor(lamp / across));
      return Math.hypot(cx - x, cy - y) < this.lampSize * 0.6;
    });
    if (near === undefined) return null;
    let best = -1;
    for (let k = 0; k < show.light_s.length; k++) {
      if (!show.light_level[k] || show.seen[show.light_led[k]] !== near) continue;
      if (best >= 0 && show.light_s[k] > this.last) break;
      best = k;
    }
    if (best < 0) return null;
    const n = Math.max(0, lower(show.read_s, show.light_s[best] + 1e-6) - 1);
    return { row: show.read_row[n], position: show.read_position[n] };
  }

  /** Put an element round a lamp. */
  surround(ring, lamp) {
    const { across } = this.show.look;
    const [x, y] = this.centre(lamp % across, Math.floor(lamp / across));
    const { width, height } = this.canvas;
    Object.assign(ring.style, { left: `${(100 * x) / width}%`, top: `${(100 * y) / height}%`,
      width: `${(115 * this.lampSize) / width}%`, aspectRatio: "1" });
  }

  lamp(c, lamp) {
    const key = this.painted[lamp];
    if (!key) return;
    const { across } = this.show.look;
    const [x, y] = this.centre(lamp % across, Math.floor(lamp / across));
    const sprite = this.sprite(key & 255, key >> 8);
    c.drawImage(sprite, Math.round(x - sprite.width / 2), Math.round(y - sprite.height / 2));
  }

  /** Repaint a lamp and everything its light reaches. */
  around(c, lamp) {
    const { across, down } = this.show.look;
    const [column, row] = [lamp % across, Math.floor(lamp / across)];
    const [x, y] = this.centre(column, row);
    const reach = Math.ceil(this.lampSize * this.show.look.reach) + 1;
    const [left, top] = [Math.floor(x - reach), Math.floor(y - reach)];
    c.save();
    c.beginPath();
    c.rect(left, top, 2 * reach, 2 * reach);
    c.clip();
    c.clearRect(left, top, 2 * reach, 2 * reach);
    c.drawImage(this.base, 0, 0);
    for (let j = Math.max(0, row - 2); j <= Math.min(down - 1, row + 2); j++) {
      for (let i = Math.max(0, column - 2); i <= Math.min(across - 1, column + 2); i++) {
        this.lamp(c, j * across + i);
      }
    }
    c.restore();
  }
}
