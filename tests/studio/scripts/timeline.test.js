import assert from "node:assert/strict";
import test from "node:test";
import { load } from "./page.js";

const { carry, held, loopRange, lower, placeIn } = await load("timeline.js");

/** Two rows of three positions of 1 s each, with 2 s between them. */
const show = (more = {}) => ({
  positions: 3, positionS: 1, readS: 8, durationS: 10,
  read_s: Float64Array.of(0, 1, 2, 5, 6, 7), row_s: Float64Array.of(0, 5),
  onset: Float64Array.of(0, 1, 5), duration: Float32Array.of(4, 0.5, 1), voice: Uint8Array.of(0, 0, 1),
  voices: [{ instrument: 0 }, { instrument: 128 }], ...more,
});

test("lower finds the first value that is not less", () => {
  const sorted = Float64Array.of(1, 2, 2, 5);
  assert.deepEqual([0, 1, 1.5, 2, 3, 5, 6].map((x) => lower(sorted, x)), [0, 0, 1, 1, 3, 3, 4]);
  assert.equal(lower([], 1), 0);
});

test("a segment goes on at its pace, and never before its beginning", () => {
  const segment = { time: 10, place: 3, pace: 2 };
  assert.equal(placeIn(segment, 11.5), 6);
  assert.equal(placeIn(segment, 9), 3);
});

test("held notes are those that began before and still sound; drums never are", () => {
  assert.deepEqual(held(show(), 1.2), [0, 1]);
  assert.deepEqual(held(show(), 3.9), [0]);
  assert.deepEqual(held(show(), 5.5), []); // the drum
});

test("what repeats is a part, a row or the whole reading", () => {
  const s = show();
  assert.equal(loopRange(s, null, 1), null);
  assert.deepEqual(loopRange(s, [1, 2], 7), [1, 2]);
  assert.deepEqual(loopRange(s, "all", 7), [0, 8]);
  assert.deepEqual(loopRange(s, "row", 1), [0, 5]);
  assert.deepEqual(loopRange(s, "row", 6), [5, 8]);
});

test("a place is carried to the same place on the disc", () => {
  const fast = show({ positionS: 0.5, readS: 4, durationS: 5, read_s: Float64Array.of(0, 0.5, 1, 2.5, 3, 3.5), row_s: Float64Array.of(0, 2.5) });
  assert.equal(carry(show(), fast, 0.5), 0.25);
  assert.equal(carry(show(), fast, 6.5), 3.25);
  assert.equal(carry(show(), fast, 4), 2); // half of the way to the next row
  assert.equal(carry(show(), fast, 8.5), 4.5); // after the reading
  assert.equal(carry(null, fast, 3), 3);
});

test("on a disc of another size a place keeps its share of the reading", () => {
  const other = show({ positions: 6, readS: 16 });
  assert.equal(carry(show(), other, 2), 4);
});
