// The music: notes from the server's single-note sounds, scheduled on the audio clock.
//
// All that moves on the page asks `place()`, the place in the piece that is heard at this moment.

import { getPacked, postPacked } from "./api.js";

const AHEAD_S = 0.16;
const AHEAD_HIDDEN_S = 2.5;
const TICK_MS = 35;
const LATE_S = 0.12;
const SPARE_S = 0.02; // what begins sooner than this is not taken back
const SAME_S = 1e-6;
const FADE_IN_S = 0.015; // of a note that is joined in its middle
const DRUMS = 128;
const CHUNK = 6;
const SILENT = 1e-4;
const CACHE_BYTES = 300e6;

/** The first index whose value is not below x. */
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

export class Sound extends EventTarget {
  constructor() {
    super();
    this.show = null;
    this.playing = false;
    this.rest = 0; // where it stands while it is not playing
    this.pace = 1;
    this.loop = null; // null, "row" or "all"
    this.loudness = 0.7;
    this.silent = new Set();
    this.segments = [];
    this.sounding = [];
    this.notes = new Map(); // "instrument:pitch" to its sound
    this.bytes = 0;
    this.wanted = [];
    this.fetching = 0;
    this.context = null;
  }

  // ---- where the piece is

  /** The context time that is heard at this moment. */
  heard() {
    const c = this.context;
    const stamp = c.getOutputTimestamp?.();
    if (stamp && stamp.performanceTime > 0) {
      const t = stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
      // a clock that stands still tells nothing
      if (Math.abs(c.currentTime - t) < 0.5) return Math.min(t, c.currentTime);
    }
    return c.currentTime - (c.outputLatency || c.baseLatency || 0);
  }

  segmentAt(time) {
    const s = this.segments;
    let k = s.length - 1;
    while (k > 0 && s[k].time > time) k--;
    return s[k];
  }

  placeAt(time) { return placeIn(this.segmentAt(time), time); }

  /** The place in the piece, in s, that is heard now. */
  place() {
    return this.playing ? this.placeAt(this.heard()) : this.rest;
  }

  get end() {
    return this.show ? Math.max(this.show.durationS, this.show.soundS) : 0;
  }

  // ---- playing

  ready() {
    if (this.context) return;
    const c = this.context = new AudioContext({ latencyHint: "interactive" });
    this.master = new GainNode(c, { gain: this.loudness ** 2 * 2 });
    this.limit = new DynamicsCompressorNode(c, {
      threshold: -4, knee: 4, ratio: 16, attack: 0.002, release: 0.18,
    });
    this.mix = new GainNode(c);
    this.mix.connect(this.master);
    this.master.connect(this.limit).connect(c.destination);
    this.voices = [];
    this.loadRoom();
  }

  async loadRoom() {
    try {
      const { header, arrays } = await getPacked("api/room");
      const buffer = new AudioBuffer({
        length: arrays.l.length, numberOfChannels: 2, sampleRate: header.rate,
      });
      buffer.copyToChannel(arrays.l, 0);
      buffer.copyToChannel(arrays.r, 1);
      // the room hears the sum of both sides
      const room = new ConvolverNode(this.context, { disableNormalization: true, buffer });
      const sum = new GainNode(this.context, {
        gain: 2, channelCount: 1, channelCountMode: "explicit", channelInterpretation: "speakers",
      });
      this.mix.connect(sum).connect(room).connect(this.master);
    } catch { /* dry, then */ }
  }

  voice(n) {
    if (!this.voices[n]) {
      const pan = new StereoPannerNode(this.context);
      const gain = new GainNode(this.context);
      gain.connect(pan).connect(this.mix);
      this.voices[n] = { gain, pan };
    }
    return this.voices[n];
  }

  setVoices() {
    if (!this.context || !this.show) return;
    const now = this.context.currentTime;
    this.show.voices.forEach((v, n) => {
      const { gain, pan } = this.voice(n);
      const level = this.silent.has(n) ? 0 : (v.volume / 100) ** 2;
      gain.gain.setTargetAtTime(level, now, 0.008);
      pan.pan.setTargetAtTime(v.pan, now, 0.01);
    });
  }

