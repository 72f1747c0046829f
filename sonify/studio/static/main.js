// The page: puts the parts together and keeps them in step.

import { getJson, postJson, Wrong } from "./api.js";
import { Bench, put } from "./bench.js";
import { clock, h } from "./dom.js";
import { DiscView } from "./draw-disc.js";
import { MatrixView } from "./draw-matrix.js";
import { NearView, TrailView } from "./draw-trail.js";
import { drawHills } from "./contours.js";
import { discPanel } from "./panel-disc.js";
import { musicPanel } from "./panel-music.js";
import { lampsPanel, playerPanel, takePanel } from "./panel-rest.js";
import { voicesPanel } from "./panel-voices.js";
import { lower, Sound } from "./sound.js";
import { forgetColours, still } from "./canvas.js";

const $ = (id) => document.getElementById(id);
const body = document.body;
const TOLD_MS = 5000;

const sound = new Sound();
const disc = new DiscView($("disc"));
const matrix = new MatrixView($("matrix"));
const trail = new TrailView($("trail"), $("walk"));
const near = new NearView($("near"));
const views = [disc, matrix, trail, near];

let bench = null;
let panels = [];
let show = null;
let saidCount = -1;
let placeRow = -1;
let sliding = false;

/** The voices that are heard alone; muting is in the document, this is only for the ear. */
const solo = new (class extends Set {
  toggle(n) {
    if (this.has(n)) this.delete(n);
    else this.add(n);
    silence();
    for (const p of panels) p.sync();
  }

  /** Follow the voices when they move; those that are gone are no longer heard alone. */
  renumber(to) {
    const next = [...this].map(to).filter((n) => n !== null && n >= 0);
    this.clear();
    for (const n of next) this.add(n);
  }
})();

let told = 0;

/** Say what happened. On a narrow page that shows for a while only; what is plain to see
 * anyway is `quiet` there. */
function tell(text, quiet = false) {
  $("state").textContent = text;
  $("state").title = text;
  clearTimeout(told);
  delete body.dataset.told;
  if (quiet) return;
  body.dataset.told = "";
  told = setTimeout(() => delete body.dataset.told, TOLD_MS);
}

function silence() {
  const silent = new Set(bench.document.muted);
  if (solo.size) {
    (bench.setup.music?.voice ?? []).forEach((_, n) => { if (!solo.has(n)) silent.add(n); });
  }
  sound.setSilent(silent);
  trail.setSilent(silent);
  near.setSilent(silent);
  paint();
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
  trail.draw(now, sound.playing ? sound.range : null);
  near.draw(now);
  if (body.dataset.sky === "gone") mini();
  say(now);
}

/** The matrix once more, small, while the large one is out of sight. */
function mini() {
  const from = matrix.canvas;
  const to = $("mini");
  const w = Math.round((80 * from.width) / from.height);
  if (to.width !== w || to.height !== 80) {
    to.width = w;
    to.height = 80;
    to.style.aspectRatio = `${from.width} / ${from.height}`;
  }
  to.getContext("2d").drawImage(from, 0, 0, w, 80);
}

function say(now) {
  const count = lower(show.caption_s, now + 1e-6);
  if (count !== saidCount) {
    saidCount = count;
    let text = "";
    const most = window.innerWidth > 760 ? 90 : 60;
    for (let k = Math.max(0, count - most); k < count; k++) text += String.fromCodePoint(show.caption_point[k]);
    $("said").textContent = text;
    $("said").classList.toggle("long", count > 46);
  }
  const second = clock(now);
  if ($("time").dataset.now !== second) {
    $("time").dataset.now = second;
    $("time").textContent = `${second} / ${clock(sound.end)}`;
  }
  const row = Math.max(0, lower(show.row_s, now + 1e-6) - 1);
  if (row !== placeRow) {
    placeRow = row;
    $("place").textContent = now >= show.readS ? "read" : `row ${row + 1} of ${show.rows}`;
  }
  if (!sliding) {
    const s = $("seek");
    const value = String(Math.round(now * 100) / 100);
    if (s.value !== value) {
      s.value = value;
      s.setAttribute("aria-valuetext", `${second}, ${now >= show.readS ? "the message" : `row ${row + 1} of ${show.rows}`}`);
    }
  }
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
  saidCount = -1;
  placeRow = -1;
  for (const view of views) view.setShow(show);
  sound.setShow(show, began);
  $("seek").max = String(Math.ceil(sound.end * 100) / 100);
  $("disc-title").textContent = show.title;
  document.title = `${show.title} · sonify studio`;
  $("disc").setAttribute("aria-label",
    `The disc: ${show.rows} rows of ${show.positions} positions, ${show.ones} ones`);
  $("matrix").setAttribute("aria-label", `The lamps of the matrix, ${show.matrix.width} by ${show.matrix.height}`);
  delete $("time").dataset.now;
  for (const p of panels) p.setShow?.(show);
  const cautions = $("cautions");
  cautions.hidden = !show.cautions.length;
  cautions.replaceChildren(...show.cautions.map((c) => h("p", {}, c)));
  right();
  if (body.dataset.state === "loading") tell("Ready", true);
  body.dataset.state = "ready";
  silence();
  paint();
  watchFlashing();
  if (began !== undefined) {
    performance.measure("change to show", { start: began, end: performance.now() });
  }
}

