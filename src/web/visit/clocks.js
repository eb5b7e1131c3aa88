// The station's patience: the silence after which it hangs up, counted from the last tap, and its longest call.

import { h } from "./parts.js";

export class Clocks {
  constructor(now) {
    this.now = now;
    this.idle = 0;
    this.call = 0;
    this.timer = null;
  }

  /** Counts from a tap: the station has just answered, or heard nothing. */
  tapped(screen, word) {
    const at = Date.now();
    if (screen.shows === "open" && word === "accepted") {
      this.call = at - this.now.visit.calls[screen.call].opens_ms;
      this.idle = at;
    } else if (screen.shows === "step" && word !== "dropped" && word !== "leave") {
      this.idle = at;
    } else {
      this.idle = 0;
      this.call = 0;
    }
  }

  undone() {
    this.idle = Date.now();
  }

  stop() {
    clearInterval(this.timer);
  }

  /** Both, once a call is known to be open. */
  shown() {
    if (!this.now.isTimed || this.idle === 0) return null;
    const idle = h("span", {});
    const call = h("span", {});
    const tick = () => {
      idle.textContent = left(this.idle + this.now.visit.idle_ms, "Hangs up in", "It may have hung up");
      call.textContent = this.call ? left(this.call + this.now.visit.limit_ms, "Call", "Call over") : "";
    };
    tick();
    this.timer = setInterval(tick, 250);
    return h("p", { class: "clocks", role: "timer" }, idle, " ", call);
  }
}

function left(until, words, over) {
  const seconds = Math.ceil((until - Date.now()) / 1000);
  if (seconds <= 0) return over;
  const minutes = Math.floor(seconds / 60);
  return `${words} ${minutes ? `${minutes} min ` : ""}${seconds % 60} s`;
}
