import assert from "node:assert/strict";
import test from "node:test";
import { load } from "./page.js";

/** What is scheduled on a parameter of the audio graph. */
class Param {
  constructor(value) { this.value = value; this.events = []; }
  setValueAtTime(value, time) { this.events.push(["set", value, time]); }
  setTargetAtTime(value, time, constant) { this.events.push(["target", value, time, constant]); }
  cancelScheduledValues(time) { this.events = this.events.filter((e) => e[2] < time); }
}
globalThis.AudioBufferSourceNode = class {
  constructor(_, { playbackRate }) { this.playbackRate = { value: playbackRate }; }
  connect(to) { return to; }
  disconnect() { this.cut = true; }
  start(...at) { this.started = at; }
  stop(at) { this.stopped = at; }
};
globalThis.GainNode = class {
  constructor(_, { gain }) { this.gain = new Param(gain); }
  connect(to) { return to; }
};
const { cancel, fadeOut, finish, resize, sounded } = await load("note.js");
const sound = (more = {}) => ({ buffer: { duration: 2 }, release: 0.1, loop: false, ...more });
const play = (times, of = sound()) => sounded({ context: {} }, of, 12, 0.5, times);
const last = (note) => note.gain.gain.events.at(-1);

test("a note begins at its time, an octave up twice as fast, and is released at its end", () => {
  const note = play({ at: 1, late: 0, off: 3 });
  assert.deepEqual(note.source.started, [1, 0]);
  assert.equal(note.source.playbackRate.value, 2);
  assert.deepEqual(last(note), ["target", 0, 3, 0.1]);
  // silent means -80 dB, after release times ln(10^4)
  assert.ok(Math.abs(note.over - (3 + 0.1 * Math.log(1e4))) < 1e-9);
});

test("a note that starts in its middle fades in there, inside the loop of a short sound", () => {
  const note = play({ at: 10, late: 1.7, off: 12 }, sound({ loop: true }));
  // 1.7 s at double speed are 3.4 s: in a loop from 1 to 2 s that is 1.4 s
  assert.ok(Math.abs(note.source.started[1] - 1.4) < 1e-9);
  assert.equal(note.gain.gain.value, 0);
  assert.equal(note.due, 8.3);
});

test("a note that sounds can end sooner, change its strength, or fade", () => {
  const note = play({ at: 1, late: 0, off: 9 });
  finish(note, 4);
  assert.deepEqual([note.off, last(note)], [4, ["target", 0, 4, 0.1]]);
  resize(note, 0.25, 2, 6);
  assert.deepEqual([note.strength, note.off, last(note)], [0.25, 6, ["target", 0, 6, 0.1]]);
  fadeOut(note, 3);
  assert.equal(note.source.stopped, 3.25);
});

test("a note that has not begun is cut off", () => {
  const note = play({ at: 5, late: 0, off: 6 });
  cancel(note);
  assert.deepEqual([note.source.cut, note.over], [true, 0]);
});