  setSilent(silent) {
    this.silent = silent;
    this.setVoices();
  }

  setLoudness(x) {
    this.loudness = x;
    if (this.context) this.master.gain.setTargetAtTime(x ** 2 * 2, this.context.currentTime, 0.02);
  }

  async play() {
    if (this.playing || !this.show) return;
    this.ready();
    if (this.rest >= this.end - 0.01) this.rest = 0;
    await this.context.resume();
    this.playing = true;
    this.begin(this.rest);
    this.setVoices();
    this.want();
    this.dispatchEvent(new Event("play"));
    this.tick();
  }

  pause() {
    if (!this.playing) return;
    this.rest = Math.min(this.place(), this.end);
    this.playing = false;
    clearTimeout(this.timer);
    this.letGo();
    this.dispatchEvent(new Event("pause"));
  }

  seek(place) {
    const to = Math.max(0, Math.min(place, this.end));
    if (this.playing) {
      this.letGo();
      this.begin(to);
      this.want();
      this.tick();
    } else {
      this.rest = to;
    }
    this.dispatchEvent(new Event("seek"));
  }

  setPace(pace) {
    this.pace = pace;
    if (this.playing) this.goOn(this.show);
    this.want();
  }

  setLoop(loop) {
    this.loop = loop;
    if (this.playing) this.goOn(this.show);
  }

  /** Begin at a place now; notes that sound there already are joined in their middle. */
  begin(place) {
    const time = this.context.currentTime + 0.012;
    this.range = this.loopRange(place);
    const to = this.range && place >= this.range[1] ? this.range[0] : place;
    this.segments = [{ time, place: to, pace: this.pace }];
    this.cursor = lower(this.show.onset, to - SAME_S);
    this.waiting = [];
    for (const n of this.held(to)) this.join(n, time, to);
  }

  /** Go on without a jump, from an old show to this one, at the pace and in the loop that are set.
   *
   * What is heard within a moment stays as it was, for it is on its way to the ear already: going
   * back to the place that is heard now would strike its notes twice, and hold the music up while
   * a control is dragged. */
  goOn(old) {
    const { show } = this;
    const time = this.context.currentTime + SPARE_S;
    const heard = Math.min(this.heard(), time);
    const cuts = [heard, ...this.segments.map((s) => s.time).filter((t) => t > heard && t < time), time];
    const segments = cuts.slice(1).map((until, k) => {
      const of = this.segmentAt(cuts[k]);
      const place = carry(old, show, placeIn(of, cuts[k]));
      const next = carry(old, show, placeIn(of, until));
      return { time: cuts[k], place, pace: (next - place) / Math.max(until - cuts[k], SAME_S) };
    });
    let to = carry(old, show, this.placeAt(time));
    this.range = this.loopRange(to);
    if (this.range && to >= this.range[1]) [to] = this.range;
    segments.push({ time, place: to, pace: this.pace });
    this.segments = segments;
    this.cursor = lower(show.onset, to - SAME_S);
    this.waiting = [];
    this.keep(time, to);
    this.tick();
  }

  /** Take back what has not begun by then, keep of the sounding notes those that the show has
   * too, let the others go, and join those that are missing. */
  keep(time, place) {
    const by = new Map();
    for (const note of this.sounding) {
      if (note.time > time - SAME_S) {
        takeBack(note);
      } else if (note.off > time) {
        by.set(note.key, [...(by.get(note.key) ?? []), note]);
      }
    }
    const { show } = this;
    for (const n of this.held(place)) {
      const had = by.get(this.keyOf(n))?.shift();
      if (!had) this.join(n, time, place);
      else {
        const end = time + (show.onset[n] + show.duration[n] - place) / this.pace;
        const strength = this.strengthOf(n, had.sound);
        if (Math.abs(end - had.off) < 0.002 && Math.abs(strength - had.strength) < 1e-6) continue;
        const { gain } = had.gain;
        gain.cancelScheduledValues(time);
        gain.setTargetAtTime(strength, time, 0.02);
        had.strength = strength;
        this.finish(had, end);
      }
    }
    for (const note of [...by.values()].flat()) {
      note.gain.gain.cancelScheduledValues(time);
      this.finish(note, time);
    }
    const now = this.context.currentTime;
    this.sounding = this.sounding.filter((n) => n.over > now);
  }

