// Light and dark colours: the system's choice, or the user's.

import { forgetColours } from "./canvas.js";

const KEY = "sonify-colours";

/** `redraw` is called at each change of colours. */
export function wireTheme(button, redraw) {
  const dark = matchMedia("(prefers-color-scheme: dark)");
  let chosen = null;
  try { chosen = localStorage.getItem(KEY); } catch { /* not allowed: follow the system */ }
  const set = () => {
    const evening = chosen ? chosen === "evening" : dark.matches;
    document.documentElement.dataset.colours = evening ? "evening" : "morning";
    button.textContent = evening ? "Light" : "Dark";
    button.title = evening ? "Switch to light colours" : "Switch to dark colours";
    forgetColours();
    redraw();
  };
  button.addEventListener("click", () => {
    chosen = document.documentElement.dataset.colours === "evening" ? "morning" : "evening";
    try { localStorage.setItem(KEY, chosen); } catch { /* then it lasts for this visit */ }
    set();
  });
  dark.addEventListener("change", set);
  set();
}
