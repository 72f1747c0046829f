// What the screen shows: the player alone or beside the work areas, the whole screen, explanations.

import { recalled, remember } from "./keep.js";
import { tell } from "./messages.js";

const $ = (id) => document.getElementById(id);
const { body } = document;
const HELP = "sonify-help";
const REST_MS = 3000; // without the pointer or a key, until a show on the whole screen stands alone (own choice)

/** Show the player only, or the work areas beside it. */
export function enlarge(on = body.dataset.view !== "large") {
  body.dataset.view = on ? "large" : "work";
  $("large").setAttribute("aria-pressed", String(on));
}

/** The show alone, on the whole screen. */
export async function fullScreen() {
  try {
    if (document.fullscreenElement) await document.exitFullscreen();
    else await document.documentElement.requestFullscreen();
  } catch { tell("This browser shows no full screen"); }
}

/** Show the explanations in the work areas, or fold them away. */
export function explain(on = body.dataset.help === undefined) {
  body.toggleAttribute("data-help", on);
  $("explain").setAttribute("aria-pressed", String(on));
  remember(HELP, on);
}

/** The transport goes while nobody touches anything. */
function resting() {
  let timer = 0;
  const wake = () => {
    body.removeAttribute("data-rest");
    clearTimeout(timer);
    if (document.fullscreenElement) timer = setTimeout(() => body.setAttribute("data-rest", ""), REST_MS);
  };
  for (const event of ["pointermove", "pointerdown", "keydown", "focusin", "fullscreenchange"]) document.addEventListener(event, wake);
}

export function wireScreen() {
  let before = false;
  document.addEventListener("fullscreenchange", () => {
    const on = Boolean(document.fullscreenElement);
    if (on) before = body.dataset.view === "large";
    body.toggleAttribute("data-full", on);
    enlarge(on || before);
  });
  resting();
  $("full").hidden = !document.fullscreenEnabled;
  explain(recalled(HELP, false) === true);
}
