import assert from "node:assert/strict";
import test, { mock } from "node:test";
import { Document, load } from "./page.js";

globalThis.document = new Document();
const { tell, work } = await load("messages.js");
const state = document.getElementById("state");
const { dataset } = document.body;

test("what is told is shown for a while on a narrow page, and not at all if it is quiet", (t) => {
  t.mock.timers.enable({ apis: ["setTimeout"] });
  tell("Voice added");
  assert.equal(state.textContent, "Voice added");
  assert.equal("told" in dataset, true);
  t.mock.timers.tick(6000);
  assert.equal("told" in dataset, false);
  tell("Paused", true);
  assert.equal("told" in dataset, false);
});

test("short work is not shown", (t) => {
  t.mock.timers.enable({ apis: ["setTimeout"] });
  tell("Ready", true);
  work.begin("show", "Working…");
  t.mock.timers.tick(200);
  work.end("show");
  t.mock.timers.tick(1000);
  assert.equal(state.textContent, "Ready");
  assert.equal("busy" in dataset, false);
});

test("long work is shown until it ends, and then what was told before", (t) => {
  t.mock.timers.enable({ apis: ["setTimeout"] });
  tell("Ready", true);
  work.begin("show", "Working…");
  t.mock.timers.tick(400);
  assert.equal(state.textContent, "Working…");
  assert.equal("busy" in dataset, true);
  work.end("show");
  assert.equal(state.textContent, "Ready");
  assert.equal("busy" in dataset, false);
});

test("what is told meanwhile stays", (t) => {
  t.mock.timers.enable({ apis: ["setTimeout"] });
  work.begin("show", "Working…", 0);
  t.mock.timers.tick(1);
  tell("Made hut.mid");
  work.end("show");
  assert.equal(state.textContent, "Made hut.mid");
  mock.reset();
});
