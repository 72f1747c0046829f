// A preset heard before it is chosen: a short excerpt of the user's own disc.

import { postJson, postPacked } from "./api.js";
import { Sound } from "./sound.js";
import { carry } from "./timeline.js";

const EXCERPT_S = 8; // long enough for two bars of a slow preset; own choice
const REST_MS = 220; // a pointer that only passes over starts nothing; own choice

/** Plays beside the piece, which is silent meanwhile. Events: `change` when `name` changes. */
export class Preview extends EventTarget {
  constructor(sound, store) {
    super();
    this.main = sound;
    this.own = new Sound(sound);
    this.store = store;
    this.before = null; // whether the piece was silent before
    this.name = null; // the preset that is heard, or asked for
    this.own.addEventListener("ended", () => this.stop());
  }

  /** Hear a preset in a moment, unless something else is asked for before. */
  hear(name) {
    if (name === this.name) return;
    this.stop();
    // browsers allow no sound before the first click or key
    if (navigator.userActivation && !navigator.userActivation.hasBeenActive) return;
    this.set(name);
    this.asking = new AbortController();
    this.timer = setTimeout(() => this.start(name, this.asking.signal), REST_MS);
  }

  async start(name, signal) {
    try {
      const { document } = this.store;
      const setup = await postJson("api/lay", { setup: document.setup, preset: name });
      const { header, arrays } = await postPacked("api/show", { ...document, setup, muted: [] }, signal);
      if (signal.aborted) return;
      const show = { ...header, ...arrays };
      const { main, own } = this;
      const place = main.show ? carry(main.show, show, main.place()) : 0;
      own.setShow(show);
      own.rest = place < show.readS - 1 ? place : 0;
      await main.wake();
      if (signal.aborted) return;
      this.before ??= main.hushed;
      main.hush(true);
      await own.play();
      // `play` waits for the audio, and the pointer may have left
      if (signal.aborted) own.pause();
      else this.timer = setTimeout(() => this.stop(), EXCERPT_S * 1000);
    } catch (e) {
      if (e.name !== "AbortError") this.stop();
    }
  }

  stop() {
    if (this.name === null) return;
    clearTimeout(this.timer);
    this.asking.abort();
    this.own.pause();
    this.main.hush(this.before ?? this.main.hushed);
    this.before = null;
    this.main.want();
    this.set(null);
  }

  set(name) {
    this.name = name;
    this.dispatchEvent(new Event("change"));
  }
}
