// The state: a document in two versions, each with its own steps back and on.

import { postPacked } from "./api.js";

const KEEP = 200;
const JOIN_MS = 900;
const STORE = "sonify-studio";

const copy = (x) => structuredClone(x);

/** A value deep in a table by its dotted path (numbers are places in lists). */
export function at(table, path) {
  return path.split(".").reduce((t, k) => (t === undefined || t === null ? undefined : t[k]), table);
}

/** Put a value at a dotted path, making the tables on the way; undefined removes it. */
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
    this.back = [];
    this.on = [];
    this.joined = null;
    this.time = 0;
  }
}

/** Events: `document` when it changed, `show` when an answer came, `wrong` when one was refused,
 * `asking` while one is waited for. */
export class Bench extends EventTarget {
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
  get canUndo() { return this.version.back.length > 0; }
  get canRedo() { return this.version.on.length > 0; }

  /** Change the document. Changes of one `join` in quick succession are one step back. */
  change(why, mutate, join = null) {
    const v = this.version;
    const now = performance.now();
    const next = copy(v.document);
    mutate(next);
    if (JSON.stringify(next) === JSON.stringify(v.document)) return;
    if (!(join && v.joined === join && now - v.time < JOIN_MS)) {
      v.back.push({ document: v.document, why });
      if (v.back.length > KEEP) v.back.shift();
    }
    v.on = [];
    v.joined = join;
    v.time = now;
    v.document = next;
    this.tell(join);
  }

  set(path, value, join = path) {
    this.change(path, (d) => put(d, path, value), join);
  }

  undo() { this.step(this.version.back, this.version.on); }
  redo() { this.step(this.version.on, this.version.back); }

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
    this.keep();
    this.ask();
  }

  keep() {
    try {
      const kept = { which: this.which, a: this.versions.a.document, b: this.versions.b?.document };
      const text = JSON.stringify(kept);
      if (text.length < 2e6) sessionStorage.setItem(STORE, text);
    } catch { /* a full or forbidden store: the page works without */ }
  }

  /** What this tab last had, for a reload. */
  recall() {
    try {
      const kept = JSON.parse(sessionStorage.getItem(STORE) ?? "null");
      if (!kept?.a?.disc) return false;
      this.versions.a = new Version(kept.a);
      this.versions.b = kept.b ? new Version(kept.b) : null;
      this.which = kept.which === "b" && kept.b ? "b" : "a";
      return true;
    } catch { return false; }
  }

  /** Ask for the show of the document as it is now; one question at a time, the last one wins. */
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
