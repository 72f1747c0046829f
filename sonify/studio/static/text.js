// Names, times and sizes in words.

const TITLES = new Map(["ASCII", "ITA2", "UTF-8", "CRC-16", "Reed-Solomon", "MPE", "MTS"].map((t) => [t.toLowerCase(), t]));

/** A name as it is written in files, in words. */
export const words = (name) => TITLES.get(String(name)) ?? String(name).replaceAll("-", " ");

export function clock(seconds) {
  const s = Math.max(0, seconds);
  const whole = Math.floor(s);
  const h0 = Math.floor(whole / 3600);
  const m = Math.floor(whole / 60) % 60;
  const two = (n) => String(n).padStart(2, "0");
  return h0 ? `${h0}:${two(m)}:${two(whole % 60)}` : `${m}:${two(whole % 60)}`;
}

export function size(bytes) {
  if (bytes < 1000) return `${bytes} B`;
  if (bytes < 1e6) return `${(bytes / 1e3).toFixed(1)} kB`;
  return `${(bytes / 1e6).toFixed(1)} MB`;
}

/** A number of things: "1 error", "2 errors". */
export const plural = (n, thing) => `${n.toLocaleString("en")} ${thing}${n === 1 ? "" : "s"}`;
