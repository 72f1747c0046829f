// What the page says: the status line, cautions, and errors at the controls they are about.

import { Wrong } from "./api.js";
import { catchUp, h, render } from "./view.js";

const $ = (id) => document.getElementById(id);
const { body } = document;
const TOLD_MS = 5000;

let told = 0;

/** Show what happened. A narrow page shows it only for a while, and not at all if `quiet`, which is
 * for what can be seen anyway. */
export function tell(text, quiet = false) {
  $("state").textContent = text;
  $("state").title = text;
  clearTimeout(told);
  delete body.dataset.told;
  if (quiet) return;
  body.dataset.told = "";
  told = setTimeout(() => delete body.dataset.told, TOLD_MS);
}

const works = new Map();

/** Work that goes on: after `wait` ms it is shown until it ends, and then what was told before. */
export const work = {
  begin(key, text, wait = 300) {
    if (works.has(key)) return;
    const timer = setTimeout(() => {
      body.dataset.busy = "";
      works.get(key).before = $("state").textContent;
      tell(text);
      works.get(key).text = text;
    }, wait);
    works.set(key, { timer });
  },
  end(key) {
    const one = works.get(key);
    if (!one) return;
    clearTimeout(one.timer);
    works.delete(key);
    if (!works.size) delete body.dataset.busy;
    if (one.text && $("state").textContent === one.text) tell(one.before, true);
  },
};

export function showCautions(texts) {
  $("cautions").hidden = !texts.length;
  render(texts.map((text) => h("p", {}, text)), $("cautions"));
}

export function clearError() {
  $("wrong").hidden = true;
  for (const e of document.querySelectorAll(".field.is-wrong")) {
    e.classList.remove("is-wrong");
    e.querySelector("[aria-invalid]")?.removeAttribute("aria-invalid");
  }
}

/** Whether a control in a work area has the focus: nobody wants to be led away from it. */
function atWork() {
  const at = document.activeElement;
  return Boolean(at?.matches("input, select, textarea") && at.closest(".panel")?.offsetParent);
}

/** Show an error at the control it is about; `reveal` makes a hidden element's area visible. */
export function showError(e, reveal = () => {}) {
  clearError();
  catchUp();
  const box = $("wrong");
  box.hidden = false;
  let elsewhere = null; // the control, if it is in an area that is closed and stays so
  const say = () => render([h("p", {}, e.message),
    elsewhere && h("button", { type: "button", onclick: () => reveal(elsewhere) }, "Show"),
    h("button.icon", { type: "button", "aria-label": "Close this message", title: "Close", onclick: () => { box.hidden = true; } }, "×")], box);
  say();
  if (!(e instanceof Wrong)) console.error(e);
  let spot = e.place;
  while (spot) {
    const all = [...document.querySelectorAll(`[data-place="${CSS.escape(spot)}"]`)];
    const found = all.find((one) => one.offsetParent) ?? all[0];
    if (found) {
      found.classList.add("is-wrong");
      if (atWork() && !found.closest(".panel")?.offsetParent) {
        elsewhere = found;
        say();
      } else reveal(found);
      found.querySelector("input, select, textarea")?.setAttribute("aria-invalid", "true");
      for (let d = found.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
      break;
    }
    spot = /[.[]/.test(spot) ? spot.replace(/(\.[^.[]*|\[[^\]]*\])$/, "") : null;
  }
}
