import assert from "node:assert/strict";
import test from "node:test";
import { load } from "./page.js";

const { clock, plural, size, words } = await load("text.js");
const { inline } = await load("settings.js");

test("times", () => assert.deepEqual([-1, 0, 59.9, 61, 3600, 36610].map(clock), ["0:00", "0:00", "0:59", "1:01", "1:00:00", "10:10:10"]));
test("sizes", () => assert.deepEqual([0, 999, 1000, 1e6, 2.55e6].map(size), ["0 B", "999 B", "1.0 kB", "1.0 MB", "2.5 MB"]));
test("numbers of things", () => assert.deepEqual([0, 1, 1200].map((n) => plural(n, "bit")), ["0 bits", "1 bit", "1,200 bits"]));
test("names", () => assert.equal(words("hut-band"), "hut band"));
test("values as TOML", () => assert.equal(inline({ scheme: "walk", steps: [1, -1], on: true }), '{ scheme = "walk", steps = [1, -1], on = true }'));
