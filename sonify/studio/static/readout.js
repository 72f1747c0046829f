// What the player shows in words: the time, the row, the captions, and the slider for the place.

import { clock } from "./text.js";
import { lower } from "./timeline.js";

const CAPITAL_PX = 11;
const $ = (id) => document.getElementById(id);

export class Readout {
  constructor() {
    this.sliding = false; // don't move the slider while the user drags it
    this.reset();
    // observed, not queried: a query would force a layout at each change
    new ResizeObserver(([e]) => {
      this.wide = e.contentRect.width;
      this.count = -1;
    }).observe($("said"));
  }

  reset() {
    this.count = -1;
    this.row = -1;
    this.second = null;
  }

  show(show, now, end) {
    this.captions(show, now);
    const second = clock(now);
    if (second !== this.second) {
      this.second = second;
      $("time").textContent = `${second} / ${clock(end)}`;
    }
    const row = Math.max(0, lower(show.row_s, now + 1e-6) - 1);
    const read = now >= show.readS;
    if (row !== this.row) {
      this.row = row;
      $("place").textContent = read ? "all rows read" : `row ${row + 1} of ${show.rows}`;
    }
    if (this.sliding) return;
    const value = String(Math.round(now * 100) / 100);
    if ($("seek").value === value) return;
    $("seek").value = value;
    $("seek").setAttribute("aria-valuetext", `${second}, ${read ? "the message" : `row ${row + 1} of ${show.rows}`}`);
  }

  captions(show, now) {
    const count = lower(show.caption_s, now + 1e-6);
    if (count === this.count) return;
    this.count = count;
    // two lines of capitals
    const most = Math.min(90, 2 * Math.floor((this.wide ??= $("said").clientWidth) / CAPITAL_PX));
    const points = show.caption_point.subarray(Math.max(0, count - most), count);
    $("said").textContent = String.fromCodePoint(...points);
    $("said").classList.toggle("long", count > 46);
  }
}
