import assert from "node:assert/strict";
import test, { afterEach } from "node:test";
import { answering, load, settle } from "./page.js";

const { Store, at, put, share } = await load("store.js");

/** A packed answer without arrays. */
function packed(header) {
  const head = new TextEncoder().encode(JSON.stringify({ ...header, arrays: [] }));
  const out = new Uint8Array(4 + head.length);
  new DataView(out.buffer).setUint32(0, head.length, true);
  out.set(head, 4);
  return new Response(out);
}

afterEach(settle);

const start = () => ({ asked: true, document: { disc: { message: "SOUP" }, setup: { music: { scale: "dorian", voice: [{ name: "a" }, { name: "b" }] } }, muted: [] } });

test("paths reach into tables and lists, and make what is missing", () => {
  const table = { a: [{ b: 1 }] };
  assert.equal(at(table, "a.0.b"), 1);
  assert.equal(at(table, "a.1.b"), undefined);
  put(table, "c.d", 2);
  put(table, "a.0.b", undefined);
  assert.deepEqual(table, { a: [{}], c: { d: 2 } });
});

test("equal parts are shared, so that what did not change is identical", () => {
  const old = { x: { y: [1, 2] }, z: { w: 1 } };
  assert.equal(share(structuredClone(old), old), old);
  const next = share({ x: { y: [1, 2] }, z: { w: 2 } }, old);
  assert.equal(next.x, old.x);
  assert.notEqual(next.z, old.z);
  assert.deepEqual(share({ a: 1 }, { a: 1, b: 2 }), { a: 1 });
  assert.deepEqual(share([], {}), []);
  assert.deepEqual(share({ a: undefined }, { b: 1 }), { a: undefined });
});

test("a change keeps what it does not touch, and undo and redo go through the changes", () => {
  answering(() => packed({}));
  const store = new Store(start());
  const { document } = store;
  store.set("setup.music.scale", "lydian", null);
  assert.equal(store.setup.music.voice, document.setup.music.voice);
  store.set("setup.music.scale", "blues", null);
  store.undo();
  assert.equal(store.setup.music.scale, "lydian");
  assert.equal(store.why, "setup.music.scale");
  store.undo();
  assert.equal(store.document, document);
  assert.equal(store.undo(), false);
  store.redo();
  assert.equal(store.setup.music.scale, "lydian");
  store.set("setup.music.scale", "phrygian", null);
  assert.equal(store.canRedo, false);
});

test("a change that changes nothing is none", () => {
  const store = new Store(start());
  let told = 0;
  store.addEventListener("document", () => told++);
  store.set("setup.music.scale", "dorian");
  assert.equal(told, 0);
  assert.equal(store.canUndo, false);
});

test("quick changes of one control are one step", () => {
  answering(() => packed({}));
  const store = new Store(start());
  for (const rpm of [8, 9, 10]) store.set("setup.player.rpm", rpm);
  store.set("setup.music.scale", "blues");
  store.undo();
  assert.equal(store.setup.player.rpm, 10);
  store.undo();
  assert.equal(store.setup.player, undefined);
});

test("versions have histories of their own", () => {
  answering(() => packed({}));
  const store = new Store(start());
  store.set("disc.message", "BREAD", null);
  store.choose("b");
  assert.equal(store.document.disc.message, "BREAD");
  assert.equal(store.canUndo, false);
  store.set("disc.message", "TEA", null);
  store.choose("a");
  assert.equal(store.document.disc.message, "BREAD");
  assert.equal(store.canUndo, true);
  assert.equal(store.project().b.disc.message, "TEA");
});

test("while one answer is awaited, only the last of the changes is asked for", async () => {
  const asked = answering((_, document) => packed({ message: document.disc.message }));
  const store = new Store(start());
  for (const text of ["A", "B", "C", "D"]) store.set("disc.message", text, null);
  await settle();
  assert.deepEqual(asked.map((x) => x.sent.disc.message), ["A", "D"]);
  assert.equal(store.show.message, "D");
  assert.equal(store.show.document, store.document);
  assert.equal(store.busy, false);
});

test("an error is told, and the next change is asked for again", async () => {
  let fails = true;
  answering(() => (fails ? Response.json({ error: "too long", place: "disc.message" }, { status: 422 }) : packed({})));
  const store = new Store(start());
  const wrong = [];
  store.addEventListener("wrong", (e) => wrong.push(e.detail));
  store.set("disc.message", "X", null);
  await settle();
  assert.deepEqual(wrong.map((e) => [e.message, e.place]), [["too long", "disc.message"]]);
  fails = false;
  store.set("disc.message", "Y", null);
  await settle();
  assert.equal(store.wrong, null);
});

test("an opened project is changes of both versions that can be undone", () => {
  answering(() => packed({}));
  const store = new Store(start());
  store.open({ version: "b", a: { disc: { message: "ONE" } }, b: { disc: { message: "TWO" }, muted: [1] } });
  assert.equal(store.which, "b");
  assert.deepEqual(store.document.muted, [1]);
  store.choose("a");
  assert.deepEqual([store.document.disc.message, store.document.muted], ["ONE", []]);
  store.undo();
  assert.equal(store.document.disc.message, "SOUP");
});
