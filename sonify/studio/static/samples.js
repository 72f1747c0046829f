// The sounds of single notes, requested from the server as needed and cached.

import { postPacked } from "./api.js";
import { lower } from "./timeline.js";

const CHUNK = 6; // sounds in a request, while many are missing
const REST_MS = 250; // own choice: longer than from one step of a held arrow key to the next
const CACHE_BYTES = 300e6;

/** Events: `notes` when sounds arrived. */
export class Samples extends EventTarget {
  constructor() {
    super();
    this.notes = new Map(); // "instrument:pitch" to its sound
    this.bytes = 0;
    this.wanted = [];
    this.fetching = 0;
    this.held = false;
  }

  /** Ask for nothing more until let go: the machine then has all its time for what is asked beside. */
  hold() {
    clearTimeout(this.timer);
    this.held = true;
  }

  letGo() {
    clearTimeout(this.timer);
    this.held = false;
    this.fetch();
  }

  /** Let go once changes have rested, as nothing is heard yet: most notes of a setting that is passed
   * on the way to another are never needed. */
  letGoSoon() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.letGo(), REST_MS);
  }

  get(instrument, pitch) { return this.notes.get(`${instrument}:${pitch}`); }

  /** Ask for the sounds that a show lacks, in the order in which they are due. */
  want(s, place, pace) {
    const first = new Map();
    const due = new Map();
    for (const [voice, instrument, pitch, longest] of s.keys) {
      const id = `${instrument}:${pitch}`;
      const need = Math.max(first.get(id)?.longest ?? 0, longest / Math.min(1, pace));
      first.set(id, { id, instrument, pitch, longest: need });
      due.set(`${voice}:${pitch}`, id);
    }
    const missing = new Set();
    for (const [id, key] of first) {
      const have = this.notes.get(id);
      if (!have || (have.hold < key.longest + 0.2 && !have.loop && !have.short)) missing.add(id);
    }
    const order = new Map();
    const from = lower(s.onset, place);
    const count = s.onset.length;
    for (let k = 0; k < count && order.size < missing.size; k++) {
      const n = (from + k) % count;
      const id = due.get(`${s.voice[n]}:${Math.round(s.pitch[n])}`);
      if (missing.has(id) && !order.has(id)) order.set(id, k);
    }
    this.wanted = [...order.keys()].map((id) => first.get(id));
    this.fetch();
  }

  async fetch() {
    while (!this.held && this.fetching < 2 && this.wanted.length) {
      const some = this.wanted.splice(0, this.wanted.length > 12 ? CHUNK : 3);
      this.fetching++;
      this.fetchSome(some).finally(() => { this.fetching--; this.fetch(); });
    }
  }

  async fetchSome(some) {
    try {
      const { header, arrays } = await postPacked("api/notes", {
        notes: some.map((k) => [k.instrument, k.pitch, k.longest]),
      });
      header.notes.forEach((note, n) => {
        const sides = [arrays[`${n}l`], arrays[`${n}r`]].filter(Boolean);
        const buffer = new AudioBuffer({
          length: sides[0].length, numberOfChannels: sides.length, sampleRate: header.rate,
        });
        sides.forEach((side, c) => {
          const out = buffer.getChannelData(c);
          for (let i = 0; i < side.length; i++) out[i] = side[i] / 32768;
        });
        const id = `${note.instrument}:${note.pitch}`;
        this.notes.delete(id);
        this.notes.set(id, {
          buffer, hold: note.holdS, release: note.releaseS, loop: note.loop,
          short: buffer.duration < note.holdS - 0.1, strength: header.strength,
        });
        this.bytes += buffer.length * sides.length * 4;
      });
      for (const [id, old] of this.notes) {
        if (this.bytes < CACHE_BYTES) break;
        this.notes.delete(id);
        this.bytes -= old.buffer.length * old.buffer.numberOfChannels * 4;
      }
      this.dispatchEvent(new Event("notes"));
    } catch { /* requested again with the next show */ }
  }
}
