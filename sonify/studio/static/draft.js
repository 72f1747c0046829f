// A quick look at the file that is chosen, before it is made.

import { postJson } from "./api.js";
import { h, render } from "./view.js";

const WAIT_MS = 350; // after the last change

/** Shows drafts. `spec()` gives what to ask for, or null; `told` gets each answer. */
export class Draft {
  constructor(spec, told) {
    this.spec = spec;
    this.told = told;
    this.element = document.createElement("figure");
    this.element.className = "draft";
    this.element.setAttribute("aria-label", "Draft");
    this.last = null;
    this.url = null;
    // nothing is made while the area is closed
    new IntersectionObserver(([e]) => { this.open = e.isIntersecting; this.change(); }).observe(this.element);
  }

  change() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.ask(), WAIT_MS);
  }

  async ask() {
    const spec = this.open ? this.spec() : null;
    const key = JSON.stringify(spec);
    if (!spec || key === this.last || this.busy) return;
    this.last = key;
    this.busy = true;
    this.element.setAttribute("aria-busy", "true");
    try {
      this.show(await postJson("api/draft", spec));
    } catch (e) {
      this.show({ about: e.message });
    }
    this.element.removeAttribute("aria-busy");
    this.element.dataset.of = spec.what;
    this.busy = false;
    this.ask(); // what was changed meanwhile
  }

  show({ image, sound, text, about = "", pixels = null }) {
    if (this.url) URL.revokeObjectURL(this.url);
    this.url = null;
    if (sound) {
      const bytes = Uint8Array.from(atob(sound.slice(sound.indexOf(",") + 1)), (c) => c.charCodeAt(0));
      this.url = URL.createObjectURL(new Blob([bytes], { type: "audio/mpeg" }));
    }
    render([
      h("div", {},
        image && h("img", { src: image, alt: `Draft: ${about || "the file as it will look"}` }),
        sound && h("audio", { controls: true, src: this.url, "aria-label": "Draft of the sound" }),
        text && h("pre", { tabIndex: 0 }, text)),
      h("figcaption", {}, h("p.about", { role: "status" }, about && (image || sound || text ? `Draft: ${about}` : about))),
    ], this.element);
    this.element.hidden = false;
    this.told(pixels);
  }
}
