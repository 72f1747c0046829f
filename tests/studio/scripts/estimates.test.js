import assert from "node:assert/strict";
import test from "node:test";
import { load } from "./page.js";

const { Estimates, lasts } = await load("estimates.js");
const kept = new Map();
globalThis.localStorage = { getItem: (key) => kept.get(key) ?? null, setItem: (key, value) => kept.set(key, value) };

// costs: s once, s and bytes for each second of the piece
const rows = new Map([
  ["sound", { options: ["from", "loop"], costs: { ".wav": [1, 0.1, 44, 176400] } }],
  ["lights", { options: ["size"], costs: { ".gif": [0.5, 0.2, 0, 1000] } }],
  ["clip", { options: ["from"], costs: { ".gif": [2, 1, 0, 50000], ".mp4": [2, 1, 0, 50000] } }],
  ["midi", { options: [], costs: {} }]]);

test("files take time and room by the length of the piece", () => {
  assert.deepEqual(new Estimates(rows).of([["sound", ".wav"], ["midi", ".mid"]], 60), [7 + 0.5, 44 + 60 * 176400 + 5000]);
});

test("a part is shorter, and a loop longer, where the file has them", () => {
  const [whole, part] = [{}, { from: 10, to: 20, loop: 2 }].map((options) => new Estimates(rows).of([["sound", ".wav"]], 60, options)[0]);
  assert.deepEqual([whole, part], [7, 3]);
  assert.equal(new Estimates(rows).of([["lights", ".gif"]], 60, { from: 10, to: 20 })[0], 12.5);
});

test("a picture costs by its pixels, and an enlarged one as a clip", () => {
  const size = new Estimates(rows).of([["clip", ".mp4"]], 10, {}, "clip", [960, 540]);
  assert.deepEqual(size, [2 + 10 / 4, 500000 / 4]);
  assert.deepEqual(new Estimates(rows).of([["lights", ".gif"]], 10, { size: [960, 540] }), [12, 500000]);
});

test("what a file took is kept for the next time", () => {
  const one = new Estimates(rows);
  one.learn("sound", ".wav", one.of([["sound", ".wav"]], 60), 14, 2 * (44 + 60 * 176400));
  const [time, bytes] = new Estimates(rows).of([["sound", ".wav"]], 60);
  assert.deepEqual([time, bytes], [14, 2 * (44 + 60 * 176400)]);
});

test("times in words", () => assert.deepEqual([0.2, 4.4, 43, 130].map(lasts), ["a second", "4 s", "45 s", "2 minutes"]));
