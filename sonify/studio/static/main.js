// The page: creates its parts and keeps them in step.

import { getJson, postJson } from "./api.js";
import { Areas, roving } from "./areas.js";
import { still } from "./canvas.js";
import { drawContours } from "./contours.js";
import { DiscView } from "./draw-disc.js";
import { MatrixView } from "./draw-matrix.js";
import { NearView, TrailView } from "./draw-trail.js";
import { wireDrop } from "./file-drop.js";
import { FlashCheck } from "./flash.js";
import { wireKeys } from "./keys.js";
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
import { Palette, choicesOf, controlsOf } from "./palette.js";
import { Preview } from "./preview.js";
import { Readout } from "./readout.js";
import { Sound } from "./sound.js";
import { Store } from "./store.js";
import { wireTheme } from "./theme.js";
import { loopRange, lower } from "./timeline.js";
import { give } from "./view.js";

const $ = (id) => document.getElementById(id);
const body = document.body;

const sound = new Sound();
const disc = new DiscView($("disc"));
const matrix = new MatrixView($("matrix"));
const trail = new TrailView($("trail"), $("walk"));
const near = new NearView($("near"));
const readout = new Readout();
const views = [disc, matrix, trail, near];
const marks = new Marks();

const AREAS = [...$("areas").querySelectorAll("button")].map((tab) => [tab.id.slice(4), tab.textContent]);

let store = null;
let areas = null;
let panels = [];
let voices = null;
let notes = null;
let palette = null;
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

function place() {
  return Math.min(sound.place(), sound.end);
}

function paint() {
  if (!show) return;
  const now = place();
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
  sound.setShow(show, began);
  $("seek").max = String(Math.ceil(sound.end * 100) / 100);
  $("disc-title").textContent = show.title;
  document.title = `${show.title} · sonify studio`;
  $("disc").setAttribute("aria-label",
    `The disc: ${show.rows} rows of ${show.positions} positions, ${show.ones} ones`);
  $("matrix").setAttribute("aria-label", `The lamps of the matrix, ${show.matrix.width} by ${show.matrix.height}`);
  readout.reset();
  for (const p of panels) p.setShow?.(show);
  showCautions(show.cautions);
  clearError();
  if (body.dataset.state === "loading") tell("Ready", true);
  body.dataset.state = "ready";
  work.end("show");
  silence();
  paint();
  sound.samples.hold(false);
  watchFlashing();
  if (began !== undefined) {
    performance.measure("change to show", { start: began, end: performance.now() });
  }
}

/** Measure in advance; a show that plays and turns out to flash stops, and asks. */
function watchFlashing() {
  flash.watch(show, sound.playing, (of) => {
    if (!sound.playing || show !== of) return;
    sound.pause();
    play();
  });
}

