// The page to share: one show, with its sound as a file inside the page.

import { unpack } from "./api.js";
import { still } from "./canvas.js";
import { drawContours } from "./contours.js";
import { DiscView } from "./draw-disc.js";
import { MatrixView } from "./draw-matrix.js";
import { NearView, TrailView } from "./draw-trail.js";
import { Readout } from "./readout.js";
import { wireTheme } from "./theme.js";
import { lower } from "./timeline.js";

const $ = (id) => document.getElementById(id);
const bytes = Uint8Array.from(atob($("show").textContent), (c) => c.charCodeAt(0));
const { header, arrays } = unpack(bytes.buffer);
const show = { ...header, ...arrays, document: {} };
const sound = $("sound");
const matrix = new MatrixView($("matrix"));
const trail = new TrailView($("trail"), $("walk"));
const views = [new DiscView($("disc")), matrix, trail, new NearView($("near"))];
const readout = new Readout();
const end = Math.max(show.durationS, show.soundS);

/** The time in the show: that of the sound, and after the sound's end that of the system. */
const clock = {
  at: 0,
  since: null, // when the sound had ended, by the system's clock, in ms
  playing: false,
  place() {
    if (!this.playing) return this.at;
    if (this.since === null) return sound.currentTime;
    return Math.min(end, this.at + (performance.now() - this.since) / 1000);
  },
  seek(place) {
    this.at = Math.max(0, Math.min(end, place));
    const silent = this.at >= sound.duration;
    if (!silent) sound.currentTime = this.at;
    this.since = silent && this.playing ? performance.now() : null;
    if (this.playing && !silent) sound.play();
    else sound.pause();
    paint();
  },
  play() {
    if (this.at >= end) this.at = 0;
    this.playing = true;
    this.seek(this.at);
    state();
  },
  pause() {
    this.at = this.place();
    this.playing = false;
    this.since = null;
    sound.pause();
    state();
  },
};

let lamps = true; // whether the lamps move
let asked = !show.flash.over;

function paint() {
  const now = clock.place();
  for (const view of views) view.draw(view === matrix && !lamps ? 0 : now, null);
  readout.show(show, now, end);
}

function frame() {
  paint();
  if (clock.playing && clock.place() >= end) clock.pause();
  if (clock.playing) requestAnimationFrame(frame);
}

function state() {
  document.body.dataset.playing = clock.playing ? "on" : "off";
  $("play-name").textContent = clock.playing ? "Pause" : "Play";
  requestAnimationFrame(frame);
}

async function toggle() {
  if (clock.playing) {
    clock.pause();
    return;
  }
  if (!asked) {
    $("flash").returnValue = "no";
    $("flash").showModal();
    await new Promise((done) => $("flash").addEventListener("close", done, { once: true }));
    if ($("flash").returnValue === "no") return;
    lamps = $("flash").returnValue === "go";
    asked = true;
  }
  clock.play();
}

sound.addEventListener("ended", () => {
  clock.at = sound.duration;
  clock.since = performance.now();
});
$("play").addEventListener("click", toggle);
$("seek").addEventListener("input", () => clock.seek(Number($("seek").value)));
$("loud").addEventListener("input", () => { sound.volume = (Number($("loud").value) / 100) ** 2; });
document.addEventListener("keydown", (e) => {
  const rows = { PageDown: -1, PageUp: 1 }[e.key];
  const by = e.target === $("seek") && { ArrowLeft: -1, ArrowRight: 1 }[e.key];
  if (e.key === " " && !$("flash").open) toggle();
  else if (by) clock.seek(clock.place() + by);
  else if (rows) {
    const row = Math.max(0, lower(show.row_s, clock.place() + 1e-6) - 1) + rows;
    clock.seek(show.row_s[Math.max(0, Math.min(row, show.rows - 1))]);
  } else return;
  e.preventDefault();
});

sound.volume = 0.49;
$("flash-text").textContent = `The lamps flash more than WCAG 2.2, success criterion 2.3.1, allows: ${show.flash.text}. `
  + "That can harm people with photosensitive epilepsy.";
$("seek").max = String(end);
for (const view of views) view.setShow(show);
wireTheme($("theme"), () => {
  drawContours($("contours"));
  for (const view of views) view.redraw?.();
  paint();
});
new ResizeObserver(() => { drawContours($("contours")); paint(); }).observe(document.querySelector(".player"));
still.addEventListener("change", paint);
document.fonts.ready.then(() => { trail.redraw(); paint(); });
document.body.dataset.state = "ready";

// for the tests, read-only
window.shared = { show, clock, views, matrix };