  /** The notes that began before a place and sound there still. Drums are struck and over. */
  held(place) {
    const s = this.show;
    s.longest ??= s.duration.reduce((a, b) => Math.max(a, b), 0);
    const out = [];
    const to = lower(s.onset, place - SAME_S);
    for (let n = lower(s.onset, place - s.longest); n < to; n++) {
      if (s.onset[n] + s.duration[n] > place + 0.03 && s.voices[s.voice[n]].instrument !== DRUMS) out.push(n);
    }
    return out;
  }

  /** Sound a note of which a part is over already at a place. */
  join(n, time, place) {
    const note = {
      n, time: time - (place - this.show.onset[n]) / this.pace, from: time,
      length: this.show.duration[n] / this.pace,
    };
    if (!this.start(note)) this.waiting.push(note);
  }

  keyOf(n) {
    const s = this.show;
    return [s.voice[n], s.voices[s.voice[n]].instrument, s.pitch[n], s.note_row[n], s.note_position[n]].join(":");
  }

  strengthOf(n, sound) { return (this.show.velocity[n] / sound.strength) ** 2; }

  /** Let a note end at a time. */
  finish(note, off) {
    note.gain.gain.setTargetAtTime(0, off, note.sound.release);
    note.off = off;
    note.over = off + note.sound.release * Math.log(1 / SILENT);
    note.source.stop(Math.min(note.over, off + 12));
  }

  /** What is played over and over: the row at a place, all, or nothing. */
  loopRange(place) {
    const s = this.show;
    if (!s || !this.loop) return null;
    if (this.loop === "all") return [0, s.readS];
    let row = lower(s.row_s, place + 1e-6) - 1;
    row = Math.max(0, Math.min(row, s.row_s.length - 1));
    const start = s.row_s[row];
    const end = row + 1 < s.row_s.length ? s.row_s[row + 1] : s.readS;
    return [start, Math.max(end, start + 0.05)];
  }

  /** A new show takes over without a stop, at the same place on the disc. */
  setShow(show, from) {
    const old = this.show;
    this.show = show;
    if (this.playing) {
      this.setVoices();
      this.goOn(old);
    } else {
      this.rest = Math.min(carry(old, show, this.rest), this.end);
      this.setVoices();
    }
    this.want();
    this.changed = from;
  }

  // ---- the notes' sounds

