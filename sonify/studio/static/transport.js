// The transport: play and pause, the place in the piece, what repeats, pace and loudness. Before a
// show is played, it is made sure that it does not flash.

import { FlashCheck } from "./flash.js";
import { tell, work } from "./messages.js";
import { lower } from "./timeline.js";

const $ = (id) => document.getElementById(id);

export class Transport {
  /** `redraw` draws the page's views, now or, with `later`, with the next frame. */
  constructor(sound, readout, redraw) {
    Object.assign(this, { sound, readout, redraw, show: null, store: null });
    this.flash = new FlashCheck();
    this.wire();
  }

  get place() { return Math.min(this.sound.place(), this.sound.end); }

  setShow(show, began) {
    this.show = show;
    this.sound.setShow(show, began);
    $("seek").max = String(Math.ceil(this.sound.end * 100) / 100);
    this.readout.reset();
  }

  async play() {
    const { flash, show } = this;
    if (!show) return;
    if (!flash.allows(show)) {
      if (!flash.knows(show)) work.begin("flash", "Measuring how much it flashes…", 0);
      const found = await flash.measure(show);
      work.end("flash");
      if (found && !(await flash.ask(found, this.store))) {
        tell("Not played");
        return;
      }
      // the calm version is a new show
      flash.agree(this.show);
    }
    work.begin("sound", "Waiting for the browser's sound output…", 1500);
    await this.sound.play();
    work.end("sound");
  }

  toggle() {
    if (this.sound.playing) this.sound.pause();
    else this.play();
  }

  /** Measure in advance; a show that plays and turns out to flash stops, and asks. */
  watch() {
    this.flash.watch(this.show, this.sound.playing, (of) => {
      if (!this.sound.playing || this.show !== of) return;
      this.sound.pause();
      this.play();
    });
  }

  played() {
    const on = this.sound.playing;
    document.body.dataset.playing = on ? "on" : "off";
    $("play-name").textContent = on ? "Pause" : "Play";
    tell(on ? "Playing" : "Paused", true);
    this.redraw(true);
  }

  /** Move the place by a key on the time slider. */
  step(e) {
    const by = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1 }[e.key];
    const rows = { PageDown: -1, PageUp: 1 }[e.key];
    if (by) this.sound.seek(this.place + by);
    else if (rows) {
      const { row_s: starts } = this.show;
      const row = Math.max(0, lower(starts, this.place + 1e-6) - 1) + rows;
      this.sound.seek(starts[Math.max(0, Math.min(row, this.show.rows - 1))]);
    } else return;
    e.preventDefault();
  }

  setPace() {
    const pace = 2 ** Number($("pace").value);
    const text = `${pace.toFixed(2).replace(/\.?0+$/, "")} ×`;
    $("pace-is").textContent = text;
    $("pace").setAttribute("aria-valuetext", `${text} the speed of the player`);
    this.sound.setPace(pace);
    this.flash.pace = pace;
    if (this.show) this.watch();
  }

  wire() {
    const { sound } = this;
    const on = (id, event, act) => $(id).addEventListener(event, act);
    on("play", "click", () => this.toggle());
    for (const event of ["play", "pause"]) sound.addEventListener(event, () => this.played());
    sound.addEventListener("ended", () => tell("End of the piece"));
    sound.addEventListener("seek", () => this.redraw(true));
    on("seek", "input", () => {
      this.readout.sliding = true;
      sound.seek(Number($("seek").value));
    });
    on("seek", "change", () => { this.readout.sliding = false; });
    on("seek", "keydown", (e) => this.step(e));
    for (const kind of ["row", "all"]) on(`loop-${kind}`, "click", () => sound.setLoop(sound.loop === kind ? null : kind));
    on("loop-part", "click", () => sound.setLoop(null));
    sound.addEventListener("loop", () => {
      for (const kind of ["row", "all"]) $(`loop-${kind}`).setAttribute("aria-pressed", String(sound.loop === kind));
      $("loop-part").hidden = !Array.isArray(sound.loop);
      this.redraw();
    });
    on("pace", "input", () => this.setPace());
    on("loud", "input", () => sound.setLoudness(Number($("loud").value) / 100));
    on("more", "click", () => $("more").setAttribute("aria-expanded", String($("more").getAttribute("aria-expanded") !== "true")));
  }
}
