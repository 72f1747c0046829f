// Playing: schedules the notes of a show on the audio clock.
//
// Everything that moves on the page follows `place()`, the place in the piece heard now.

import { Mixer } from "./mixer.js";
import { fadeOut, finish, resize, sounded, cancel } from "./note.js";
import { Samples } from "./samples.js";
import { carry, DRUMS, held, loopRange, lower, placeIn, SAME_S } from "./timeline.js";

// Own choice: far enough ahead for a late timer, near enough for a change.
const AHEAD_S = 0.16;
const AHEAD_HIDDEN_S = 2.5; // the timers of hidden tabs fire once per second
const TICK_MS = 35;
const TICK_HIDDEN_MS = 500;
const LATE_S = 0.12; // a short note that would start later than this is left out
const SPARE_S = 0.02; // a note that begins sooner than this is not cancelled

export class Sound extends EventTarget {
  /** With another sound as `of`, this one plays beside it, with its samples and its loudness. */
  constructor(of = null) {
    super();
    this.of = of;
    this.show = null;
    this.playing = false;
    this.rest = 0; // the place, while paused
    this.pace = 1;
    this.loop = null; // null, "row", "all", or the start and end of a part in s
    this.loudness = 0.7;
    this.trim = 0; // in dB
    this.hushed = false;
    this.silent = new Set();
    this.segments = [];
    this.sounding = [];
    this.mixer = null; // made at the first Play: browsers allow no audio earlier
    this.samples = of?.samples ?? new Samples();
    this.samples.addEventListener("notes", () => { if (this.playing) this.tick(); });
  }

  // ---- where the piece is

  /** The context time that is heard now. */
  heard() {
    const c = this.context;
    const stamp = c.getOutputTimestamp?.();
    if (stamp && stamp.performanceTime > 0) {
      const t = stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
      // some browsers report a clock that has stopped
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

  get context() { return this.mixer?.context ?? null; }

  setVoices() {
    if (this.mixer && this.show) this.mixer.setVoices(this.show.voices, this.silent);
  }

  setSilent(silent) {
    this.silent = silent;
    this.setVoices();
  }

  setLoudness(x) {
    this.loudness = x;
    this.mixer?.setLoudness(x);
  }

  /** Make the audio ready to play. */
  async wake() {
    if (!this.mixer) {
      this.mixer = new Mixer(this.loudness, this.of?.mixer);
      if (this.trim) this.mixer.trim(this.trim);
      if (this.hushed) this.mixer.hush(true);
    }
    await this.context.resume();
  }

  /** Be silent, or heard again, while the piece goes on. */
  hush(on) {
    this.hushed = Boolean(on);
    this.mixer?.hush(this.hushed);
  }

  /** Play so many dB louder or softer. */
  setTrim(db) {
    this.trim = db;
    this.mixer?.trim(db);
  }

  async play() {
    if (this.playing || !this.show) return;
    if (this.rest >= this.end - 0.01) this.rest = 0;
    await this.wake();
    this.playing = true;
    this.setVoices();
    this.begin(this.rest);
    this.want();
    this.samples.letGo();
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
    this.dispatchEvent(new Event("loop"));
  }

  want() {
    if (this.show) this.samples.want(this.show, this.place(), this.pace);
  }

  /** Begin at a place now; notes that already sound there start in their middle. */
  begin(place) {
    const time = this.context.currentTime + 0.012;
    this.range = loopRange(this.show, this.loop, place);
    const to = this.range && place >= this.range[1] ? this.range[0] : place;
    this.segments = [{ time, place: to, pace: this.pace }];
    this.cursor = lower(this.show.onset, to - SAME_S);
    this.waiting = [];
    for (const n of held(this.show, to)) this.join(n, time, to);
  }

  /** Continue from an old show in this one, with the current pace and loop, without a jump.
   *
   * The next SPARE_S stay as scheduled, because they are already on their way to the speakers.
   * Going back to the place heard now would strike their notes twice, and stall the music while a
   * control is dragged. */
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
    this.range = loopRange(show, this.loop, to);
    if (this.range && to >= this.range[1]) [to] = this.range;
    segments.push({ time, place: to, pace: this.pace });
    this.segments = segments;
    this.cursor = lower(show.onset, to - SAME_S);
    this.waiting = [];
    this.keep(time, to);
    this.tick();
  }

  /** Cancel the notes that have not begun by then. Of those that sound, keep the ones that this show
   * has too and end the rest; then start what is missing. */
  keep(time, place) {
    const by = new Map();
    for (const note of this.sounding) {
      if (note.time > time - SAME_S) {
        cancel(note);
      } else if (note.off > time) {
        by.set(note.key, [...(by.get(note.key) ?? []), note]);
      }
    }
    const { show } = this;
    for (const n of held(show, place)) {
      const had = by.get(this.keyOf(n))?.shift();
      if (!had) this.join(n, time, place);
      else {
        const end = time + (show.onset[n] + show.duration[n] - place) / this.pace;
        const strength = this.strengthOf(n, had.sound);
        if (Math.abs(end - had.off) < 0.002 && Math.abs(strength - had.strength) < 1e-6) continue;
        resize(had, strength, time, end);
      }
    }
    for (const note of [...by.values()].flat()) {
      finish(note, time);
    }
    const now = this.context.currentTime;
    this.sounding = this.sounding.filter((n) => n.over > now);
  }

  /** Start a note that began before a place. */
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

  /** Switch to a new show without stopping, at the same place on the disc. */
  setShow(show, from) {
    const old = this.show;
    this.show = show;
    if (Array.isArray(this.loop)) this.loop = this.loop.map((place) => carry(old, show, place));
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
    this.timer = setTimeout(() => this.tick(), document.hidden ? TICK_HIDDEN_MS : TICK_MS);
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

  /** Start a note; false if its sound has not arrived yet. */
  start({ n, time, length, from = time }) {
    const s = this.show;
    const c = this.context;
    const voice = s.voice[n];
    const pitch = Math.round(s.pitch[n]);
    const { instrument } = s.voices[voice];
    const sound = this.samples.get(instrument, pitch);
    const now = c.currentTime;
    // a long note may start late; a short one is left out
    if (!sound) return now > time + Math.max(LATE_S, instrument === DRUMS ? 0 : length - 0.05);
    const at = Math.max(from, now);
    const late = at - time;
    if (late > LATE_S && late > length) return true;
    const strength = this.strengthOf(n, sound);
    const out = this.mixer.voice(voice).gain;
    const note = sounded(out, sound, s.pitch[n] - pitch, strength, { at, late, off: time + length });
    note.key = this.keyOf(n);
    this.sounding.push(note);
    return true;
  }

  /** Fade out what sounds and cancel what has not begun. */
  letGo() {
    if (!this.context) return;
    const now = this.context.currentTime;
    for (const note of this.sounding) {
      // a note that is about to begin can no longer be cancelled in time: it fades too
      if (note.time > now + SPARE_S) cancel(note);
      else fadeOut(note, now);
    }
    this.sounding = this.sounding.filter((n) => n.over > now);
    this.waiting = [];
  }
}