  /** Ask for the sounds that are missing, those that are due first first. */
  want() {
    const s = this.show;
    if (!s) return;
    const place = this.place();
    const first = new Map();
    const due = new Map();
    for (const [voice, instrument, pitch, longest] of s.keys) {
      const id = `${instrument}:${pitch}`;
      const need = Math.max(first.get(id)?.longest ?? 0, longest / Math.min(1, this.pace));
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
    while (this.fetching < 2 && this.wanted.length) {
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
      if (this.playing) this.tick();
    } catch { /* asked for again with the next show */ }
  }

  // ---- scheduling

  tick() {
    clearTimeout(this.timer);
    if (!this.playing) return;
    const now = this.context.currentTime;
    const until = now + (document.hidden ? AHEAD_HIDDEN_S : AHEAD_S);
    this.schedule(until);
    this.sounding = this.sounding.filter((n) => n.over > now);
    if (!this.range && this.place() >= this.end + 0.3) {
      this.pause();
      this.rest = this.end;
      this.dispatchEvent(new Event("ended"));
      return;
    }
    this.timer = setTimeout(() => this.tick(), document.hidden ? 500 : TICK_MS);
  }

  schedule(until) {
    const s = this.show;
    const still = [];
    for (const w of this.waiting) if (!this.start(w)) still.push(w);
    this.waiting = still;
    for (let guard = 0; guard < 20000; guard++) {
      const segment = this.segments[this.segments.length - 1];
      const toTime = (place) => segment.time + (place - segment.place) / segment.pace;
      const stop = this.range ? this.range[1] : Infinity;
      const n = this.cursor;
      const onset = n < s.onset.length ? s.onset[n] : Infinity;
      if (onset >= stop - 1e-9 && stop < Infinity) {
        const time = toTime(stop);
        if (time > until) return;
        this.segments.push({ time, place: this.range[0], pace: this.pace });
        if (this.segments.length > 64) this.segments.shift();
        this.cursor = lower(s.onset, this.range[0] - 1e-6);
        continue;
      }
      if (onset === Infinity) return;
      const time = toTime(onset);
      if (time > until) return;
      this.cursor++;
      const note = { n, time, length: s.duration[n] / segment.pace };
      if (!this.start(note)) this.waiting.push(note);
    }
  }

  /** Start a note; false while its sound is not there yet. */
  start({ n, time, length, from = time }) {
    const s = this.show;
    const c = this.context;
    const voice = s.voice[n];
    const pitch = Math.round(s.pitch[n]);
    const { instrument } = s.voices[voice];
    const sound = this.notes.get(`${instrument}:${pitch}`);
    const now = c.currentTime;
    // a long note may come in late; a short one is let go
    if (!sound) return now > time + Math.max(LATE_S, instrument === DRUMS ? 0 : length - 0.05);
    const at = Math.max(from, now);
    const late = at - time;
    if (late > LATE_S && late > length) return true;
    const strength = this.strengthOf(n, sound);
    const source = new AudioBufferSourceNode(c, {
      buffer: sound.buffer,
      playbackRate: 2 ** ((s.pitch[n] - pitch) / 12),
    });
    if (sound.loop) {
      source.loop = true;
      source.loopEnd = sound.buffer.duration;
      source.loopStart = sound.buffer.duration / 2;
    }
    const middle = late > 0.02;
    const gain = new GainNode(c, { gain: middle ? 0 : strength });
    source.connect(gain).connect(this.voice(voice).gain);
    const off = Math.max(time + length, at + (middle ? FADE_IN_S : 0.02));
    // no ramp: one that is cut short falls back to where it began, with a click
    if (middle) gain.gain.setTargetAtTime(strength, at, FADE_IN_S / 3);
    else gain.gain.setValueAtTime(strength, off);
    source.start(at, middle ? into(source, late * source.playbackRate.value) : 0);
    const note = { source, gain, sound, time: at, due: time, strength, key: this.keyOf(n) };
    this.finish(note, off);
    this.sounding.push(note);
    return true;
  }

  /** End what sounds; take back what has not begun. */
  letGo() {
    if (!this.context) return;
    const now = this.context.currentTime;
    for (const note of this.sounding) {
      // what begins in a moment may sound before this is heard of: it fades too
      if (note.time > now + SPARE_S) takeBack(note);
      else {
        note.gain.gain.cancelScheduledValues(now);
        note.gain.gain.setTargetAtTime(0, now, 0.03);
        note.source.stop(now + 0.25);
        note.off = now;
        note.over = now + 0.25;
      }
    }
    this.sounding = this.sounding.filter((n) => n.over > now);
    this.waiting = [];
  }
}

function takeBack(note) {
  note.source.stop();
  note.source.disconnect();
  note.over = 0;
}

const placeIn = (segment, time) => segment.place + Math.max(0, time - segment.time) * segment.pace;

/** Where in its buffer a sound is, some seconds after its beginning. */
function into({ loop, loopStart, loopEnd }, seconds) {
  if (!loop || seconds < loopEnd) return seconds;
  return loopStart + ((seconds - loopStart) % (loopEnd - loopStart));
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
