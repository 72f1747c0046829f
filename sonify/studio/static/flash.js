// Flashing: measured by the server before a show is played, and agreed to by the user.

import { postJson } from "./api.js";
import { put } from "./store.js";

const $ = (id) => document.getElementById(id);
const WAIT_MS = 600; // after the last change, before a show that is not playing is measured

export class FlashCheck {
  constructor() {
    this.pace = 1; // how many times as fast the show is played
    this.agreed = new Set(); // keys of shows that may be played although they flash
    this.measured = new Map(); // what is known of a show's flashing, by its key
    this.measuring = null;
    this.timer = 0;
  }

  /** Whether a show may be played without asking. */
  allows(show) { return !this.suspects(show) || this.agreed.has(this.key(show)); }

  knows(show) { return this.measured.has(this.key(show)); }

  agree(show) { this.agreed.add(this.key(show)); }

  /** What decides how a show flashes; slower than the machine it flashes no more than at its pace. */
  key(show) { return `${show.flashKey} ${Math.max(1, this.pace)}`; }

  /** Whether it must be measured: `mayFlash` rules flashing out up to the machine's pace. */
  suspects(show) { return show.mayFlash || (this.pace > 1 && this.measured.get(this.key(show))?.over !== false); }

  /** How a show flashes; null if it is within the threshold. */
  async measure(show) {
    if (!this.suspects(show)) return null;
    const key = this.key(show);
    if (!this.measured.has(key)) {
      if (this.measuring?.key !== key) {
        this.measuring = { key, answer: postJson("api/flash", { document: show.document, pace: Math.max(1, this.pace) }) };
      }
      try {
        this.measured.set(key, await this.measuring.answer);
      } catch (e) {
        return { over: true, unknown: e.message, calm: null };
      } finally {
        this.measuring = null;
      }
    }
    const found = this.measured.get(key);
    return found.over ? found : null;
  }

  /** Measure in advance, so that Play need not wait; `found` is called if the show flashes. */
  watch(show, playing, found) {
    clearTimeout(this.timer);
    if (this.allows(show)) return;
    this.timer = setTimeout(async () => {
      if ((await this.measure(show)) && !this.allows(show)) found(show);
    }, playing ? 0 : WAIT_MS);
  }

  /** Ask the user about what was found. "calm" changes the document of the store. */
  async ask(found, store) {
    const [title, text] = found.unknown
      ? ["This show may flash", `Its flashing could not be measured: ${found.unknown}. `
        + "Flashing can harm people with photosensitive epilepsy."]
      : ["This show flashes", `The lamps flash more than WCAG 2.2, success criterion 2.3.1, allows: ${found.text}. `
        + "That can harm people with photosensitive epilepsy."
        + (found.calm ? "" : " No calmer version was found.")];
    $("flash-title").textContent = title;
    $("flash-text").textContent = text;
    $("flash-calm").hidden = !found.calm;
    const box = $("flash");
    box.returnValue = "no";
    box.showModal();
    await new Promise((done) => box.addEventListener("close", done, { once: true }));
    if (box.returnValue !== "calm" || !found.calm) return box.returnValue === "go";
    store.change("calm", (d) => {
      for (const [path, value] of Object.entries(found.calm)) put(d.setup, path, value);
    });
    await new Promise((done) => {
      for (const answer of ["show", "wrong"]) store.addEventListener(answer, done, { once: true });
    });
    return true;
  }
}
