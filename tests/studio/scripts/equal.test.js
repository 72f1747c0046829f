import assert from "node:assert/strict";
import test from "node:test";
import { answering, load, settle } from "./page.js";

const { equalLoudness } = await load("equal.js");

/** Versions A and B with their loudness in LUFS; `apart` switches the comparison on. */
function compare(a, b, which = "a") {
  const document = (lufs) => ({ disc: { lufs }, fit: null, setup: {}, muted: [] });
  const asked = answering((_, { disc: { lufs } }) => ({ lufs }));
  const store = { which, versions: { a: { document: document(a) }, b: b === undefined ? null : { document: document(b) } } };
  const sound = { setTrim(db) { this.db = db; } };
  const equal = equalLoudness(store, sound, () => {});
  const find = (node, test0) => (Array.isArray(node) ? node.map((x) => find(x, test0)).find(Boolean)
    : node?.props && (test0(node) ? node : find(node.props.children, test0)));
  const box = find(equal.view(), (x) => x.type === "input");
  const said = () => find(equal.view(), (x) => x.props.role === "status").props.children;
  const tick = async (checked) => { box.props.onchange({ target: { checked } }); await settle(); };
  return { tick, sound, said, asked };
}

test("the louder version is turned down, and only that one", async () => {
  const a = compare(-16, -20);
  await a.tick(true);
  assert.equal(a.sound.db, -4);
  assert.match(a.said(), /^A is 4.0 dB louder/);
  const b = compare(-16, -20, "b");
  await b.tick(true);
  assert.equal(b.sound.db, 0);
  const softer = compare(-20, -16, "b");
  await softer.tick(true);
  assert.equal(softer.sound.db, -4);
});

test("silence is not made louder, and equal ones are left", async () => {
  const silent = compare(null, -20);
  await silent.tick(true);
  assert.equal(Math.abs(silent.sound.db), 0);
  const same = compare(-18, -18);
  await same.tick(true);
  assert.match(same.said(), /equally loud/);
});

test("without a version B it says what to do, and off it changes nothing", async () => {
  const one = compare(-16);
  await one.tick(true);
  assert.match(one.said(), /press B/);
  assert.equal(one.asked.length, 0);
  await one.tick(false);
  assert.deepEqual([one.said(), one.sound.db], ["", 0]);
});
