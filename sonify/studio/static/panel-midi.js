// The area of MIDI: ports for the piece, for taps, tempo, transport and controls.

import { recalled, remember } from "./keep.js";
import { Learning } from "./learn.js";
import { tell } from "./messages.js";
import { ClockTempo, MidiOut, Taps, listen } from "./midi.js";
import { area, check, h, labelled, typed } from "./view.js";

const LEAST_BPM = 20; // as for `music.tempo`
const MOST_BPM = 400;
const PORTS = "sonify-midi";
const STEADY_BPM = 0.5; // what a clock's tempo must change by to be followed: more than its jitter

export function midiPanel(room, store, sound, { play }) {
  const out = new MidiOut(sound, store);
  const taps = new Taps();
  const clock = new ClockTempo();
  const learning = new Learning(store, () => sync(), tell);
  let access = null;
  let input = null;
  let said = "";
  const use = { silent: true, transport: true, tempo: true, pace: false }; // what is ticked
  const wanted = recalled(PORTS, {});

  function tap(time) {
    const found = taps.tap(time);
    if (found === null) {
      tell("Tap on", true);
      return;
    }
    setTempo(found);
  }
  function setTempo(found) {
    const v = Math.round(Math.max(LEAST_BPM, Math.min(MOST_BPM, found)) * 10) / 10;
    store.set("setup.music.tempo", v, "tempo");
    tell(`Tempo ${v} bpm`);
  }
  function follow(time) {
    const found = clock.clock(time);
    if (found !== null && use.pace && Math.abs(found - (store.setup.music?.tempo ?? 0)) >= STEADY_BPM) setTempo(found);
  }

  async function open() {
    try {
      access = await navigator.requestMIDIAccess();
      access.onstatechange = list;
      list();
    } catch (e) {
      said = e.name === "NotAllowedError" || e.name === "SecurityError"
        ? "The browser was not allowed to use MIDI. Allow it in the browser's settings for this page." : `MIDI can't be used: ${e.message}`;
      sync();
    }
  }

  /** Use the ports that were used before, when they appear. */
  function list() {
    const again = (map, port, name) => map.get(port?.id) ?? [...map.values()].find((p) => p.name === name) ?? null;
    for (const [map, port, name, choose] of [[access.outputs, out.port, wanted.out, send], [access.inputs, input, wanted.in, hear]]) {
      const one = again(map, port, name);
      if (one !== port) choose(one);
    }
    said = access.outputs.size + access.inputs.size ? "" : "No MIDI port was found. Plug one in: it appears here.";
    sync();
  }

  function want(key, port) {
    wanted[key] = port?.name ?? null;
    remember(PORTS, wanted);
  }
  function send(port) {
    out.choose(port);
    sound.hush(use.silent && port);
  }
  function hear(port) {
    if (input) input.onmidimessage = null;
    input = port;
    if (!input) return;
    const obey = (act) => () => { if (use.transport) act(); };
    listen(input, {
      start: obey(() => { sound.seek(0); if (!sound.playing) play(); }),
      go: obey(() => { if (!sound.playing) play(); }),
      stop: obey(() => sound.pause()),
      tap: (time) => { if (use.tempo) tap(time); },
      clock: follow,
      control: (...moved) => learning.control(...moved),
    });
  }

  const tick = (key, label, change = () => {}) => check(`midi-${key}`, label, { checked: use[key], onchange: (e) => {
    use[key] = e.target.checked;
    change();
  } });
  const ports = (key, label, map, port, choose) => labelled(`midi-${key}`, label, h("select", { id: `midi-${key}`, value: port?.id ?? "", onchange: (e) => {
    choose(map.get(e.target.value) ?? null);
    want(key, map.get(e.target.value));
  } },
    h("option", { value: "" }, "none"), [...map.values()].map((p) => h("option", { key: p.id, value: p.id }, p.name ?? p.id))));

  const sync = area(room, () => {
    const { show, setup: { music } } = store;
    return [
      h("div.field", {}, h("label", { htmlFor: "bpm" }, "Tempo in bpm"),
        h("div.row", {},
          h("input", { type: "number", id: "bpm", min: LEAST_BPM, max: MOST_BPM, step: 0.1, inputMode: "decimal", value: typed("bpm", music?.tempo ?? ""), onchange: (e) => {
            const v = Number(e.target.value);
            store.set("setup.music.tempo", v >= LEAST_BPM && v <= MOST_BPM ? v : undefined, null);
          } }),
          h("button", { type: "button", title: "Tap at least three times (T)", onclick: (e) => tap(e.timeStamp) }, "Tap the tempo")),
        h("p.fact", {}, show && [`Now ${show.tempo.toFixed(1)}.`, ...show.said.map((x) => `${x[0].toUpperCase()}${x.slice(1)}.`),
          "Empty: as the player's speed gives it."].join(" "))),
      h("div.full", {}, !navigator.requestMIDIAccess ? h("p.about", {}, "This browser has no Web MIDI. The command sonify play sends to any port.")
        : !access && [h("p.about.before", {}, "Play the piece on any instrument that is connected, and let a keyboard or controller start it, tap its tempo and move settings."),
          h("button.main", { type: "button", onclick: open }, "Connect MIDI")], h("p.fact", { role: "status" }, said)),
      access && h("div.full", {},
        h("p.note.care", {}, "Turn instruments down before you play: sudden loud sound can damage hearing."),
        h("div.sub", {},
          h("div", {}, ports("out", "Send to", access.outputs, out.port, send),
            check("midi-clock", "Clock, start and stop", { checked: out.clock, onchange: (e) => {
              out.clock = e.target.checked;
              out.again();
            } }),
            tick("silent", "Silence the page meanwhile", () => sound.hush(use.silent && out.port)),
            h("button", { type: "button", onclick: () => out.panic() }, "All notes off")),
          h("div", {}, ports("in", "Listen to", access.inputs, input, hear),
            tick("transport", "Its start and stop play and pause"), tick("tempo", "Its notes tap the tempo"),
            tick("pace", "Its clock sets the tempo")))),
      access && learning.view(),
    ];
  });
  return { out, tap: () => tap(performance.now()), sync, setShow: sync };
}
