// What is kept: of the projects one record a tab, in the browser's own store (IndexedDB), and of the
// page's own choices a small value each (local storage). A browser keeps both by port, so the server
// has a copy of the project that was changed last.

import { getJson, postJson } from "./api.js";

const NAME = "sonify-studio";
const TABLE = "projects";
const TAB = "sonify-project"; // in the tab's session storage: the project it works on
const MOST = 20; // projects kept; own choice
const COPY_MS = 1500; // so that a dragged control is one copy; own choice
const MOST_COPIED = 2e6; // characters, half of what the server takes; beyond it, without the history

/** A small value that was kept; `other` if there is none, or the browser keeps none. */
export function recalled(key, other) {
  try { return JSON.parse(localStorage.getItem(key)) ?? other; } catch { return other; }
}

/** Keep a small value; if the browser keeps none, it lasts for this visit. */
export function remember(key, value) {
  try { localStorage.setItem(key, JSON.stringify(value)); } catch { /* it may not, or is full */ }
}

function opened() {
  return new Promise((done, failed) => {
    const ask = indexedDB.open(NAME, 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore(TABLE, { keyPath: "id" }).createIndex("time", "time");
    ask.onsuccess = () => done(ask.result);
    ask.onerror = () => failed(ask.error);
  });
}

const answer = (ask) => new Promise((done, failed) => {
  ask.onsuccess = () => done(ask.result);
  ask.onerror = () => failed(ask.error);
});

/** Take a project for this tab, as long as it is open; false if another tab has it: a browser that
 * duplicates a tab gives both the same session storage. */
const taken = (id) => (navigator.locks ? new Promise((done) => {
  navigator.locks.request(`${TAB} ${id}`, { ifAvailable: true }, (lock) => {
    done(lock !== null);
    return lock && new Promise(() => {});
  }).catch(() => done(true));
}) : true);

/** Keeps the project of this tab. Without a store (private windows, full disks) the page works on,
 * and nothing is kept. */
export class Keeper {
  constructor() {
    this.base = opened().catch(() => null);
    this.id = null;
    this.next = null;
    this.writing = false;
  }

  async table(mode) {
    const base = await this.base;
    return base?.transaction(TABLE, mode).objectStore(TABLE) ?? null;
  }

  /** The project to go on with: this tab's own, or else, unless a disc was asked for, a copy of the
   * one that was changed last; null if there is none. */
  async load(asked) {
    try {
      const own = sessionStorage.getItem(TAB);
      this.id = own && (await taken(own)) ? own : crypto.randomUUID();
      if (this.id !== own) await taken(this.id);
      sessionStorage.setItem(TAB, this.id);
      const table = await this.table("readonly");
      if (table && own) return (await answer(table.get(own))) ?? null;
      if (asked) return null;
      const mine = table && (await answer(table.index("time").openCursor(null, "prev")))?.value;
      const { project } = await getJson("api/kept");
      return (project && !(mine?.time >= project.time) ? project : mine) ?? null;
    } catch { return null; }
  }

  /** Keep a project. While one is written, only the latest of those that follow waits. */
  async save(project) {
    this.next = project;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.copy(project), COPY_MS);
    if (this.writing || !this.id) return;
    this.writing = true;
    try {
      while (this.next) {
        const now = this.next;
        this.next = null;
        const table = await this.table("readwrite");
        if (!table) return;
        await answer(table.put({ ...now, id: this.id, time: Date.now() }));
        const ids = await answer(table.index("time").getAllKeys());
        for (const id of ids.slice(0, Math.max(0, ids.length - MOST))) table.delete(id);
      }
    } catch { /* the store is full: go on without */ } finally {
      this.writing = false;
    }
  }

  /** Give the server its copy. */
  async copy(project) {
    const bare = (one) => one && { document: one.document };
    const copy = { ...project, a: bare(project.a), b: bare(project.b), time: Date.now() };
    const steps = [project.a, project.b].flatMap((one) => (one ? [...one.past, ...one.future] : [])).length;
    if (JSON.stringify(copy).length * (1 + steps) < MOST_COPIED) Object.assign(copy, { a: project.a, b: project.b });
    try { await postJson("api/kept", copy); } catch { /* the browser has the project */ }
  }
}
