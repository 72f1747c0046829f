// What the modules of the page need of a browser, for tests of single modules.

export const STATIC = new URL("../../../sonify/studio/static/", import.meta.url);

/** A module of the page, whatever else it imports. */
export const load = (name) => import(new URL(name, STATIC));

/** An element that only remembers what is set. */
class Element extends EventTarget {
  dataset = {};
  hidden = true;
  textContent = "";
  title = "";
  attributes = new Map();
  setAttribute(name, value) { this.attributes.set(name, value); }
  closest() { return null; }
}

/** A document whose elements are made when they are asked for. */
export class Document extends EventTarget {
  body = new Element();
  elements = new Map();
  dialog = null; // the open dialog
  getElementById(id) {
    if (!this.elements.has(id)) this.elements.set(id, new Element());
    return this.elements.get(id);
  }
  querySelector(selector) { return selector === "dialog[open]" ? this.dialog : null; }
  querySelectorAll() { return []; }
}

/** An event of a key, from an element that `closest` describes. */
export function key(name, more = {}) {
  const e = new Event("keydown", { cancelable: true });
  const { inside = "", ...rest } = more;
  Object.assign(e, { key: name, ctrlKey: false, metaKey: false, altKey: false, shiftKey: false, repeat: false, ...rest });
  Object.defineProperty(e, "target", { value: { closest: (selector) => (inside && selector.includes(inside) ? {} : null) } });
  return e;
}

/** Answer requests with what `reply(path, body)` gives; the requests are kept in the list. */
export function answering(reply) {
  const asked = [];
  globalThis.fetch = async (path, { body } = {}) => {
    const sent = typeof body === "string" ? JSON.parse(body) : body;
    asked.push({ path, sent });
    const got = await reply(path, sent);
    return got instanceof Response ? got : Response.json(got);
  };
  return asked;
}

/** Let all that waits for answers go on. */
export const settle = async () => { for (let k = 0; k < 30; k++) await Promise.resolve(); await new Promise(setImmediate); };
