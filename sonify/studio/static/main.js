// The page: creates its parts and keeps them in step.

import { getJson } from "./api.js";
import { Areas } from "./areas.js";
import { still } from "./canvas.js";
import { wireCommands } from "./commands.js";
import { drawContours } from "./contours.js";
import { DiscView } from "./draw-disc.js";
import { MatrixView } from "./draw-matrix.js";
import { NearView, TrailView } from "./draw-trail.js";
import { wireDrop } from "./file-drop.js";
import { Marks } from "./marks.js";
import { clearError, showCautions, showError, tell, work } from "./messages.js";
import { comparePanel } from "./panel-compare.js";
import { discPanel } from "./panel-disc.js";
import { filesPanel } from "./panel-files.js";
import { holesPanel } from "./panel-holes.js";
import { midiPanel } from "./panel-midi.js";
import { musicPanel } from "./panel-music.js";
import { notesPanel } from "./panel-notes.js";
import { lampsPanel, machinePanel } from "./panel-rest.js";
import { readPanel } from "./panel-read.js";
import { startPanel } from "./panel-start.js";
import { voicesPanel } from "./panel-voices.js";
import { Preview } from "./preview.js";
import { Readout } from "./readout.js";
import { wireScreen } from "./screen.js";
import { Sound } from "./sound.js";
import { Store } from "./store.js";
import { wireTheme } from "./theme.js";
import { loopRange } from "./timeline.js";
import { Transport } from "./transport.js";

const $ = (id) => document.getElementById(id);
const body = document.body;

const sound = new Sound();
const disc = new DiscView($("disc"));
const matrix = new MatrixView($("matrix"));
const trail = new TrailView($("trail"), $("walk"));
const near = new NearView($("near"));
const readout = new Readout();
const transport = new Transport(sound, readout, (later) => (later ? animate() : paint()));
const views = [disc, matrix, trail, near];
const marks = new Marks();

let store = null;
let areas = null;
let panels = [];
let voices = null;
let notes = null;
let reader = null;
let compare = null;
let midi = null;
let preview = null;
let show = null;

/** The voices on solo. Unlike muting, this is not part of the document. */
const solo = new (class extends Set {
  toggle(n) {
    if (this.has(n)) this.delete(n);
    else this.add(n);
    silence();
    animate();
    for (const p of panels) p.sync();
  }

  /** Follow the voices when they move; removed ones are dropped. */
  renumber(to) {
    const next = [...this].map(to).filter((n) => n !== null && n >= 0);
    this.clear();
    for (const n of next) this.add(n);
  }
})();

let silent0 = null; // the silent voices, as a text

function silence() {
  const silent = new Set(store.document.muted);
  if (solo.size) {
    (store.setup.music?.voice ?? []).forEach((_, n) => { if (!solo.has(n)) silent.add(n); });
  }
  const text = [...silent].sort().join();
  if (text === silent0) return;
  silent0 = text;
  for (const one of [sound, trail, near]) one.setSilent(silent);
}

