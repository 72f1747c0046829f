import assert from "node:assert/strict";
import test, { beforeEach } from "node:test";
import { Document, key, load } from "./page.js";

const { wireKeys } = await load("keys.js");
let done = [];
let page = null;

beforeEach(() => {
  done = [];
  page = globalThis.document = new Document();
  const act = (name) => (...args) => done.push([name, ...args].join(" "));
  wireKeys(new Proxy({}, { get: (_, name) => act(name) }));
});

/** What a key does, and whether the browser is kept from doing its own. */
function press(name, more) {
  const e = key(name, more);
  page.dispatchEvent(e);
  const out = done.join();
  done = [];
  return [out, e.defaultPrevented];
}

test("single keys act", () => {
  assert.deepEqual(["l", "f", "h", "?", "a", "B", "3"].map((k) => press(k)[0]),
    ["large", "fullScreen", "explain", "help", "choose a", "choose b", "area 2"]);
});

test("keys with Control act, and the browser's own are prevented", () => {
  assert.deepEqual(press("z", { ctrlKey: true }), ["undo", true]);
  assert.deepEqual(press("Z", { ctrlKey: true, shiftKey: true }), ["redo", true]);
  assert.deepEqual(press("y", { metaKey: true }), ["redo", true]);
  assert.deepEqual(press("s", { ctrlKey: true }), ["save", true]);
  assert.deepEqual(press("p", { ctrlKey: true }), ["", false]);
});

test("in a text field only saving and finding act", () => {
  const inside = "textarea";
  assert.deepEqual(["a", "3", "?"].map((k) => press(k, { inside })[0]), ["", "", ""]);
  assert.deepEqual(press(" ", { inside }), ["", false]);
  assert.deepEqual(press("z", { ctrlKey: true, inside }), ["", false]);
  assert.deepEqual(press("k", { ctrlKey: true, inside })[0], "palette");
});

test("nothing acts while a dialog is open", () => {
  page.dialog = {};
  assert.deepEqual(press(" "), ["", false]);
  assert.deepEqual(press("s", { ctrlKey: true })[0], "");
});

test("Space plays, once for each press", () => {
  assert.deepEqual(press(" "), ["toggle", true]);
  assert.deepEqual(press(" ", { repeat: true }), ["", true]);
});

test("Space keeps its own use where Tab led, and plays after a click there", () => {
  const box = { inside: "input[type=checkbox]" };
  press("Tab");
  assert.deepEqual(press(" ", box), ["", false]);
  page.dispatchEvent(new Event("pointerdown"));
  assert.deepEqual(press(" ", box), ["toggle", true]);
});
