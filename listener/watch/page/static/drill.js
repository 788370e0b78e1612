// A drill that is played live: that it is one, whether its alerts are shown, and its sound for people to hear.

import { make, put } from "./words.js";

const FAR_S = 0.25; // the sound may be so far from what the station hears, then it is put right

export class Drill {
  #players = null;
  #seen = "";

  /** Draws the line over everything; the sound follows what the station hears. */
  update(look) {
    const line = document.getElementById("drill");
    line.hidden = !look.drill;
    if (!look.drill) return;
    if (this.#seen !== look.drill) {
      this.#seen = look.drill;
      this.text = make("span");
      this.button = make("button", { type: "button", class: "quiet" });
      this.button.addEventListener("click", () => this.#toggle(look.channels.length));
      line.replaceChildren(this.text, this.button);
    }
    put(this.text, look.drill === "hidden" ? "DRILL WITHOUT ALERTS: what the machine hears is kept, not shown. Press A when you hear the call." : "DRILL");
    put(this.button, this.#players ? "Sound off" : "Hear its sound");
    this.#players?.forEach((player, i) => {
      const atS = look.channels[i].stream_s;
      if (Math.abs(player.currentTime - atS) > FAR_S) player.currentTime = atS;
    });
  }

  #toggle(channels) {
    if (this.#players) {
      this.#players.forEach((player) => { player.pause(); player.remove(); });
      this.#players = null;
      return;
    }
    this.#players = Array.from({ length: channels }, (_, i) => new Audio(`/listen/${i}`));
    document.getElementById("drill").append(...this.#players);
    this.#players.forEach((player) => player.play().catch(() => put(this.text, "DRILL: its sound cannot be played here")));
  }
}
