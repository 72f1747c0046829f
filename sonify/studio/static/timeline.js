// Places in the piece, in s: found, looped, and carried from one show to the next.

export const SAME_S = 1e-6; // times nearer than this are the same
export const DRUMS = 128; // the instrument number of the drum kit

/** The first index whose value is at least x. */
export function lower(sorted, x) {
  let lo = 0;
  let hi = sorted.length;
  while (lo < hi) {
    const mid = (lo + hi) >> 1;
    if (sorted[mid] < x) lo = mid + 1;
    else hi = mid;
  }
  return lo;
}

/** The place that a segment of the schedule has reached at a context time. */
export const placeIn = (segment, time) => segment.place + Math.max(0, time - segment.time) * segment.pace;

/** The notes that began before a place and still sound there; drums never do. */
export function held(show, place) {
  show.longest ??= show.duration.reduce((a, b) => Math.max(a, b), 0);
  const out = [];
  const to = lower(show.onset, place - SAME_S);
  for (let n = lower(show.onset, place - show.longest); n < to; n++) {
    const drum = show.voices[show.voice[n]].instrument === DRUMS;
    if (!drum && show.onset[n] + show.duration[n] > place + 0.03) out.push(n);
  }
  return out;
}

/** The start and end of what repeats: a part that was chosen, the row at a place, the whole reading,
 * or null. */
export function loopRange(show, loop, place) {
  if (!show || !loop) return null;
  if (Array.isArray(loop)) return loop;
  if (loop === "all") return [0, show.readS];
  const last = show.row_s.length - 1;
  const row = Math.max(0, Math.min(lower(show.row_s, place + 1e-6) - 1, last));
  const start = show.row_s[row];
  const end = row < last ? show.row_s[row + 1] : show.readS;
  return [start, Math.max(end, start + 0.05)];
}

/** The place in a new show that is the same place on the disc as one in the old. */
export function carry(old, show, place) {
  if (!old || !show || old === show || !old.read_s.length) return place;
  if (place >= old.readS) return Math.min(show.readS + (place - old.readS), show.durationS);
  const n = Math.max(0, lower(old.read_s, place + 1e-9) - 1);
  const share = (place - old.read_s[n]) / old.positionS;
  const same = old.positions === show.positions && n < show.read_s.length;
  if (!same) return Math.min(1, place / old.readS) * show.readS;
  if (share <= 1) return Math.min(show.read_s[n] + share * show.positionS, show.durationS);
  // while the stage moves: the same share of the way to the next row
  const gap = (s) => (s.read_s[n + 1] ?? s.readS) - s.read_s[n] - s.positionS;
  const way = Math.min(1, (share - 1) * old.positionS / Math.max(gap(old), SAME_S));
  return Math.min(show.read_s[n] + show.positionS + way * Math.max(0, gap(show)), show.durationS);
}
