// The area of the notes: the piano roll, and changes to single notes by hand.

import { toneName } from "./marks.js";
import { GUTTER, Roll } from "./roll.js";
import { plural } from "./text.js";
import { area, check, h } from "./view.js";

const LEAST_PER_S = 4; // px for a second
const MOST_PER_S = 800;
const ZOOM = 1.5;
const ACCENT = 10; // the steps of Louder and Softer
const MOST_ACCENT = 126;
const MOST_SEMITONES = 48;
const BELOW = 104; // px for what stands below the roll: the note at hand, and what can be done with it
const FOLLOW_MS = 2500; // after scrolling by hand, before the roll follows the music again
const SNAP_PX = 8;

const limited = (x, most) => Math.max(-most, Math.min(most, x));

export function notesPanel(panel, store, marks, sound, tell) {
  let roll = null;
  let only = false; // whether changes are for this voice only
  let shown = -1;
  let scrolled = -Infinity;
  let drag = null;

  const button = (label, title, act, more = {}) => h("button", { type: "button", title, onclick: act, ...more }, label);
  const sync = area(panel, () => {
    const n = roll?.chosen;
    const deed = (label, title, act, more) => button(label, title, act, { disabled: !n, ...more });
    const changes = store.setup.note?.length ?? 0;
    return [
      h("div.row.wide", {}, button("−", "Show more time", () => zoom(1 / ZOOM), { class: "icon", "aria-label": "Zoom out" }),
        button("+", "Show less time", () => zoom(ZOOM), { class: "icon", "aria-label": "Zoom in" }),
        button("Whole piece", "Show the whole piece", whole),
        h("label", { htmlFor: "roll-voice" }, "Voice"),
        h("select", { id: "roll-voice", value: roll?.only ?? "", onchange: (e) => {
          roll.only = e.target.value === "" ? null : Number(e.target.value);
          choose(null);
        } }, h("option", { value: "" }, "all voices"), store.show?.voices.map((v, k) => h("option", { value: k }, v.name)))),
      h("div.wide", {},
        h("div.roll", { tabIndex: 0, role: "application", "aria-label": "Piano roll", "aria-describedby": "roll-note" },
          h("div.space", {}, h("canvas", {}), h("i.now", { "aria-hidden": "true" }))),
        h("p.fact", { id: "roll-note", role: "status" }, roll?.show && told(n))),
      h("div.row.wide", { role: "group", "aria-label": "Change the note" },
        deed("Mute", "Leave this note out, or bring it back (M)", () => toggle(), { "aria-pressed": Boolean(n?.silent) }),
        deed("Lower", "A semitone down (Down)", () => move(-1)), deed("Higher", "A semitone up (Up)", () => move(1)),
        deed("Softer", `Velocity ${ACCENT} less (−)`, () => accent(-ACCENT)), deed("Louder", `Velocity ${ACCENT} more (+)`, () => accent(ACCENT)),
        deed("Undo changes here", "Remove all changes of this note", () => restore()),
        check("roll-only", "Only in this voice", { checked: only, onchange: (e) => { only = e.target.checked; } })),
      h("p.help", {}, "Drag over the numbers of the bars to repeat a part. Click a note, then drag it up or down, drag its bar below "
        + "for its velocity, or use the buttons. Changes stay at their hole when you choose another preset, and are in every file."),
      h("div.row.wide", {}, h("p.fact", {}, changes ? `${plural(changes, "change")} by hand` : "No changes by hand"),
        button("Remove all changes", "Remove the changes of all notes", () => {
          store.change("all note changes", (d) => { delete d.setup.note; });
          tell("All notes are as the preset makes them");
        }, { disabled: !changes })),
    ];
  });
  sync.draw();
  const [room, space, canvas, now] = [".roll", ".space", "canvas", ".now"].map((x) => panel.querySelector(x));
  roll = new Roll(canvas);

  // ---- what is seen

  const seen = () => !panel.hidden && panel.isConnected && canvas.clientWidth > 0;
  const total = () => Math.max(sound.end, 1) * roll.perS + GUTTER;
  function layout() {
    const above = room.getBoundingClientRect().top - panel.getBoundingClientRect().top;
    canvas.style.height = `${roll.height(panel.parentElement.clientHeight - above - BELOW)}px`;
    space.style.width = `${Math.max(room.clientWidth, total())}px`;
  }
  function paint() {
    if (!seen() || !roll.show) return;
    roll.from = room.scrollLeft / roll.perS;
    roll.loop = Array.isArray(sound.loop) ? sound.loop : null;
    roll.silent = sound.silent;
    roll.draw();
    head(true);
  }
  /** Put the line where the music is, and follow it; `anew` after a change of the view, which stays. */
  function head(anew = false) {
    const place = sound.place();
    if (!anew && place === shown) return;
    shown = place;
    const x = roll.x(place);
    if ((sound.playing || !anew) && !drag && performance.now() - scrolled > FOLLOW_MS && (x < GUTTER || x > canvas.clientWidth - 20)) {
      room.scrollLeft = place * roll.perS;
    }
    now.style.translate = `${x + roll.from * roll.perS}px 0`;
    now.hidden = x < GUTTER;
  }
  function zoom(by, at = sound.place()) {
    const x = roll.x(at) > GUTTER && roll.x(at) < canvas.clientWidth ? roll.x(at) - GUTTER : roll.wide / 2;
    const time = roll.time(x + GUTTER);
    roll.perS = Math.max(LEAST_PER_S, Math.min(MOST_PER_S, roll.perS * by));
    layout();
    room.scrollLeft = time * roll.perS - x;
    paint();
  }
  function whole() {
    roll.perS = Math.max(LEAST_PER_S / 4, roll.wide / Math.max(sound.end, 1));
    layout();
    room.scrollLeft = 0;
    paint();
  }
  room.addEventListener("scroll", () => {
    if (!sound.playing || drag) scrolled = performance.now();
    paint();
  });
  room.addEventListener("wheel", (e) => {
    scrolled = performance.now();
    if (!e.ctrlKey) return;
    e.preventDefault();
    zoom(e.deltaY < 0 ? 1.15 : 1 / 1.15, roll.time(e.offsetX));
  }, { passive: false });
  new ResizeObserver(() => { if (roll.show) layout(); paint(); }).observe(room);

  // ---- changes

  const nameOf = (n) => roll.show.voices[roll.of(n, "voice")].name;
  const here = (n) => ({ row: roll.of(n, "row") + 1, position: roll.of(n, "position") + 1 });
  const isFor = (c, n) => c.row === here(n).row && c.position === here(n).position && ["", nameOf(n)].includes(c.voice ?? "");
  const changesOf = (n) => (store.setup.note ?? []).filter((c) => isFor(c, n));

  function edit(why, n, mutate, join = null) {
    const place = here(n);
    const voice = only ? nameOf(n) : "";
    store.change(why, (d) => {
      const list = d.setup.note ??= [];
      let one = list.find((c) => c.row === place.row && c.position === place.position && (c.voice ?? "") === voice);
      if (!one) list.push(one = { ...place, ...(voice ? { voice } : {}) });
      mutate(one, list);
      d.setup.note = list.filter((c) => c.mute || c.accent || c.semitones);
      if (!d.setup.note.length) delete d.setup.note;
    }, join && `${join} ${place.row} ${place.position} ${voice}`);
  }
  function toggle(n = roll.chosen) {
    if (!n) return;
    const off = changesOf(n).some((c) => c.mute);
    edit(off ? "bring a note back" : "mute a note", n, (one, list) => {
      if (off) for (const c of list) { if (isFor(c, n)) delete c.mute; } else one.mute = true;
    });
    tell(off ? "The note is back" : "The note is left out");
  }
  const move = (by, n = roll.chosen) => n && edit("move a note", n, (one) => {
    one.semitones = limited((one.semitones ?? 0) + by, MOST_SEMITONES);
  }, "move");
  const accent = (by, n = roll.chosen) => n && edit("accent", n, (one) => {
    one.accent = limited((one.accent ?? 0) + by, MOST_ACCENT);
  }, "accent");
  const restore = (n = roll.chosen) => n && store.change("undo note changes", (d) => {
    d.setup.note = (d.setup.note ?? []).filter((c) => !isFor(c, n));
    if (!d.setup.note.length) delete d.setup.note;
  });

  function choose(n) {
    roll.chosen = n;
    sync();
    paint();
  }
  function told(n) {
    if (!n) return "No note chosen. Click one, or go through them with the left and right arrow keys.";
    const { row, position } = here(n);
    const drum = roll.show.voices[roll.of(n, "voice")].instrument === 128;
    const by = changesOf(n).reduce((sum, c) => sum + (c.semitones ?? 0), 0);
    return [`${nameOf(n)}: row ${row}, position ${position}`, drum ? "drum" : toneName(roll.of(n, "pitch")),
      n.silent ? "left out" : `velocity ${roll.of(n, "velocity")}`,
      by && !drum && `moved by ${by > 0 ? "+" : "−"}${plural(Math.abs(by), "semitone")}`].filter(Boolean).join(" · ");
  }

  /** The chosen note in a new show: of the same hole and voice, the nearest in time. */
  function again(old) {
    const n = roll.chosen;
    if (!n || !old) return null;
    const was = (name) => (n.silent ? old[`silent_${name}`] : old[name] ?? old[`note_${name}`])[n.k];
    let best = null;
    for (const silent of [false, true]) {
      const length = (silent ? roll.show.silent_onset : roll.show.onset).length;
      for (let k = 0; k < length; k++) {
        const one = { k, silent };
        if (["row", "position", "voice"].some((name) => roll.of(one, name) !== was(name))) continue;
        const away = Math.abs(roll.of(one, "onset") - was("onset"));
        if (!best || away < best.away) best = { ...one, away };
      }
    }
    return best && { k: best.k, silent: best.silent };
  }

  /** Step through the notes in time. */
  function step(by) {
    const every = [...roll.within(-1, Infinity, false), ...roll.within(-1, Infinity, true)]
      .sort((a, b) => roll.of(a, "onset") - roll.of(b, "onset") || roll.of(b, "pitch") - roll.of(a, "pitch"));
    if (!every.length) return;
    const at = every.findIndex((n) => roll.same(n, roll.chosen));
    const place = sound.place();
    const next = at >= 0 ? at + by : every.findIndex((n) => roll.of(n, "onset") >= place);
    choose(every[Math.max(0, Math.min(every.length - 1, next < 0 ? 0 : next))]);
    const x = roll.x(roll.of(roll.chosen, "onset"));
    if (x < GUTTER + 10 || x > canvas.clientWidth - 40) room.scrollLeft += x - canvas.clientWidth / 2;
  }

  room.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const act = { ArrowRight: () => step(1), ArrowLeft: () => step(-1), ArrowUp: () => move(e.shiftKey ? 12 : 1),
      ArrowDown: () => move(e.shiftKey ? -12 : -1), m: () => toggle(), Delete: () => toggle(), "+": () => accent(ACCENT),
      "=": () => accent(ACCENT), "-": () => accent(-ACCENT), Escape: () => choose(null) }[e.key];
    if (!act) return;
    e.preventDefault();
    e.stopPropagation();
    act();
  });

  // ---- by pointer

  const at = (e) => {
    const box = canvas.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  };
  /** A time, at the nearest bar line or row start if one is near. */
  const snapped = (time) => {
    const lines = [...roll.show.bar_s, ...roll.show.row_s].filter((t) => Math.abs(t - time) * roll.perS < SNAP_PX);
    return lines.sort((a, b) => Math.abs(a - time) - Math.abs(b - time))[0] ?? Math.max(0, Math.min(sound.end, time));
  };
  canvas.addEventListener("pointerdown", (e) => {
    if (e.button || !roll.show) return;
    const [x, y] = at(e);
    const part = roll.part(y);
    if (x < GUTTER) return;
    drag = { part, x, y, from: snapped(roll.time(x)), moved: false };
    if (part !== "ruler") {
      choose(roll.note(x, y));
      if (!roll.chosen) { drag = null; return; }
    }
    canvas.setPointerCapture(e.pointerId);
  });
  canvas.addEventListener("pointermove", (e) => {
    if (!drag) return;
    const [x, y] = at(e);
    drag.moved ||= Math.hypot(x - drag.x, y - drag.y) > 4;
    if (!drag.moved) return;
    if (drag.part === "ruler") {
      const to = snapped(roll.time(x));
      if (Math.abs(to - drag.from) > 0.05) sound.setLoop([Math.min(drag.from, to), Math.max(drag.from, to)]);
    } else if (drag.part === "lane") roll.shift = { velocity: roll.velocity(y) };
    else roll.shift = { semitones: Math.round((drag.y - y) / roll.step) };
    paint();
  });
  const drop = (keep) => {
    const { shift } = roll;
    const was = drag;
    drag = roll.shift = null;
    if (!was || !keep) return;
    if (was.part === "ruler" && !was.moved) sound.seek(was.from);
    if (shift?.semitones) move(shift.semitones);
    if (shift?.velocity) accent(shift.velocity - roll.of(roll.chosen, "velocity"));
    paint();
  };
  canvas.addEventListener("pointerup", () => drop(true));
  canvas.addEventListener("pointercancel", () => drop(false));
  canvas.addEventListener("dblclick", (e) => { if (roll.part(at(e)[1]) === "notes") toggle(); });
  sound.addEventListener("loop", paint);
  panel.addEventListener("open", () => {
    if (!roll.show) return;
    layout();
    shown = null;
    head();
  });
  marks.follow(roll);
  marks.addEventListener("change", () => { roll.mark = marks.place; paint(); });

  return {
    roll,
    head: () => { if (seen()) head(); },
    redraw: paint,
    sync() { sync(); paint(); },
    setShow(show) {
      const old = roll.show;
      roll.setShow(show);
      if (roll.only !== null && roll.only >= show.voices.length) roll.only = null;
      roll.chosen = again(old);
      sync();
      if (seen()) layout();
      paint();
    },
  };
}
