import assert from "node:assert/strict";
import test from "node:test";
import { answering, Document, load, settle } from "./page.js";

globalThis.document = new Document();
const { FlashCheck } = await load("flash.js");
const show = (more) => ({ flashKey: "one", mayFlash: true, document: {}, ...more });

test("a show that can't flash is played without measuring", async () => {
  const asked = answering(() => ({ over: true }));
  const check = new FlashCheck();
  assert.equal(check.allows(show({ mayFlash: false })), true);
  assert.equal(await check.measure(show({ mayFlash: false })), null);
  assert.equal(asked.length, 0);
});

test("a show is measured once, at the pace at which it is played", async () => {
  const asked = answering((_, { pace }) => ({ over: pace > 1 }));
  const check = new FlashCheck();
  await Promise.all([check.measure(show()), check.measure(show())]);
  assert.equal(await check.measure(show()), null);
  assert.deepEqual(asked.map((x) => x.sent.pace), [1]);
  check.pace = 2;
  assert.equal(check.knows(show()), false);
  assert.deepEqual(await check.measure(show()), { over: true });
  // faster, even a show that can't flash at its own pace
  assert.equal(check.allows(show({ flashKey: "two", mayFlash: false })), false);
  check.pace = 0.5; // slower it flashes no more than at its own pace
  assert.equal(check.knows(show()), true);
});

test("what was agreed to is not asked again, for that show only", () => {
  const check = new FlashCheck();
  check.agree(show());
  assert.equal(check.allows(show()), true);
  assert.equal(check.allows(show({ flashKey: "two" })), false);
});

test("flashing that can't be measured counts as flashing", async () => {
  answering(() => Response.json({ error: "too long" }, { status: 422 }));
  const found = await new FlashCheck().measure(show());
  assert.deepEqual([found.over, found.unknown], [true, "too long"]);
});

test("a show that plays is measured at once, and what is found is told", async (t) => {
  answering(() => ({ over: true }));
  const found = [];
  new FlashCheck().watch(show(), true, (of) => found.push(of.flashKey));
  await new Promise((done) => setTimeout(done, 5));
  await settle();
  assert.deepEqual(found, ["one"]);
  t.mock.timers.enable({ apis: ["setTimeout"] });
  const asked = answering(() => ({ over: false }));
  const check = new FlashCheck();
  check.watch(show(), false, () => {});
  check.watch(show({ flashKey: "two" }), false, () => {}); // in its place
  t.mock.timers.tick(700);
  assert.equal(asked.length, 1);
});
