// Versions A and B at equal loudness, so that the louder one does not win by being louder.

import { postJson } from "./api.js";
import { check, h } from "./view.js";

const WAIT_MS = 800; // after the last change, before it is measured again
const MOST = 50; // measured documents that are kept; own choice

/** A switch; while it is on, the louder version plays as softly as the other. */
export function equalLoudness(store, sound, redraw) {
  const known = new Map(); // a document's loudness in LUFS, by its text
  let on = false;
  let said = "";
  let timer = 0;
  let turn = 0;

  const keyOf = ({ disc, fit, setup, muted }) => JSON.stringify([disc, fit, setup, muted]);
  async function loudness(document) {
    const key = keyOf(document);
    if (known.size > MOST) known.clear();
    if (!known.has(key)) known.set(key, (await postJson("api/loudness", document)).lufs);
    return known.get(key);
  }
  function tell(text) {
    said = text;
    redraw();
  }

  async function compare() {
    const mine = ++turn;
    const { a, b } = store.versions;
    if (!on || !b) {
      sound.setTrim(0);
      tell(on ? "There is no version B yet: press B, and change something." : "");
      return;
    }
    tell("Measuring both versions…");
    try {
      const [x, y] = await Promise.all([loudness(a.document), loudness(b.document)]);
      if (mine !== turn) return;
      const apart = x === null || y === null ? 0 : x - y; // dB by which A is louder
      sound.setTrim(store.which === "a" ? -Math.max(0, apart) : Math.min(0, apart));
      tell(Math.abs(apart) < 0.05 ? "Both are equally loud."
        : `${apart > 0 ? "A" : "B"} is ${Math.abs(apart).toFixed(1)} dB louder, and turned down here. Files are not changed.`);
    } catch (e) {
      if (mine === turn) tell(e.message);
    }
  }

  return {
    view: () => h("div.equal", {}, check("equal", "Compare A and B at equal loudness", { checked: on, onchange: (e) => {
      on = e.target.checked;
      compare();
    } }), h("p.fact", { role: "status" }, said)),
    sync() {
      clearTimeout(timer);
      if (!on) return;
      const all = [store.versions.a, store.versions.b].every((v) => v && known.has(keyOf(v.document)));
      timer = setTimeout(compare, all ? 0 : WAIT_MS);
    },
  };
}