function wrong(e) {
  work.end("show");
  sound.samples.hold(false);
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

// ---- playing

const flash = new FlashCheck();

async function play() {
  if (!show) return;
  if (!flash.allows(show)) {
    if (!flash.knows(show)) work.begin("flash", "Measuring how much it flashes…", 0);
    const found = await flash.measure(show);
    work.end("flash");
    if (found && !(await flash.ask(found, store))) {
      tell("Not played");
      return;
    }
    // the calm version is a new show
    flash.agree(show);
  }
  work.begin("sound", "Waiting for the browser's sound output…", 1500);
  await sound.play();
  work.end("sound");
}

function toggle() {
  if (sound.playing) sound.pause();
  else play();
}

function playState() {
  const on = sound.playing;
  body.dataset.playing = on ? "on" : "off";
  $("play-name").textContent = on ? "Pause" : "Play";
  tell(on ? "Playing" : "Paused", true);
  animate();
}

function undo() {
  if (store.undo()) tell(`Undone: ${store.why}`);
}

function redo() {
  if (store.redo()) tell(`Redone: ${store.why}`);
}

function choose(which) {
  if (store.choose(which)) tell(`Version ${which.toUpperCase()}`);
}

/** Show the player only, or the work areas beside it. */
function enlarge(on = body.dataset.view !== "large") {
  body.dataset.view = on ? "large" : "work";
  $("large").setAttribute("aria-pressed", String(on));
}

/** The show alone, on the whole screen. */
async function fullScreen() {
  try {
    if (document.fullscreenElement) await document.exitFullscreen();
    else await document.documentElement.requestFullscreen();
  } catch { tell("This browser shows no full screen"); }
}

/** Show the explanations in the work areas, or fold them away. */
function explain(on = body.dataset.help === undefined) {
  if (on) body.dataset.help = "";
  else delete body.dataset.help;
  $("explain").setAttribute("aria-pressed", String(on));
  try { localStorage.setItem("sonify-help", on ? "on" : "off"); } catch { /* then it lasts for this visit */ }
}

async function save() {
  try {
    const { text, name } = await postJson("api/project", store.project());
    give(name, text);
    tell(`Saved ${name}`);
  } catch (e) { wrong(e); }
}

function wire() {
  $("play").addEventListener("click", toggle);
  sound.addEventListener("play", playState);
  sound.addEventListener("pause", playState);
  sound.addEventListener("ended", () => tell("End of the piece"));
  sound.addEventListener("seek", animate);
  $("seek").addEventListener("input", () => {
    readout.sliding = true;
    sound.seek(Number($("seek").value));
  });
  $("seek").addEventListener("change", () => { readout.sliding = false; });
  $("seek").addEventListener("keydown", (e) => {
    const by = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -1, ArrowUp: 1 }[e.key];
    const rows = { PageDown: -1, PageUp: 1 }[e.key];
    if (by) sound.seek(place() + by);
    else if (rows) {
      const row = Math.max(0, lower(show.row_s, place() + 1e-6) - 1) + rows;
      sound.seek(show.row_s[Math.max(0, Math.min(row, show.rows - 1))]);
    } else return;
    e.preventDefault();
  });
  const loop = (id, kind) => $(id).addEventListener("click", () => sound.setLoop(sound.loop === kind ? null : kind));
  loop("loop-row", "row");
  loop("loop-all", "all");
  $("loop-part").addEventListener("click", () => sound.setLoop(null));
  sound.addEventListener("loop", () => {
    for (const kind of ["row", "all"]) $(`loop-${kind}`).setAttribute("aria-pressed", String(sound.loop === kind));
    $("loop-part").hidden = !Array.isArray(sound.loop);
    paint();
  });
  $("pace").addEventListener("input", () => {
    const pace = 2 ** Number($("pace").value);
    const text = `${pace.toFixed(2).replace(/\.?0+$/, "")} ×`;
    $("pace-is").textContent = text;
    $("pace").setAttribute("aria-valuetext", `${text} the speed of the player`);
    sound.setPace(pace);
    flash.pace = pace;
    if (show) watchFlashing();
  });
  $("loud").addEventListener("input", () => sound.setLoudness(Number($("loud").value) / 100));
  const help = () => $("shortcuts").showModal();
  const acts = { toggle, undo, redo, save, help, choose, large: () => enlarge(), fullScreen, explain: () => explain(), tap: () => midi?.tap(),
    palette: () => palette?.open(),
    area: (n) => n < AREAS.length && areas.open(AREAS[n][0]) };
  for (const [id, act] of [["undo", undo], ["redo", redo], ["save", save], ["keys", help],
    ["large", acts.large], ["full", fullScreen], ["explain", acts.explain], ["find", acts.palette], ["version-a", () => choose("a")], ["version-b", () => choose("b")]]) {
    $(id).addEventListener("click", act);
  }
  wireKeys(acts);
  let before = false;
  document.addEventListener("fullscreenchange", () => {
    const on = Boolean(document.fullscreenElement);
    if (on) before = body.dataset.view === "large";
    body.toggleAttribute("data-full", on);
    enlarge(on || before);
  });
  $("full").hidden = !document.fullscreenEnabled;
  try { explain(localStorage.getItem("sonify-help") === "on"); } catch { explain(false); }
  roving($("tools"), () => $("tools").querySelector(":focus"));
  $("more").addEventListener("click", () => {
    const open = $("more").getAttribute("aria-expanded") !== "true";
    $("more").setAttribute("aria-expanded", String(open));
  });
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

/** Everything that the palette offers now. */
function commands(tables, music, files) {
  const row = (label, group, act) => ({ label, group, act });
  const press = (id, label, group) => row(label, group, () => $(id).click());
  return [
    row(sound.playing ? "Pause" : "Play", "Space", toggle),
    press("loop-row", "Repeat row", "Playing"), press("loop-all", "Repeat all", "Playing"),
    ...AREAS.map(([name, label], n) => row(`Go to ${label}`, n < 9 ? String(n + 1) : "Area", () => {
      areas.open(name);
      areas.tabs.get(name).focus();
    })),
    ...(store.canUndo ? [row("Undo", "Ctrl+Z", undo)] : []), ...(store.canRedo ? [row("Redo", "Ctrl+Shift+Z", redo)] : []),
    row("Save the project", "Ctrl+S", save), row("Version A", "A", () => choose("a")), row("Version B", "B", () => choose("b")),
    row("Large player", "L", () => enlarge()), row("Full screen", "F", fullScreen), press("theme", "Light or dark colours", "View"),
    row("Explanations", "H", () => explain()), row("Tap the tempo", "T", () => midi.tap()), press("keys", "Keyboard shortcuts", "?"),
    ...choicesOf(tables, music, files, areas), ...controlsOf(areas),
  ];
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
  areas = new Areas($("areas"), $("controls"), AREAS.map(([name]) => name));
  wire();
  try {
    const [start, tables] = await Promise.all([getJson("api/start"), getJson("api/tables")]);
    store = new Store(start);
    await store.restore();
    const room = (name) => $(`panel-${name}`);
    preview = new Preview(sound, store);
    const music = musicPanel(room("music"), store, tables, preview, tell);
    const holes = holesPanel(room("holes"), store, marks, () => { disc.redraw(); animate(); });
    wireMarks(holes);
    palette = new Palette($("palette"), () => commands(tables, music, files));
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
    store.addEventListener("document", sync);
    store.addEventListener("asking", () => {
      sound.samples.hold(true);
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
