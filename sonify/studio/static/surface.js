// Canvases: their size in device pixels, and the colours of the page.

/** Fit a canvas to the size it has on the page; true when that changed. */
export function fit(canvas) {
  const ratio = Math.min(window.devicePixelRatio || 1, 2.5);
  const w = Math.max(1, Math.round(canvas.clientWidth * ratio));
  const h = Math.max(1, Math.round(canvas.clientHeight * ratio));
  if (canvas.width === w && canvas.height === h) return false;
  canvas.width = w;
  canvas.height = h;
  return true;
}

let cache = new Map();

/** A colour of the style sheet by its name. */
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