/** Let level, pan and colours be heard and seen at once; the server's answer says the same later. */
function atOnce() {
  if (!show) return;
  const { music, light = {} } = store.setup;
  if (music?.voice?.length === show.voices.length) {
    music.voice.forEach((v, n) => Object.assign(show.voices[n], { volume: v.volume ?? 100, pan: v.pan ?? 0 }));
    sound.setVoices();
  }
  for (const key of ["lamp", "unlit", "background"]) {
    if (!/^#[0-9a-f]{6}$/i.test(light[key]) || show.look[key] === light[key]) continue;
    show.look[key] = light[key];
    matrix.redraw();
  }
}

// ---- painting

function paint() {
  if (!show) return;
  const now = transport.place;
  disc.draw(now);
  matrix.draw(now);
  trail.draw(now, sound.playing ? sound.range : loopRange(show, Array.isArray(sound.loop) && sound.loop, now));
  near.draw(now);
  readout.show(show, now, sound.end);
  voices.meter();
  notes.head();
}

let looping = 0;
export const frames = { times: [], on: false };

function frame(time) {
  looping = 0;
  if (frames.on) frames.times.push(time);
  paint();
  if (sound.playing) looping = requestAnimationFrame(frame);
}

function animate() {
  if (!looping) looping = requestAnimationFrame(frame);
}

// ---- answers

function setShow(next, began) {
  show = next;
  for (const view of views) view.setShow(show);
  marks.setShow(show);
  transport.setShow(show, began);
  $("disc-title").textContent = show.title;
  document.title = `${show.title} · sonify studio`;
  $("disc").setAttribute("aria-label",
    `The disc: ${show.rows} rows of ${show.positions} positions, ${show.ones} ones`);
  $("matrix").setAttribute("aria-label", `The lamps of the matrix, ${show.matrix.width} by ${show.matrix.height}`);
  for (const p of panels) p.setShow?.(show);
  showCautions(show.cautions);
  clearError();
  if (body.dataset.state === "loading") tell("Ready", true);
  body.dataset.state = "ready";
  work.end("show");
  silence();
  paint();
  if (sound.playing) sound.samples.letGo();
  else sound.samples.letGoSoon();
  transport.watch();
  if (began !== undefined) {
    performance.measure("change to show", { start: began, end: performance.now() });
  }
}

function wrong(e) {
  work.end("show");
  sound.samples.letGo();
  showError(e, (element) => areas.reveal(element));
  if (body.dataset.state === "loading") body.dataset.state = show ? "ready" : "failed";
}

function sync() {
  // a voice that was removed can't be on solo
  const count = (store.setup.music?.voice ?? []).length;
  solo.renumber((n) => (n < count ? n : null));
  for (const p of panels) p.sync();
  $("undo").disabled = !store.canUndo;
  $("redo").disabled = !store.canRedo;
  $("version-a").setAttribute("aria-pressed", String(store.which === "a"));
  $("version-b").setAttribute("aria-pressed", String(store.which === "b"));
  silence();
  atOnce();
  animate();
}

function wire() {
  wireScreen();
  wireTheme($("theme"), () => {
    drawContours($("contours"));
    for (const v of [...views, notes]) v?.redraw?.();
    paint();
  });
  const comparing = () => areas.now === "compare";
  wireDrop($("dropping"), (file) => (comparing() ? compare : reader).read(file),
    () => (comparing() ? "Drop the file to compare it with this disc" : "Drop the file to read it"));
  const sized = new ResizeObserver(() => { drawContours($("contours")); animate(); });
  for (const e of [document.querySelector(".player"), ...views.map((v) => v.canvas)]) sized.observe(e);
  still.addEventListener("change", paint);
}

/** Mark what is pointed at in any view in all of them. */
function wireMarks(holes) {
  const ring = $("ring");
  const at = marks.follow(disc);
  marks.follow(matrix);
  marks.follow(near);
  disc.canvas.addEventListener("click", (e) => {
    const place = holes.open && at(e);
    if (place) holes.flip(place);
  });
  marks.addEventListener("change", () => {
    for (const view of [disc, near]) view.mark = marks.place && { ...marks.place, notes: marks.found.notes };
    const lamp = marks.found?.lamp ?? null;
    ring.hidden = lamp === null;
    if (lamp !== null) matrix.surround(ring, lamp);
    paint();
  });
}

async function begin() {
  areas = new Areas($("areas"), $("controls"), [...$("areas").querySelectorAll("button")].map((tab) => tab.id.slice(4)));
  wire();
  try {
    const [start, tables] = await Promise.all([getJson("api/start"), getJson("api/tables")]);
    store = new Store(start);
    await store.restore();
    transport.store = store;
    const play = () => transport.play();
    const room = (name) => $(`panel-${name}`);
    preview = new Preview(sound, store);
    const music = musicPanel(room("music"), store, tables, preview, tell);
    const holes = holesPanel(room("holes"), store, marks, () => { disc.redraw(); animate(); });
    wireMarks(holes);
    voices = voicesPanel(room("voices"), store, tables, solo, sound, tell);
    notes = notesPanel(room("notes"), store, marks, sound, tell);
    reader = readPanel(room("read"), store, areas);
    midi = midiPanel(room("midi"), store, sound, { play });
    compare = comparePanel(room("compare"), store, { hints: reader.given, disc, marks, sound, areas, paint });
    const files = filesPanel(room("files"), store, tables, solo, sound);
    panels = [
      startPanel(room("start"), store, tables, { music, files, areas, play }),
      discPanel(room("disc"), store, tables, areas),
      holes,
      music,
      voices,
      notes,
      lampsPanel(room("lamps"), store, tables, music),
      machinePanel(room("machine"), store, tables, music),
      files,
      reader,
      compare,
      midi,
    ];
    wireCommands({ store, areas, transport, midi, tables, music, files, wrong });
    store.addEventListener("document", sync);
    store.addEventListener("asking", () => {
      sound.samples.hold();
      work.begin("show", "Working…");
    });
    store.addEventListener("show", (e) => setShow(store.show, e.detail.began));
    store.addEventListener("wrong", (e) => wrong(e.detail));
    sync();
    store.ask();
    document.fonts?.ready.then(() => { trail.redraw(); paint(); });
  } catch (e) {
    wrong(e);
    tell("The studio could not start");
    body.dataset.state = "failed";
  }
}

begin();

// for the tests, read-only
window.studio = { sound, views: { disc, matrix, trail, near }, frames, areas: () => areas, get store() { return store; }, get preview() { return preview; }, marks, get midi() { return midi; }, get roll() { return notes.roll; },
  get show() { return show; } };
