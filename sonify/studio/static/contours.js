// The background of the player: contour lines of a map.

import { colour, fit } from "./canvas.js";

const height = (x, y) => {
  const bump = (cx, cy, r, a) => a * Math.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (r * r));
  return bump(0.2, 0.85, 0.34, 1) + bump(0.78, 0.7, 0.4, 1.15) + bump(0.52, 1.15, 0.3, 0.7)
    + 0.05 * Math.sin(x * 9 + y * 4) + 0.04 * Math.sin(x * 23 - y * 9);
};

export function drawContours(canvas) {
  fit(canvas);
  const c = canvas.getContext("2d");
  const { width: w, height: h } = canvas;
  c.clearRect(0, 0, w, h);
  c.strokeStyle = colour("contour");
  const nx = 120;
  const ny = 44;
  const grid = [];
  for (let j = 0; j <= ny; j++) {
    const row = [];
    for (let i = 0; i <= nx; i++) row.push(height(i / nx, j / ny));
    grid.push(row);
  }
  const X = (i) => (i / nx) * w;
  const Y = (j) => (j / ny) * h;
  for (let level = 1; level < 16; level++) {
    const z = level * 0.085;
    c.lineWidth = level % 5 === 0 ? 1.6 : 0.8;
    c.beginPath();
    for (let j = 0; j < ny; j++) {
      for (let i = 0; i < nx; i++) {
        const a = grid[j][i] - z;
        const b = grid[j][i + 1] - z;
        const d = grid[j + 1][i] - z;
        const e = grid[j + 1][i + 1] - z;
        const cut = [];
        if (a * b < 0) cut.push([X(i + a / (a - b)), Y(j)]);
        if (b * e < 0) cut.push([X(i + 1), Y(j + b / (b - e))]);
        if (d * e < 0) cut.push([X(i + d / (d - e)), Y(j + 1)]);
        if (a * d < 0) cut.push([X(i), Y(j + a / (a - d))]);
        for (let k = 0; k + 1 < cut.length; k += 2) {
          c.moveTo(...cut[k]);
          c.lineTo(...cut[k + 1]);
        }
      }
    }
    c.stroke();
  }
}
