// The work areas: tabs with one panel open at a time, and a toolbar that is one Tab stop.

import { catchUp } from "./view.js";

const KEY = "sonify-area";

/** Let the arrow keys move the focus among the buttons of a group, which is one Tab stop.
 *
 * `now()` gives the button that Tab reaches; `arrive` is called with a button that an arrow key
 * reached. */
export function roving(group, now, arrive = () => {}) {
  const items = () => [...group.querySelectorAll("button:not(:disabled)")].filter((b) => b.offsetParent);
  const sync = () => {
    const stop = now() ?? items()[0];
    for (const b of group.querySelectorAll("button")) b.tabIndex = b === stop ? 0 : -1;
  };
  group.addEventListener("keydown", (e) => {
    const all = items();
    const at = all.indexOf(e.target);
    const to = { ArrowRight: at + 1, ArrowDown: at + 1, ArrowLeft: at - 1, ArrowUp: at - 1, Home: 0, End: all.length - 1 }[e.key];
    if (at < 0 || to === undefined || e.altKey || e.ctrlKey) return;
    e.preventDefault();
    const next = all[(to + all.length) % all.length];
    next.focus();
    arrive(next);
    sync();
  });
  group.addEventListener("focusin", sync);
  sync();
  return sync;
}

export class Areas {
  /** Each of the names has a tab in the list, and gets a panel with the id `panel-name`, before `foot`. */
  constructor(list, room, names) {
    this.tabs = new Map();
    this.panels = new Map();
    names.forEach((name, n) => {
      const tab = list.querySelector(`#tab-${name}`);
      tab.title = n < 9 ? `${tab.textContent} (${n + 1})` : tab.textContent;
      tab.addEventListener("click", () => this.open(name));
      const panel = document.createElement("section");
      Object.assign(panel, { id: `panel-${name}`, className: "panel" });
      panel.setAttribute("role", "tabpanel");
      panel.setAttribute("aria-labelledby", tab.id);
      room.insertBefore(panel, room.querySelector(".foot"));
      this.tabs.set(name, tab);
      this.panels.set(name, panel);
    });
    this.names = names;
    let kept = null;
    try { kept = localStorage.getItem(KEY); } catch { /* not allowed: begin at the first area */ }
    this.stops = () => {};
    this.open(this.tabs.has(kept) ? kept : this.names[0], false);
    this.stops = roving(list, () => this.tabs.get(this.now), (tab) => tab.click());
    this.room = room;
  }

  open(name, keep = true) {
    if (name === this.now) return;
    this.panels.get(this.now)?.dispatchEvent(new Event("close"));
    this.now = name;
    for (const [other, tab] of this.tabs) {
      tab.setAttribute("aria-selected", String(other === name));
      this.panels.get(other).hidden = other !== name;
    }
    catchUp(this.panels.get(name));
    this.panels.get(name).dispatchEvent(new Event("open"));
    this.stops();
    if (this.room) this.room.scrollTop = 0;
    if (!keep) return;
    try { localStorage.setItem(KEY, name); } catch { /* then it lasts for this visit */ }
  }

  /** Open the area that an element is in. */
  reveal(element) {
    const panel = element.closest(".panel");
    for (const [name, one] of this.panels) if (one === panel) this.open(name);
  }
}
