// The disc seen from the front, turning; holes that have been read glow.

import { lower } from "./timeline.js";
import { colour, fit, still } from "./canvas.js";

const TURN = 2 * Math.PI;

/** The value at x, interpolated linearly between points. */
export function along(xs, ys, x) {
  const k = Math.max(1, Math.min(xs.length - 1, lower(xs, x)));
  const t = (x - xs[k - 1]) / (xs[k] - xs[k - 1] || 1);
  return ys[k - 1] + Math.max(0, Math.min(1, t)) * (ys[k] - ys[k - 1]);
}

export class DiscView {
  constructor(canvas) {
    this.canvas = canvas;
    this.plate = document.createElement("canvas");
    this.glow = document.createElement("canvas");
    this.both = document.createElement("canvas");
    this.read = 0;
  }

  setShow(show) {
    this.show = show;
    // redraw the plate only for another disc
    const key = JSON.stringify([show.document.disc, show.document.fit]);
    if (key !== this.key) this.stale = true;
    this.key = key;
    this.read = Infinity;
  }

  redraw() { this.stale = true; }

  get scale() { return (this.canvas.width / 2 - 2) / (this.show.geometry.outer * 1.03); }

  spot(row, position) {
    const { geometry, angles } = this.show;
    const a = (angles[position] * TURN) / 360;
    const r = geometry.radii[row];
    return [r * Math.sin(a), -r * Math.cos(a)];
  }

  plateUp() {
    const { show, plate, glow, canvas } = this;
    const size = canvas.width;
    for (const c of [plate, glow, this.both]) { c.width = size; c.height = size; }
    const g = show.geometry;
    const p = plate.getContext("2d");
    p.translate(size / 2, size / 2);
    p.scale(this.scale, this.scale);
    const wood = p.createRadialGradient(-g.outer * 0.3, -g.outer * 0.4, g.outer * 0.1, 0, 0, g.outer);
    wood.addColorStop(0, colour("wood-light"));
    wood.addColorStop(0.65, colour("wood"));
    wood.addColorStop(1, colour("wood-edge"));
    p.fillStyle = wood;
    p.beginPath();
    p.arc(0, 0, g.outer, 0, TURN);
    p.fill();
    // the grain of the sheet
    p.save();
    p.clip();
    p.strokeStyle = colour("grain");
    p.lineWidth = g.outer * 0.006;
    for (let k = -18; k <= 18; k++) {
      const y = (k / 18) * g.outer;
      p.beginPath();
      p.moveTo(-g.outer, y + Math.sin(k * 1.7) * g.outer * 0.02);
      p.bezierCurveTo(-g.outer * 0.3, y + Math.sin(k * 2.3) * g.outer * 0.05,
        g.outer * 0.3, y - Math.cos(k * 1.3) * g.outer * 0.05, g.outer, y + Math.cos(k) * g.outer * 0.02);
      p.stroke();
    }
    p.restore();
    p.globalCompositeOperation = "destination-out";
    p.beginPath();
    p.arc(0, 0, g.bore, 0, TURN);
    for (const k of g.keepOut) {
      const a = (k.angle * TURN) / 360;
      const x = k.radius * Math.sin(a);
      const y = -k.radius * Math.cos(a);
      p.moveTo(x + k.hole, y);
      p.arc(x, y, k.hole, 0, TURN);
    }
    const hole = g.hole;
    for (const angle of show.angles) {
      const a = (angle * TURN) / 360;
      const x = g.clock * Math.sin(a);
      const y = -g.clock * Math.cos(a);
      p.moveTo(x + hole, y);
      p.arc(x, y, hole, 0, TURN);
    }
    p.fill();
    p.beginPath();
    const { bits, positions, holeMeans } = show;
    for (let k = 0; k < bits.length; k++) {
      if (bits[k] !== holeMeans) continue;
      const [x, y] = this.spot(Math.floor(k / positions), k % positions);
      p.moveTo(x + hole, y);
      p.arc(x, y, hole, 0, TURN);
    }
    p.fill();
    p.globalCompositeOperation = "source-over";
    // unknown bits
    p.fillStyle = colour("unknown");
    p.beginPath();
    for (let k = 0; k < bits.length; k++) {
      if (bits[k] >= 0) continue;
      const [x, y] = this.spot(Math.floor(k / positions), k % positions);
      p.moveTo(x + hole * 0.6, y);
      p.arc(x, y, hole * 0.6, 0, TURN);
    }
    p.fill();
    this.read = Infinity;
    this.stale = false;
  }

  /** Light the holes that have been read by now. */
  light(count) {
    const { show, glow } = this;
    const c = glow.getContext("2d");
    if (count < this.read) {
      c.setTransform(1, 0, 0, 1, 0, 0);
      c.clearRect(0, 0, glow.width, glow.height);
      this.read = 0;
      this.join();
    }
    if (count === this.read) return;
    c.setTransform(this.scale, 0, 0, this.scale, glow.width / 2, glow.height / 2);
    const { read_row: row, read_position: position, bits, positions, holeMeans } = show;
    const holes = (r) => {
      c.beginPath();
      for (let k = this.read; k < count; k++) {
        if (bits[row[k] * positions + position[k]] !== holeMeans) continue;
        const [x, y] = this.spot(row[k], position[k]);
        c.moveTo(x + r, y);
        c.arc(x, y, r, 0, TURN);
      }
      c.fill();
    };
    const r = show.geometry.hole;
    const wide = Math.min(r * 2.1, show.geometry.gap * 0.55);
    c.fillStyle = colour("lit-halo");
    holes(wide);
    c.fillStyle = colour("lit");
    holes(r);
    this.read = count;
    this.join();
  }

