// The state of the page: a document in two versions, each with its own undo and redo.

import { postPacked } from "./api.js";

const KEEP = 200;
const JOIN_MS = 900;
const KEY = "sonify-studio";

const copy = (x) => structuredClone(x);

/** The value at a dotted path in a table (numbers are list indexes). */
export function at(table, path) {
  return path.split(".").reduce((t, k) => (t === undefined || t === null ? undefined : t[k]), table);
}

/** Set the value at a dotted path, creating missing tables; undefined removes it. */
export function put(table, path, value) {
  const parts = path.split(".");
  const last = parts.pop();
  let spot = table;
  for (const part of parts) spot = spot[part] ??= {};
  if (value === undefined || value === null) delete spot[last];
  else spot[last] = value;
}

class Version {
  constructor(document) {
    this.document = document;
    this.past = [];
    this.future = [];
    this.joined = null;
    this.time = 0;
  }
}

/** Events: `document` after a change, `asking` when the server is asked for its show, `show` when
 * the answer arrives, `wrong` when it is an error. */
export class Store extends EventTarget {
  constructor(document) {
    super();
    this.versions = { a: new Version(document), b: null };
    this.which = "a";
    this.show = null;
    this.busy = false;
    this.again = false;
    this.asked = 0;
  }

  get version() { return this.versions[this.which]; }
  get document() { return this.version.document; }
  get setup() { return this.document.setup; }
  get canUndo() { return this.version.past.length > 0; }
  get canRedo() { return this.version.future.length > 0; }

  /** Change the document. Quick successive changes with the same `join` are one undo step. */
  change(why, mutate, join = null) {
    const v = this.version;
    const now = performance.now();
    const next = copy(v.document);
    mutate(next);
    if (JSON.stringify(next) === JSON.stringify(v.document)) return;
    if (!(join && v.joined === join && now - v.time < JOIN_MS)) {
      v.past.push({ document: v.document, why });
      if (v.past.length > KEEP) v.past.shift();
    }
    v.future = [];
    v.joined = join;
    v.time = now;
    v.document = next;
    this.tell(join);
  }

  set(path, value, join = path) {
    this.change(path, (d) => put(d, path, value), join);
  }

  undo() { this.step(this.version.past, this.version.future); }
  redo() { this.step(this.version.future, this.version.past); }

  step(from, to) {
    const one = from.pop();
    if (!one) return;
    to.push({ document: this.document, why: one.why });
    this.version.document = one.document;
    this.version.joined = null;
    this.tell(null);
  }

  choose(which) {
    if (which === this.which) return;
    this.versions[which] ??= new Version(copy(this.document));
    this.which = which;
    this.tell(null);
  }

  tell(join) {
    this.dispatchEvent(new CustomEvent("document", { detail: { join } }));
    this.save();
    this.ask();
  }

  save() {
    try {
      const kept = { which: this.which, a: this.versions.a.document, b: this.versions.b?.document };
      const text = JSON.stringify(kept);
      if (text.length < 2e6) sessionStorage.setItem(KEY, text);
    } catch { /* storage is full or forbidden: the page works without it */ }
  }

  /** Restore what this tab had before a reload. */
  restore() {
    try {
      const kept = JSON.parse(sessionStorage.getItem(KEY) ?? "null");
      if (!kept?.a?.disc) return false;
      this.versions.a = new Version(kept.a);
      this.versions.b = kept.b ? new Version(kept.b) : null;
      this.which = kept.which === "b" && kept.b ? "b" : "a";
      return true;
    } catch { return false; }
  }

  /** Ask for the show of the current document; one request at a time, the last one wins. */
  async ask() {
    this.changedAt ??= performance.now();
    if (this.busy) { this.again = true; return; }
    this.busy = true;
    this.dispatchEvent(new Event("asking"));
    do {
      this.again = false;
      const document = this.document;
      const began = this.changedAt;
      this.changedAt = null;
      try {
        const { header, arrays } = await postPacked("api/show", document);
        this.show = { ...header, ...arrays, document };
        this.wrong = null;
        this.dispatchEvent(new CustomEvent("show", { detail: { began } }));
      } catch (e) {
        this.wrong = e;
        this.dispatchEvent(new CustomEvent("wrong", { detail: e }));
      }
    } while (this.again);
    this.busy = false;
  }
}
