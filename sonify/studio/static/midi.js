// MIDI ports of the browser (Web MIDI): the piece goes out, in step with the sound, and comes back
// as taps and transport.

import { postPacked } from "./api.js";
import { lower, placeIn } from "./timeline.js";

const AHEAD_S = 0.12; // less than the sound schedules ahead, so that its segments are known
const TICK_MS = 25;
const CLOCKS_PER_SIXTEENTH = 6; // MIDI 1.0: 24 clocks a quarter
const CLOCK = 0xF8;
const START = 0xFA;
const CONTINUE = 0xFB;
const STOP = 0xFC;
const POSITION = 0xF2;
const ALL_NOTES_OFF = 123; // the controller (MIDI 1.0)
const MOST_POSITION = 1 << 14;

const bytes = ({ message }, n) => {
  const status = message[3 * n];
  const two = (status & 0xE0) === 0xC0; // programs and channel pressure have one data byte
  return [...message.subarray(3 * n, 3 * n + (two ? 2 : 3))];
};

/** Sends the piece to a port while it plays. */
export class MidiOut {
  constructor(sound, store) {
    this.sound = sound;
    this.store = store;
    this.port = null;
    this.clock = true;
    this.events = null;
    this.sounding = new Map(); // "channel:key" to the message that ends it
    // from the first note on, however long the page took to get here
    for (const kind of ["play", "seek"]) sound.addEventListener(kind, () => this.again(sound.segments.at(-1)?.time));
    sound.addEventListener("loop", () => this.again());
    for (const kind of ["pause", "ended"]) sound.addEventListener(kind, () => this.halt());
    store.addEventListener("show", () => this.fetch());
  }

  async choose(port) {
    this.halt();
    this.port = port;
    await this.fetch();
  }

  /** Get the messages of the show at hand, if there is a port to send them to. */
  async fetch() {
    if (!this.port || !this.store.show) return;
    const { show } = this.store;
    try {
      const { arrays } = await postPacked("api/midi", show.document);
      if (show !== this.store.show) return;
      this.events = arrays;
    } catch { this.events = null; } // the show itself tells what is wrong
    this.again();
  }

  /** The time of a context time on the clock of the ports, in ms. */
  due(time) { return performance.now() + (time - this.sound.heard()) * 1000; }

  /** Begin to send what is heard from a context time on, or from now on. */
  again(from = this.sound.context?.currentTime) {
    if (!this.port || !this.events || !this.sound.playing) return;
    clearTimeout(this.timer);
    this.quiet();
    this.sent = from;
    const place = this.sound.placeAt(this.sent);
    this.chase(place);
    this.begin(place, true);
    this.tick();
  }

  /** Set programs and controllers as they are at a place. */
  chase(place) {
    const { time_s: time } = this.events;
    const last = new Map();
    const end = lower(time, place - 1e-9);
    for (let n = 0; n < end; n++) {
      const [status, number] = this.events.message.subarray(3 * n, 3 * n + 2);
      const kind = status & 0xF0;
      // registered parameters come in groups whose order matters, so controllers keep theirs
      if (kind > 0x90) last.set(`${status}:${kind === 0xB0 ? `${number}:${number === 6 || number > 95 ? n : ""}` : ""}`, n);
    }
    for (const n of [...last.values()].sort((a, b) => a - b)) this.port.send(bytes(this.events, n));
  }

  /** Tell the receiver where the piece goes on from. */
  begin(place, anew) {
    const { clock_s: clock } = this.events;
    this.nextClock = 0;
    if (!this.clock) return;
    const sixteenth = Math.ceil(lower(clock, place - 1e-6) / CLOCKS_PER_SIXTEENTH);
    if (sixteenth >= MOST_POSITION) return;
    this.nextClock = sixteenth * CLOCKS_PER_SIXTEENTH;
    if (anew) this.port.send([STOP]);
    this.head = sixteenth ? [[POSITION, sixteenth & 0x7F, sixteenth >> 7], [CONTINUE]] : [[START]];
  }

  tick() {
    const { sound } = this;
    if (!this.port || !sound.playing || !this.events) return;
    const until = sound.context.currentTime + AHEAD_S;
    const { segments } = sound;
    segments.forEach((segment, k) => {
      const from = Math.max(this.sent, segment.time);
      const to = Math.min(until, segments[k + 1]?.time ?? Infinity);
      if (to <= from) return;
      // a jump, as when a part is repeated
      if (k > 0 && segment.time >= this.sent && Math.abs(placeIn(segments[k - 1], segment.time) - segment.place) > 1e-3) {
        this.quiet(this.due(segment.time));
        this.begin(segment.place, true);
      }
      this.send(segment, placeIn(segment, from), placeIn(segment, to));
    });
    this.sent = until;
    this.timer = setTimeout(() => this.tick(), TICK_MS);
  }