  /** Plate and glow as one picture, so that only one is turned in each frame. */
  join() {
    const c = this.both.getContext("2d");
    const half = this.both.width / 2;
    c.clearRect(0, 0, half * 2, half * 2);
    c.fillStyle = colour("behind");
    c.beginPath();
    c.arc(half, half, this.show.geometry.outer * this.scale * 0.998, 0, TURN);
    c.fill();
    c.drawImage(this.plate, 0, 0);
    c.drawImage(this.glow, 0, 0);
  }

  draw(place) {
    const { show, canvas } = this;
    if (!show) return;
    const sized = fit(canvas);
    if (canvas.width < 24) return;
    if (sized || this.stale) this.plateUp();
    const c = canvas.getContext("2d");
    const size = canvas.width;
    const count = lower(show.read_s, place + 1e-6);
    this.light(count);
    const turned = along(show.turn_s, show.turns, place);
    const angle = still.matches ? 0 : (show.clockwise ? 1 : -1) * turned * TURN;
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.clearRect(0, 0, size, size);
    c.translate(size / 2, size / 2);
    c.rotate(angle);
    c.drawImage(this.both, -size / 2, -size / 2);
    this.angle = angle;
    if (this.mark) {
      const [x, y] = this.spot(this.mark.row, this.mark.position);
      c.strokeStyle = colour("focus");
      c.lineWidth = Math.max(2, size * 0.007);
      c.beginPath();
      c.arc(x * this.scale, y * this.scale, Math.max(5, show.geometry.hole * this.scale * 2), 0, TURN);
      c.stroke();
    }
    if (this.errors?.length) this.cross(c, size);
    // the stage with its two spots
    c.setTransform(1, 0, 0, 1, size / 2, size / 2);
    const n = Math.max(0, count - 1);
    let row = show.read_row[n];
    const radii = show.geometry.radii;
    let radius = radii[row];
    const over = place - (show.read_s[n] + show.positionS);
    if (over > 0 && row + 1 < radii.length && show.read_row[n + 1] !== row && n + 1 < show.read_s.length) {
      const gap = show.read_s[n + 1] - show.read_s[n] - show.positionS;
      radius += (radii[row + 1] - radius) * Math.min(1, over / Math.max(gap, 1e-6));
    }
    const k = this.scale;
    let beam = 0;
    if (still.matches) {
      beam = (show.angles[show.read_position[n]] * TURN) / 360;
    }
    c.rotate(beam);
    c.strokeStyle = colour("stage");
    c.lineWidth = Math.max(1.5, size * 0.006);
    c.beginPath();
    c.moveTo(0, -show.geometry.outer * k * 1.025);
    c.lineTo(0, -radius * k);
    c.stroke();
    for (const r of [show.geometry.clock, radius]) {
      const spot = Math.max(3.5, show.geometry.hole * k * 1.25);
      c.fillStyle = colour("spot-halo");
      c.beginPath();
      c.arc(0, -r * k, spot * 2.1, 0, TURN);
      c.fill();
      c.strokeStyle = colour("spot");
      c.lineWidth = Math.max(1.5, size * 0.005);
      c.beginPath();
      c.arc(0, -r * k, spot, 0, TURN);
      c.stroke();
    }
  }

  /** Cross out the places where a comparison found errors. */
  cross(c, size) {
    const arm = Math.max(4, this.show.geometry.hole * this.scale * 1.6);
    c.strokeStyle = colour("unknown");
    c.lineWidth = Math.max(2, size * 0.006);
    c.beginPath();
    for (const { row, position } of this.errors) {
      const [x, y] = this.spot(row, position).map((v) => v * this.scale);
      c.moveTo(x - arm, y - arm);
      c.lineTo(x + arm, y + arm);
      c.moveTo(x - arm, y + arm);
      c.lineTo(x + arm, y - arm);
    }
    c.stroke();
  }

  /** The place at a point of the canvas, as the disc stands now. */
  hit(x, y) {
    const { show, canvas } = this;
    const [px, py] = [x, y].map((v) => (v - canvas.width / 2) / this.scale);
    const r = Math.hypot(px, py);
    const row = show.geometry.radii.reduce((best, radius, k, all) => (Math.abs(radius - r) < Math.abs(all[best] - r) ? k : best), 0);
    if (Math.abs(show.geometry.radii[row] - r) > show.geometry.gap / 2) return null;
    const from = (Math.atan2(px, -py) - (this.angle ?? 0)) / TURN * 360;
    const apart = (angle) => Math.abs(((angle - from + 540) % 360 + 360) % 360 - 180);
    const position = show.angles.reduce((best, angle, k, all) => (apart(angle) < apart(all[best]) ? k : best), 0);
    return { row, position };
  }
}
