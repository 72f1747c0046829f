// The holes by hand: the disc unrolled, a row a line. Click or paint to flip holes.

import { postJson } from "./api.js";
import { colour, fit } from "./canvas.js";
import { toneName } from "./marks.js";
import { own } from "./panel-disc.js";
import { clock } from "./text.js";
import { area, h } from "./view.js";

// the least size of a place in px: 64 positions fit a page of 1024 px; fingers need more
const CELL = matchMedia("(pointer: coarse)").matches ? 14 : 7;
const LINE = 15;
const LETTERS = 240; // characters shown at a time: about four lines
const MOVES = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };

/** `redraw` draws the disc again. */
export function holesPanel(room, store, marks, redraw) {
  let said = [];
  let repairs = false; // whether the check can be made to fit
  let show = null;
  let painted = null; // the places of a stroke, and the bit that it gives them
  let cursor = { row: 0, position: 0 };
  let from = 0; // the first letter that is shown

  const sync = area(room, () => [
    h("p.help", { id: "holes-help" }, "Click a place to make a hole or close one; drag to paint. By keyboard: arrow keys, and Enter to flip. "
      + "Shaded bands are characters. While this area is open, a click on the disc flips the hole there."),
    h("div.holes", {}, h("canvas", { id: "holes", tabIndex: 0, role: "application", "aria-label": "The holes, row by row",
      "aria-describedby": "holes-help holes-place",
      style: show && { minWidth: `${show.positions * CELL}px`, height: `${show.rows * Math.max(LINE, Math.min(26, 220 / show.rows))}px` } })),
    show && letters(),
    // below the letters, which would move away from the pointer as its lines come and go
    h("output.fact", { id: "holes-place" }, show && told()),
    h("div.row", {}, h("div.said-of-holes", { role: "status" }, said.map((line) => h("p", {}, line))),
      h("button", { type: "button", hidden: !repairs, onclick: () => send([], true) }, "Repair the check")),
  ]);
  sync.draw();
  const canvas = room.querySelector("canvas");

  /** Make a hole where there is none, and close the others, as the server will do. */
  function flip(places) {
    const { bits, holeMeans } = show;
    for (const i of places) bits[i] = bits[i] === holeMeans ? 1 - holeMeans : holeMeans;
    redraw();
  }

  async function send(places, mend = false) {
    const [of, before] = [show, show.bits.slice()];
    flip(places);
    try {
      const got = await postJson("api/holes", { document: store.document, places, repair: mend });
      store.change(mend ? "repair the check" : "holes", (d) => {
        d.disc = got.disc;
        d.fit = null;
        own(d);
      });
      said = got.said;
      repairs = got.check !== null && got.check !== "valid";
    } catch (e) {
      of.bits.set(before);
      redraw();
      store.dispatchEvent(new CustomEvent("wrong", { detail: e }));
    }
    sync();
    draw();
  }

  const sizes = () => ({ cell: canvas.width / show.positions, tall: canvas.height / show.rows });
  const view = {
    canvas,
    hit(x, y) {
      const { cell, tall } = sizes();
      const [row, position] = [Math.floor(y / tall), Math.floor(x / cell)];
      const inside = row >= 0 && row < show.rows && position >= 0 && position < show.positions;
      return inside ? { row, position } : null;
    },
  };
  const at = marks.follow(view);
  const index = (p) => p.row * show.positions + p.position;
  const paint = (p) => {
    if (p && show.bits[index(p)] !== painted.bit) painted.places.add(index(p));
    draw();
  };
  canvas.addEventListener("pointerdown", (e) => {
    const p = at(e);
    if (!p || e.button) return;
    canvas.setPointerCapture(e.pointerId);
    cursor = p;
    painted = { bit: show.bits[index(p)] === show.holeMeans ? 1 - show.holeMeans : show.holeMeans, places: new Set() };
    paint(p);
  });
  canvas.addEventListener("pointermove", (e) => { if (painted && e.buttons) paint(at(e)); });
  canvas.addEventListener("pointerup", () => {
    if (!painted) return;
    const { places } = painted;
    painted = null;
    send([...places]);
    draw();
  });
  canvas.addEventListener("pointercancel", () => { painted = null; draw(); });
  canvas.addEventListener("focus", () => show && marks.set(cursor));
  canvas.addEventListener("keydown", (e) => {
    if (e.key === "Enter") {
      e.preventDefault();
      send([index(cursor)]);
    }
    const by = MOVES[e.key];
    if (!by || e.altKey || e.ctrlKey) return;
    e.preventDefault();
    const wrap = (v, n) => (v + n) % n;
    cursor = { row: wrap(cursor.row + by[0], show.rows), position: wrap(cursor.position + by[1], show.positions) };
    marks.set(cursor);
  });

  /** The message's letters, or those around the marked one; pointing at one marks its first bit. */
  function letters() {
    const marked = marks.found?.character ?? -1;
    if (marked >= 0 && (marked < from || marked >= from + LETTERS)) from = marked - (marked % LETTERS);
    const point = (k) => {
      const first = show.caption_first[k];
      marks.set({ row: Math.floor(first / show.positions), position: first % show.positions });
    };
    return h("p.letters.full", { "aria-hidden": "true", onpointerleave: () => marks.set(null) },
      [...show.caption_point.subarray(from, from + LETTERS)].map((p, n) => h("span", {
        class: from + n === marked ? "is-marked" : "", onpointerenter: () => point(from + n) }, String.fromCodePoint(p))));
  }

  function draw() {
    if (!show || room.hidden) return;
    fit(canvas);
    const c = canvas.getContext("2d");
    const { cell, tall } = sizes();
    c.clearRect(0, 0, canvas.width, canvas.height);
    // every second character is shaded
    c.fillStyle = colour("line");
    for (let k = 0; k < show.caption_first.length; k += 2) {
      for (let i = show.caption_first[k]; i <= show.caption_last[k]; i++) {
        c.fillRect((i % show.positions) * cell, Math.floor(i / show.positions) * tall, cell + 0.5, tall);
      }
    }
    const { character = -1 } = marks.found ?? {};
    if (character >= 0) {
      c.fillStyle = colour("deed-soft");
      for (let i = show.caption_first[character]; i <= show.caption_last[character]; i++) {
        c.fillRect((i % show.positions) * cell, Math.floor(i / show.positions) * tall, cell + 0.5, tall);
      }
    }
    const r = Math.min(cell, tall) * 0.34;
    for (let i = 0; i < show.bits.length; i++) {
      const bit = painted?.places.has(i) ? painted.bit : show.bits[i];
      const hole = bit === show.holeMeans;
      c.fillStyle = colour(bit < 0 ? "unknown" : hole ? "deed" : "edge");
      c.beginPath();
      c.arc(((i % show.positions) + 0.5) * cell, (Math.floor(i / show.positions) + 0.5) * tall, hole || bit < 0 ? r : r * 0.3, 0, 7);
      c.fill();
    }
    if (!marks.place) return;
    c.strokeStyle = colour("focus");
    c.lineWidth = Math.max(2, cell * 0.12);
    c.strokeRect(marks.place.position * cell + 1, marks.place.row * tall + 1, cell - 2, tall - 2);
  }

  /** Everything about the marked place, in words. */
  function told() {
    if (!marks.place) return "Click a hole to flip it, or drag to paint. Point at a hole, a letter, a lamp or a note to see what belongs to it.";
    const { row, position } = marks.place;
    const { bit, character, time, notes } = marks.found;
    const parts = [`Row ${row + 1}, position ${position + 1}: ${bit < 0 ? "unknown" : bit === show.holeMeans ? "a hole" : "no hole"}, bit ${bit < 0 ? "?" : bit}`];
    if (character >= 0) parts.push(`character ${character + 1}, “${String.fromCodePoint(show.caption_point[character])}”`);
    parts.push(`read at ${clock(time)}`);
    const plays = notes.map((k) => {
      const { name, instrument } = show.voices[show.voice[k]];
      return instrument === 128 ? name : `${name} ${toneName(show.pitch[k])}`;
    });
    return `${parts.join(", ")}. ${plays.length ? `It plays ${plays.join(", ")}.` : "It plays nothing."}`;
  }

  marks.addEventListener("change", () => { sync(); draw(); });
  new ResizeObserver(draw).observe(canvas);

  return {
    /** Flip the hole at a place of the disc. */
    flip: (p) => send([index(p)]),
    get open() { return !room.hidden; },
    sync() {},
    setShow(next) {
      show = next;
      from = 0;
      cursor = { row: Math.min(cursor.row, show.rows - 1), position: Math.min(cursor.position, show.positions - 1) };
      painted = null;
      sync();
      draw();
    },
  };
}