  /** Send what is due from one place to another. */
  send(segment, from, to) {
    const at = (place) => this.due(segment.time + (place - segment.place) / segment.pace);
    const { time_s: time, voice, clock_s: clock } = this.events;
    if (this.clock) {
      for (let k = Math.max(lower(clock, from), this.nextClock); k < clock.length && clock[k] < to; k++) {
        for (const message of this.head ?? []) this.port.send(message, at(clock[k]));
        this.head = null;
        this.port.send([CLOCK], at(clock[k]));
      }
    }
    for (let n = lower(time, from); n < time.length && time[n] < to; n++) {
      const message = bytes(this.events, n);
      const kind = message[0] & 0xF0;
      const key = `${message[0] & 15}:${message[1]}`;
      if (kind === 0x90) {
        if (this.sound.silent.has(voice[n])) continue;
        this.sounding.set(key, [0x80 | (message[0] & 15), message[1], 0]);
      } else if (kind === 0x80 && !this.sounding.delete(key)) continue;
      this.port.send(message, at(time[n]));
    }
  }

  /** End the notes that sound. */
  quiet(when = performance.now()) {
    for (const message of this.sounding.values()) this.port?.send(message, when);
    this.sounding.clear();
  }

  halt() {
    clearTimeout(this.timer);
    if (!this.port) return;
    // what was sent ahead can't be taken back: end it after it has begun
    const after = performance.now() + AHEAD_S * 1000;
    this.quiet(after);
    if (this.clock) this.port.send([STOP], after);
  }

  /** Silence all channels, whatever they sound. */
  panic() {
    this.sounding.clear();
    for (let c = 0; c < 16; c++) this.port?.send([0xB0 | c, ALL_NOTES_OFF, 0]);
  }
}

const TAPS = 8;
const FEWEST_TAPS = 3;
const LONGEST_MS = 3000; // a longer pause begins anew: 20 quarters a minute

/** The tempo of taps, in quarters a minute: the middle of the last intervals. */
export class Taps {
  constructor() { this.times = []; }

  /** The tempo after a tap at a time in ms; null for too few taps. */
  tap(time) {
    if (time - (this.times.at(-1) ?? time) > LONGEST_MS) this.times = [];
    this.times = [...this.times, time].slice(-TAPS);
    if (this.times.length < FEWEST_TAPS) return null;
    const apart = this.times.slice(1).map((t, k) => t - this.times[k]).sort((a, b) => a - b);
    const middle = (apart[(apart.length - 1) >> 1] + apart[apart.length >> 1]) / 2;
    return 60000 / middle;
  }
}

const CLOCKS = 48; // of two quarters: the jitter of single ones, some ms, is then under 1 %
const LONGEST_CLOCK_MS = 60000 / 20 / 24; // a longer pause begins anew: 20 quarters a minute

/** The tempo of a clock that arrives, in quarters a minute. */
export class ClockTempo {
  constructor() { this.times = []; }

  /** The tempo after a clock at a time in ms; null until enough have come. */
  clock(time) {
    if (time - (this.times.at(-1) ?? time) > 2 * LONGEST_CLOCK_MS) this.times = [];
    this.times.push(time);
    if (this.times.length > CLOCKS + 1) this.times.shift();
    return this.times.length > CLOCKS ? (60000 * CLOCKS) / (24 * (time - this.times[0])) : null;
  }
}

/** Calls `acts.start`, `acts.go`, `acts.stop`, `acts.tap`, `acts.clock` and `acts.control` as
 * messages arrive. */
export function listen(port, acts) {
  port.onmidimessage = ({ data, timeStamp }) => {
    const kind = data[0] & 0xF0;
    if (data[0] === CLOCK) acts.clock(timeStamp);
    else if (data[0] === START) acts.start();
    else if (data[0] === CONTINUE) acts.go();
    else if (data[0] === STOP) acts.stop();
    else if (kind === 0x90 && data[2] > 0) acts.tap(timeStamp);
    // from 120 on, controllers are commands to the whole device (MIDI 1.0: channel mode messages)
    else if (kind === 0xB0 && data[1] < 120) acts.control(data[0] & 15, data[1], data[2]);
  };
}
