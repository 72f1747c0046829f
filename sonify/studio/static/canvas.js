// Canvases: their size in device pixels, and the colours of the page.

const sizes = new WeakMap();
const watch = new ResizeObserver((entries) => {
  for (const e of entries) sizes.set(e.target, [e.contentRect.width, e.contentRect.height]);
});

/** Fit a canvas to its size on the page; true if that changed. Sizes are observed, not queried: a
 * query in every frame would force a layout each time. */
export function fit(canvas) {
  if (!sizes.has(canvas)) {
    sizes.set(canvas, [canvas.clientWidth, canvas.clientHeight]);
    watch.observe(canvas);
  }
  const ratio = Math.min(window.devicePixelRatio || 1, 2.5);
  const [width, height] = sizes.get(canvas);
  const w = Math.max(1, Math.round(width * ratio));
  const h = Math.max(1, Math.round(height * ratio));
  if (canvas.width === w && canvas.height === h) return false;
  canvas.width = w;
  canvas.height = h;
  return true;
}

let cache = new Map();

/** A colour of the style sheet by name. */
export function colour(name) {
  if (!cache.has(name)) {
    cache.set(name, getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim());
  }
  return cache.get(name);
}

export const forgetColours = () => { cache = new Map(); };

export const VOICES = 8;
export const voiceColour = (n) => colour(`voice-${n % VOICES}`);

export const still = matchMedia("(prefers-reduced-motion: reduce)");
