// How long files take and how large they get, before they are made.

import { recalled, remember } from "./keep.js";

const LEARNED = "sonify-costs";
const MEASURED = 1920 * 1080; // pixels of the clips whose costs were measured
const VIDEO = new Set([".mp4", ".webm", ".mov"]);

export const lasts = (s) => (s < 1.5 ? "a second" : s < 100 ? `${s < 10 ? Math.round(s) : 5 * Math.round(s / 5)} s` : `${Math.round(s / 60)} minutes`);

export class Estimates {
  /** `rows` are the kinds of files, by their names, with the costs that were measured. */
  constructor(rows) {
    this.rows = rows;
    // by kind and suffix: how much slower this machine is, and how much larger the files
    this.learned = recalled(LEARNED, {});
  }

  /** About how long some files take in s, and their size in bytes, for a piece of `length` s.
   *
   * `pixels` is the size of the picture of the kind `shown`, if that is known. */
  of(list, length, options = {}, shown = null, pixels = null) {
    let [time, bytes] = [0, 0];
    for (const [what, suffix] of list) {
      const row = this.rows.get(what);
      const part = row.options.includes("from") && options.from !== undefined ? options.to - options.from : length;
      const long = part * (VIDEO.has(suffix) || what === "sound" ? Math.max(1, options.loop ?? 1) : 1);
      // a lamp picture that is enlarged costs as much as a clip
      const large = what === "clip" || (options.size && row.options.includes("size"));
      const share = large && what === shown && pixels ? (pixels[0] * pixels[1]) / MEASURED : 1;
      const [first, each, size, more] = (large ? this.rows.get("clip") : row).costs[suffix] ?? [0.5, 0, 5000, 0];
      const [slower, larger] = this.learned[`${what}${suffix}`] ?? [1, 1];
      time += (first + each * share * long) * slower;
      bytes += (size + more * share * long) * larger;
    }
    return [time, bytes];
  }

  /** Learn from a file for which `[time, size]` was expected. */
  learn(what, suffix, [time, size], took, bytes) {
    const [slower, larger] = this.learned[`${what}${suffix}`] ?? [1, 1];
    this.learned[`${what}${suffix}`] = [slower * took / Math.max(time, 0.05), larger * bytes / Math.max(size, 1)];
    remember(LEARNED, this.learned);
  }
}
