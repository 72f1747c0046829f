import assert from "node:assert/strict";
import test from "node:test";
import { load } from "./page.js";

const { ClockTempo, listen } = await load("midi.js");

test("a clock's tempo is that of two quarters, and a pause begins anew", () => {
  const tempo = new ClockTempo();
  const apart = 60000 / 96 / 24;
  const told = Array.from({ length: 60 }, (_, k) => tempo.clock(k * apart));
  assert.equal(told.findIndex((x) => x !== null), 48);
  assert.ok(Math.abs(told.at(-1) - 96) < 1e-6);
  assert.equal(tempo.clock(60 * apart + 2000), null);
});

test("channel mode messages are no controls, and a note of velocity 0 is no tap", () => {
  const seen = [];
  const port = {};
  listen(port, Object.fromEntries(["start", "go", "stop", "tap", "clock", "control"].map((name) => [name, (...x) => seen.push([name, ...x])])));
  for (const data of [[0xB2, 119, 5], [0xB2, 120, 0], [0xB2, 123, 0], [0x90, 60, 0], [0x91, 60, 1], [0xF8], [0xFA], [0xFB], [0xFC]]) {
    port.onmidimessage({ data, timeStamp: 7 });
  }
  assert.deepEqual(seen, [["control", 2, 119, 5], ["tap", 7], ["clock", 7], ["start"], ["go"], ["stop"]]);
});
