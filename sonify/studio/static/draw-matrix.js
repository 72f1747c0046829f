// The matrix, lamp for lamp, in its look.

import { lower } from "./sound.js";
import { fit } from "./surface.js";

export class MatrixView {
  constructor(canvas) {
    this.canvas = canvas;
    this.base = document.createElement("canvas");
    this.sprites = new Map();
  }

  setShow(show) {
    const { width, height } = show.matrix;
    const same = this.show
      && JSON.stringify([this.show.look, this.show.matrix]) === JSON.stringify([show.look, show.matrix]);
    this.show = show;
    this.levels = new Uint8Array(width * height);
    this.upTo = 0;
    this.step = null;
    this.drawn = null;
    if (!same) {
      this.stale = true;
      const [w, h] = this.units();
      this.canvas.style.aspectRatio = `${w} / ${h}`;
    }
  }

  redraw() { this.stale = true; }

  /** The picture's size in lamps, with border and seams. */
  units() {
    const { look, matrix } = this.show;
    const seams = (n) => (look.module ? Math.floor((n - 1) / look.module) * look["module-gap"] : 0);
    const margin = 2 * look.margin;
    return [matrix.width + seams(matrix.width) + margin, matrix.height + seams(matrix.height) + margin];
  }

  /** The levels of all lamps at a place: what the server sent, up to there. */
  levelsAt(place) {
    const s = this.show;
    const { width, height } = s.matrix;
    if (s.scroll && place >= s.scroll.startS - 1e-9) {
      const step = Math.min(
        Math.floor((place - s.scroll.startS) / s.scroll.columnS + 1e-6), s.scroll.steps);
      if (this.step !== step) {
        this.step = step;
        const bytes = Math.ceil(s.scroll.columns / 8);
        for (let y = 0; y < height; y++) {
          for (let x = 0; x < width; x++) {
            const j = step - width + 1 + x;
            const on = j >= 0 && j < s.scroll.columns
              && (s.scroll_bits[y * bytes + (j >> 3)] >> (j & 7)) & 1;
            this.levels[y * width + x] = on ? 255 : 0;
          }
        }
        this.drawn = null;
      }
      return this.levels;
    }
    const count = lower(s.light_s, place + 1e-6);
    if (this.step !== null || count < this.upTo) {
      this.levels.fill(0);
      this.upTo = 0;
      this.step = null;
      this.drawn = null;
    }
    if (count > this.upTo) this.drawn = null;
    for (let k = this.upTo; k < count; k++) this.levels[s.light_led[k]] = s.light_level[k];
    this.upTo = count;
    return this.levels;
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
    else { c.moveTo(x + half, y); c.arc(x, y, half, 0, 2 * Math.PI); }
  }

  sprite(level) {
    if (this.sprites.has(level)) return this.sprites.get(level);
    const { look } = this.show;
    const size = this.lampSize;
    const wide = Math.ceil(size * 3);
    const sprite = document.createElement("canvas");
    sprite.width = wide;
    sprite.height = wide;
    const c = sprite.getContext("2d");
    const mid = wide / 2;
    const half = (size * (1 - look.gap)) / 2;
    c.globalAlpha = level / 255;
    if (look.glow > 0) {
      const halo = c.createRadialGradient(mid, mid, half * 0.8, mid, mid, size * 1.45);
      const part = (a) => look.lamp + Math.round(255 * a).toString(16).padStart(2, "0");
      halo.addColorStop(0, part(look.glow * 0.55));
      halo.addColorStop(0.35, part(look.glow * 0.2));
      halo.addColorStop(1, part(0));
      c.fillStyle = halo;
      c.fillRect(0, 0, wide, wide);
    }
    c.beginPath();
    this.lens(c, mid, mid, size, look.shape);
    if (look.shape === "diffused") {
      const soft = c.createRadialGradient(mid, mid, 0, mid, mid, half * 1.05);
      soft.addColorStop(0, look.lamp);
      soft.addColorStop(0.6, look.lamp + "d8");
      soft.addColorStop(1, look.lamp + "80");
      c.fillStyle = soft;
    } else c.fillStyle = look.lamp;
    c.fill();
    this.sprites.set(level, sprite);
    return sprite;
  }

  baseUp() {
    const { base, canvas, show } = this;
    const { look, matrix } = show;
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
    for (let y = 0; y < matrix.height; y++) {
      for (let x = 0; x < matrix.width; x++) {
        const [cx, cy] = this.centre(x, y);
        this.lens(c, cx, cy, this.lampSize, look.shape);
      }
    }
    c.fill();
    this.stale = false;
    this.drawn = null;
  }

  draw(place) {
    if (!this.show) return;
    if (fit(this.canvas) || this.stale) this.baseUp();
    const levels = this.levelsAt(place);
    if (this.drawn === levels) return;
    const c = this.canvas.getContext("2d");
    const { width } = this.show.matrix;
    c.clearRect(0, 0, this.canvas.width, this.canvas.height);
    c.drawImage(this.base, 0, 0);
    for (let led = 0; led < levels.length; led++) {
      if (!levels[led]) continue;
      const [x, y] = this.centre(led % width, Math.floor(led / width));
      const sprite = this.sprite(levels[led]);
      c.drawImage(sprite, Math.round(x - sprite.width / 2), Math.round(y - sprite.height / 2));
    }
    this.drawn = levels;
  }
}