let waiting = 0;

/** Measure in good time, so that Play has not to wait; a show that is playing and begins to
 * flash is stopped. */
function watchFlashing() {
  clearTimeout(waiting);
  if (!show.mayFlash || agreed.has(show.flashKey)) return;
  const of = show;
  waiting = setTimeout(async () => {
    const found = await flashing(of);
    if (found && sound.playing && show === of && !agreed.has(of.flashKey)) {
      sound.pause();
      play();
    }
  }, sound.playing ? 0 : 600);
}

function right() {
  $("wrong").hidden = true;
  for (const e of document.querySelectorAll(".field.is-wrong")) {
    e.classList.remove("is-wrong");
    e.querySelector("[aria-invalid]")?.removeAttribute("aria-invalid");
  }
}

function wrong(e) {
  right();
  const box = $("wrong");
  box.hidden = false;
  const close = h("button.icon", { type: "button", "aria-label": "Close what is said here", title: "Close",
    onclick: () => { box.hidden = true; } }, "×");
  box.replaceChildren(h("p", {}, e.message), close);
  if (!(e instanceof Wrong)) console.error(e);
  let spot = e.place;
  while (spot) {
    const found = document.querySelector(`[data-place="${CSS.escape(spot)}"]`);
    if (found) {
      found.classList.add("is-wrong");
      found.querySelector("input, select, textarea")?.setAttribute("aria-invalid", "true");
      for (let d = found.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
      break;
    }
    spot = /[.[]/.test(spot) ? spot.replace(/(\.[^.[]*|\[[^\]]*\])$/, "") : null;
  }
  if (body.dataset.state === "loading") body.dataset.state = show ? "ready" : "failed";
}

function sync() {
  // a voice that is not there any more can't be heard alone
  const count = (bench.setup.music?.voice ?? []).length;
  solo.renumber((n) => (n < count ? n : null));
  for (const p of panels) p.sync();
  $("undo").disabled = !bench.canUndo;
  $("redo").disabled = !bench.canRedo;
  $("version-a").setAttribute("aria-pressed", String(bench.which === "a"));
  $("version-b").setAttribute("aria-pressed", String(bench.which === "b"));
  silence();
}

// ---- playing

const agreed = new Set(); // what may be played although it flashes
const measured = new Map(); // what is known of a show's flashing, by its key
let measuring = null;

/** What a show flashes: null if that is within the threshold. */
async function flashing(of) {
  if (!of.mayFlash) return null;
  if (!measured.has(of.flashKey)) {
    if (measuring?.key !== of.flashKey) {
      measuring = { key: of.flashKey, answer: postJson("api/flash", of.document) };
    }
    try {
      measured.set(of.flashKey, await measuring.answer);
    } catch (e) {
      return { over: true, unknown: e.message, calm: null };
    } finally {
      measuring = null;
    }
  }
  const found = measured.get(of.flashKey);
  return found.over ? found : null;
}

async function play() {
  if (!show) return;
  if (show.mayFlash && !agreed.has(show.flashKey)) {
    if (!measured.has(show.flashKey)) {
      tell("Measuring how much it flashes…");
      body.dataset.busy = "";
    }
    const found = await flashing(show);
    delete body.dataset.busy;
    if (found && !(await agree(show, found))) {
      tell("Not played");
      return;
    }
    agreed.add(show.flashKey);
  }
  await sound.play();
}

async function agree(of, found) {
  const box = $("flash");
  const [title, text] = found.unknown
    ? ["This show may flash", `How much the lamps flash could not be measured: ${found.unknown} `
      + "Flashing can harm people with photosensitive epilepsy."]
    : ["This show flashes", `The lamps flash more than WCAG 2.2, success criterion 2.3.1, allows: ${found.text}. `
      + "That can harm people with photosensitive epilepsy."
      + (found.calm ? "" : " No calmer version was found.")];
  $("flash-title").textContent = title;
  $("flash-text").textContent = text;
  $("flash-calm").hidden = !found.calm;
  box.returnValue = "no";
  box.showModal();
  await new Promise((done) => box.addEventListener("close", done, { once: true }));
  if (box.returnValue === "calm" && found.calm) {
    bench.change("calm", (d) => {
      for (const [path, value] of Object.entries(found.calm)) put(d.setup, path, value);
    });
    await new Promise((done) => {
      for (const answer of ["show", "wrong"]) bench.addEventListener(answer, done, { once: true });
    });
    agreed.add(show.flashKey);
    return true;
  }
  return box.returnValue === "go";
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

function wire() {
  $("play").addEventListener("click", toggle);
  sound.addEventListener("play", playState);
  sound.addEventListener("pause", playState);
  sound.addEventListener("ended", () => tell("The end"));
  sound.addEventListener("seek", animate);
  $("seek").addEventListener("input", () => {
    sliding = true;
    sound.seek(Number($("seek").value));
  });
  $("seek").addEventListener("change", () => { sliding = false; });
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
  const loop = (id, kind) => $(id).addEventListener("click", () => {
    sound.setLoop(sound.loop === kind ? null : kind);
    $("loop-row").setAttribute("aria-pressed", String(sound.loop === "row"));
    $("loop-all").setAttribute("aria-pressed", String(sound.loop === "all"));
  });
  loop("loop-row", "row");
  loop("loop-all", "all");
  $("pace").addEventListener("input", () => {
    const pace = 2 ** Number($("pace").value);
    const text = `${pace.toFixed(2).replace(/\.?0+$/, "")} ×`;
    $("pace-is").textContent = text;
    $("pace").setAttribute("aria-valuetext", `${text} the player's speed`);
    sound.setPace(pace);
  });
  $("loud").addEventListener("input", () => sound.setLoudness(Number($("loud").value) / 100));
  $("undo").addEventListener("click", () => bench.undo());
  $("redo").addEventListener("click", () => bench.redo());
  $("version-a").addEventListener("click", () => bench.choose("a"));
  $("version-b").addEventListener("click", () => bench.choose("b"));
  document.addEventListener("keydown", (e) => {
    const writing = e.target.closest?.("input:not([type=range], [type=radio], [type=checkbox]), textarea");
    const on = e.target.closest?.("button, select, summary, a, input, [contenteditable]");
    if (e.key === " " && !writing && !on) {
      e.preventDefault();
      toggle();
    } else if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "z" && !writing) {
      e.preventDefault();
      if (e.shiftKey) bench.redo();
      else bench.undo();
    } else if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "y" && !writing) {
      e.preventDefault();
      bench.redo();
    }
  });
  $("more").addEventListener("click", () => {
    const open = $("more").getAttribute("aria-expanded") !== "true";
    $("more").setAttribute("aria-expanded", String(open));
  });
  wireTheme();
  wireDrop();
  const sized = new ResizeObserver(() => { drawHills($("hills")); animate(); });
  for (const e of [document.querySelector(".sky"), ...views.map((v) => v.canvas)]) sized.observe(e);
  new IntersectionObserver(([e]) => {
    body.dataset.sky = e.isIntersecting ? "here" : "gone";
    paint();
  }).observe($("matrix"));
  still.addEventListener("change", paint);
}

function wireTheme() {
  const dark = matchMedia("(prefers-color-scheme: dark)");
  let chosen = null;
  try { chosen = localStorage.getItem("sonify-colours"); } catch { /* not allowed: as the system says */ }
  const set = () => {
    const evening = chosen ? chosen === "evening" : dark.matches;
    document.documentElement.dataset.colours = evening ? "evening" : "morning";
    $("theme").textContent = evening ? "Morning" : "Evening";
    $("theme").title = evening ? "To morning colours" : "To evening colours";
    forgetColours();
    drawHills($("hills"));
    for (const v of views) v.redraw?.();
    paint();
  };
  $("theme").addEventListener("click", () => {
    chosen = document.documentElement.dataset.colours === "evening" ? "morning" : "evening";
    try { localStorage.setItem("sonify-colours", chosen); } catch { /* for this visit, then */ }
    set();
  });
  dark.addEventListener("change", set);
  set();
}

function wireDrop() {
  const sheet = $("dropping");
  let depth = 0;
  const files = (e) => e.dataTransfer?.types.includes("Files");
  addEventListener("dragenter", (e) => {
    if (!files(e)) return;
    e.preventDefault();
    depth++;
    sheet.hidden = false;
  });
  addEventListener("dragover", (e) => { if (files(e)) e.preventDefault(); });
  addEventListener("dragleave", () => {
    depth = Math.max(0, depth - 1);
    if (!depth) sheet.hidden = true;
  });
  addEventListener("drop", (e) => {
    if (!files(e)) return;
    e.preventDefault();
    depth = 0;
    sheet.hidden = true;
    const file = e.dataTransfer.files[0];
    if (file) panels[0].take(file);
  });
}

async function begin() {
  wire();
  try {
    const [start, tables] = await Promise.all([getJson("api/start"), getJson("api/tables")]);
    bench = new Bench(start);
    bench.recall();
    const music = musicPanel($("panel-music"), bench, tables, tell);
    panels = [
      discPanel($("panel-disc"), bench, tables, tell),
      music,
      voicesPanel($("panel-voices"), bench, tables, solo, tell),
      playerPanel($("panel-player"), bench, tables, music),
      lampsPanel($("panel-lamps"), bench, tables, music),
      takePanel($("panel-take"), bench, tables, tell),
    ];
    bench.addEventListener("document", sync);
    bench.addEventListener("show", (e) => setShow(bench.show, e.detail.began));
    bench.addEventListener("wrong", (e) => wrong(e.detail));
    sync();
    bench.ask();
    document.fonts?.ready.then(() => { trail.redraw(); paint(); });
  } catch (e) {
    wrong(e);
    tell("The studio could not start");
    body.dataset.state = "failed";
  }
}

begin();

// for the tests: what the page holds, to look at and not to change
window.studio = { sound, views: { disc, matrix, trail, near }, frames, get bench() { return bench; }, get show() { return show; } };
