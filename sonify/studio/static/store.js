// The state of the page: a document in two versions, each with its own undo and redo.

import { postPacked } from "./api.js";
import { Keeper } from "./keep.js";

const KEEP = 200;
const JOIN_MS = 900;
const MOST_NAMED = 40; // versions under a name: own choice, so that a project file stays small

/** A value with the parts of an older one that are equal, so that what is the same is identical. */
export function share(next, old) {
  if (next === old || !next || !old || typeof next !== "object" || typeof old !== "object") return next;
  const keys = Object.keys(next);
  let same = keys.length === Object.keys(old).length && Array.isArray(next) === Array.isArray(old);
  for (const key of keys) {
    next[key] = share(next[key], old[key]);
    same &&= next[key] === old[key] && key in old;
  }
  return same ? old : next;
}

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

/** Make a document another one; what that leaves out, as files do, has its default. */
function replace(document, other) {
  Object.assign(document, { setup: {}, presets: [], muted: [], shipped: null, fit: null }, structuredClone(other));
}

class Version {
  constructor(document, past = [], future = []) {
    this.document = document;
    this.past = past;
    this.future = future;
    this.joined = null;
    this.time = 0;
  }

  get kept() { return { document: this.document, past: this.past, future: this.future }; }
}

const version = (kept) => (kept ? new Version(kept.document, kept.past ?? [], kept.future ?? []) : null);

/** Events: `document` after a change, `asking` when the server is asked for its show, `show` when
 * the answer arrives, `wrong` when it is an error. */
export class Store extends EventTarget {
  constructor({ asked, document }) {
    super();
    this.asked = asked; // a disc or presets were given to the command
    this.keeper = new Keeper();
    this.versions = { a: new Version(document), b: null };
    this.which = "a";
    this.named = []; // the versions kept under a name, the latest first
    this.show = null;
    this.busy = false;
    this.again = false;
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
    const copy = structuredClone(v.document);
    mutate(copy);
    const next = share(copy, v.document);
    if (next === v.document) return;
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

  undo() { return this.step(this.version.past, this.version.future); }
  redo() { return this.step(this.version.future, this.version.past); }

  /** Take a step of the history; its reason is then in `why`. */
  step(from, to) {
    const one = from.pop();
    if (!one) return false;
    this.why = one.why;
    to.push({ document: this.document, why: one.why });
    this.version.document = one.document;
    this.version.joined = null;
    this.tell(null);
    return true;
  }

  choose(which) {
    if (which === this.which) return false;
    this.versions[which] ??= new Version(this.document);
    this.which = which;
    this.tell(null);
    return true;
  }

  tell(join) {
    this.dispatchEvent(new CustomEvent("document", { detail: { join } }));
    this.keeper.save(this.kept);
    this.ask();
  }

  get kept() {
    return { which: this.which, a: this.versions.a.kept, b: this.versions.b?.kept ?? null, named: this.named };
  }

  /** Both versions without their history, as a project file holds them. */
  project() {
    return { version: this.which, a: this.versions.a.document, b: this.versions.b?.document ?? null,
      named: this.named.map(({ name, document }) => ({ name, document })) };
  }

  /** Go on with a project: from its file, or as the browser kept it. */
  take({ which, a, b, named = [] }) {
    this.named = named;
    this.versions = { a: version(a), b: version(b) };
    this.which = which === "b" && b ? "b" : "a";
  }

  /** Open a project file: each version it has is a change, which can be undone. */
  open({ version: which, a, b, named = [] }) {
    const names = new Set(named.map((one) => one.name));
    this.setNamed([...named, ...this.named.filter((one) => !names.has(one.name))]);
    for (const [name, document] of [["a", a], ["b", b]]) {
      if (!document) continue;
      this.choose(name);
      this.change("project", (d) => replace(d, document));
    }
    this.choose(which);
  }

  /** Keep the document under a name, in place of an older version of this name. */
  keep(name) {
    const rest = this.named.filter((one) => one.name !== name);
    this.setNamed([{ name, time: Date.now(), document: this.document }, ...rest].slice(0, MOST_NAMED));
  }

  drop(name) { this.setNamed(this.named.filter((one) => one.name !== name)); }

  /** Go on with a version that was kept; this can be undone. */
  recall(name) {
    const kept = this.named.find((one) => one.name === name);
    if (kept) this.change(`version “${name}”`, (d) => replace(d, kept.document));
  }

  setNamed(named) {
    this.named = named;
    this.dispatchEvent(new Event("named"));
    this.keeper.save(this.kept);
  }

  /** Go on with what this tab had before a reload, or with the latest project. */
  async restore() {
    const kept = await this.keeper.load(this.asked);
    if (kept?.a?.document?.disc) this.take(kept);
  }

  /** Ask for the show of the current document; one request at a time, the last one wins. */
  async ask() {
    this.changedAt ??= performance.now();
    if (this.busy) { this.again = true; return; }
    this.busy = true;
    do {
      this.again = false;
      this.dispatchEvent(new Event("asking"));
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
