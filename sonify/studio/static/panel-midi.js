// The area of MIDI: ports for the piece, for taps and for transport.

import { h, uid } from "./dom.js";
import { tell } from "./messages.js";
import { MidiOut, Taps, listen } from "./midi.js";

const LEAST_BPM = 20; // as for `music.tempo`
const MOST_BPM = 400;
const PORTS = "sonify-midi";

export function midiPanel(panel, store, sound, { play }) {
  const out = new MidiOut(sound, store);
  const taps = new Taps();
  let access = null;
  let input = null;
  let wanted = {};
  try { wanted = JSON.parse(localStorage.getItem(PORTS)) ?? {}; } catch { /* none is remembered */ }

  const said = h("p.fact", { role: "status" });
  const connect = h("button.main", { type: "button", onclick: open }, "Connect MIDI");
  const select = (label, change) => {
    const one = h("select", { id: uid("port"), onchange: () => change(one.value) });
    return { select: one, element: h("div.field", {}, h("label", { htmlFor: one.id }, label), one) };
  };
  const to = select("Send to", (id) => send(id));
  const from = select("Listen to", (id) => hear(id));
  const check = (label, checked, change = () => {}) => {
    const box = h("input", { type: "checkbox", id: uid("midi"), checked, onchange: change });
    return { box, element: h("label.check", { htmlFor: box.id }, box, label) };
  };
  const clock = check("Clock, start and stop", true, () => {
    out.clock = clock.box.checked;
    out.again();
  });
  const silent = check("Silence the page meanwhile", true, () => sound.hush(silent.box.checked && out.port));
  const transport = check("Its start and stop play and pause", true);
  const tempo = check("Its notes tap the tempo", true);
  const ports = h("div.full", { hidden: true },
    h("p.note.care", {}, "Turn instruments down before you play: sudden loud sound can damage hearing."),
    h("div.sub", {}, h("div", {}, to.element, clock.element, silent.element,
      h("button", { type: "button", onclick: () => out.panic() }, "All notes off")),
    h("div", {}, from.element, transport.element, tempo.element)));
  const bpm = h("input", { type: "number", id: uid("bpm"), min: LEAST_BPM, max: MOST_BPM, step: 0.1, inputMode: "decimal", onchange: () => {
    const v = Number(bpm.value);
    store.set("setup.music.tempo", v >= LEAST_BPM && v <= MOST_BPM ? v : undefined, null);
  } });
  const beat = h("button", { type: "button", title: "Tap at least three times", onclick: (e) => tap(e.timeStamp) }, "Tap the tempo");
  const now = h("p.fact", {});

  function tap(time) {
    const found = taps.tap(time);
    if (found === null) {
      tell("Tap on", true);
      return;
    }
    const v = Math.round(Math.max(LEAST_BPM, Math.min(MOST_BPM, found)) * 10) / 10;
    store.set("setup.music.tempo", v, "tempo");
    tell(`Tempo ${v} bpm`);
  }

  async function open() {
    try {
      access = await navigator.requestMIDIAccess();
    } catch (e) {
      said.textContent = e.name === "NotAllowedError" || e.name === "SecurityError"
        ? "The browser was not allowed to use MIDI. Allow it in the browser's settings for this page." : `MIDI can't be used: ${e.message}`;
      return;
    }
    access.onstatechange = list;
    connect.hidden = true;
    ports.hidden = false;
    list();
  }

  /** Show the ports that there are, and use those that were used before. */
  function list() {
    for (const [pick, map, key, use] of [[to, access.outputs, "out", send], [from, access.inputs, "in", hear]]) {
      const all = [...map.values()];
      const before = pick.select.value;
      pick.select.replaceChildren(h("option", { value: "" }, "none"), ...all.map((p) => h("option", { value: p.id }, p.name ?? p.id)));
      const one = all.find((p) => p.id === before) ?? all.find((p) => p.name === wanted[key]);
      pick.select.value = one?.id ?? "";
      if ((one?.id ?? "") !== before) use(one?.id ?? "");
    }
    said.textContent = access.outputs.size + access.inputs.size ? "" : "No MIDI port was found. Plug one in: it appears here.";
  }

  function remember(key, port) {
    wanted[key] = port?.name ?? null;
    try { localStorage.setItem(PORTS, JSON.stringify(wanted)); } catch { /* then it lasts for this visit */ }
  }
  function send(id) {
    const port = access.outputs.get(id) ?? null;
    out.choose(port);
    sound.hush(silent.box.checked && port);
    remember("out", port);
  }
  function hear(id) {
    if (input) input.onmidimessage = null;
    input = access.inputs.get(id) ?? null;
    remember("in", input);
    if (!input) return;
    const follow = (act) => () => { if (transport.box.checked) act(); };
    listen(input, {
      start: follow(() => { sound.seek(0); if (!sound.playing) play(); }),
      go: follow(() => { if (!sound.playing) play(); }),
      stop: follow(() => sound.pause()),
      tap: (time) => { if (tempo.box.checked) tap(time); },
    });
  }

  panel.append(
    h("div.field", {}, h("label", { htmlFor: bpm.id }, "Tempo, quarters a minute"),
      h("div.row", {}, bpm, beat), now),
    h("div.full", {}, navigator.requestMIDIAccess ? connect
      : h("p.about", {}, "This browser has no Web MIDI. The command sonify play sends to any port."), said), ports);

  return {
    out,
    sync() { if (document.activeElement !== bpm) bpm.value = store.setup.music?.tempo ?? ""; },
    setShow(show) {
      now.textContent = [`Now ${show.tempo.toFixed(1)}.`, ...show.said.map((x) => `${x[0].toUpperCase()}${x.slice(1)}.`),
        "Empty: as the player's speed gives it."].join(" ");
    },
  };
}
