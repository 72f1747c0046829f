// Versions A and B at equal loudness, so that the louder one does not win by being louder.

import { postJson } from "./api.js";
import { h, uid } from "./dom.js";

const WAIT_MS = 800; // after the last change, before it is measured again

/** A switch; while it is on, the louder version plays as softly as the other. */
export function equalLoudness(store, sound) {
  const known = new Map(); // a document's loudness in LUFS, by its text
  const on = h("input", { type: "checkbox", id: uid("equal"), onchange: () => compare() });
  const said = h("p.fact", { role: "status" });
  let timer = 0;
  let turn = 0;

  const keyOf = ({ disc, fit, setup, muted }) => JSON.stringify([disc, fit, setup, muted]);
  async function loudness(document) {
    const key = keyOf(document);
    if (!known.has(key)) known.set(key, (await postJson("api/loudness", document)).lufs);
    return known.get(key);
  }

  async function compare() {
    const mine = ++turn;
    const { a, b } = store.versions;
    if (!on.checked || !b) {
      sound.setTrim(0);
      said.textContent = on.checked ? "There is no version B yet: press B, and change something." : "";
      return;
    }
    said.textContent = "Measuring both versions…";
    try {
      const [x, y] = await Promise.all([loudness(a.document), loudness(b.document)]);
      if (mine !== turn) return;
      const apart = x === null || y === null ? 0 : x - y; // dB by which A is louder
      sound.setTrim(store.which === "a" ? -Math.max(0, apart) : Math.min(0, apart));
      said.textContent = Math.abs(apart) < 0.05 ? "Both are equally loud."
        : `${apart > 0 ? "A" : "B"} is ${Math.abs(apart).toFixed(1)} dB louder, and turned down here. Files are not changed.`;
    } catch (e) {
      if (mine === turn) said.textContent = e.message;
    }
  }

  return {
    element: h("div.equal", {}, h("label.check", { htmlFor: on.id }, on, "Compare A and B at equal loudness"), said),
    sync() {
      clearTimeout(timer);
      if (!on.checked) return;
      const all = [store.versions.a, store.versions.b].every((v) => v && known.has(keyOf(v.document)));
      timer = setTimeout(compare, all ? 0 : WAIT_MS);
    },
  };
}
