// One call that was heard: what, when, how sure; then what people did about it.

import { play, send } from "./desk.js";
import { Follow } from "./follow.js";
import { around, chance, likely, localTime, make, percent, put, span, utcTime } from "./words.js";

const MARKS = ["true call", "drill", "false alert"];

export class Card {
  /** steps, endings: the unit's own, in their order. */
  constructor(alert, steps, endings) {
    this.alert = alert;
    this.firstShown = performance.now();
    this.ago = make("b");
    this.seen = make("p", { class: "seen" });
    this.around = make("p", { class: "around" });
    this.trouble = make("p", { class: "trouble", role: "alert" });
    this.notes = make("ul", { class: "notes" });
    this.ack = make("button", { class: "ack", type: "button" }, "Acknowledge ", make("kbd", { text: "A" }));
    this.ack.addEventListener("click", () => this.acknowledge());
    const hear = make("button", { class: "hear quiet", type: "button", text: "Play clip" });
    hear.addEventListener("click", () => { put(this.trouble, ""); play(alert.id, (line) => put(this.trouble, line)); });
    this.marks = MARKS.map((mark) => this.#marker(mark));
    this.follow = new Follow(alert, steps, endings, this.#fails);
    this.after = this.#after();
    const title = `call-${alert.id}`;
    const byEar = alert.kind === "by_ear"; // in a drill without alerts: the machine says nothing of it
    this.element = make("section", { class: "call", "aria-labelledby": title },
      make("div", { class: "what" },
        make("h3", { id: title, class: "phrase" }, alert.phrase.toUpperCase(), make("span", { text: byEar ? " by ear" : ` ×${alert.words_heard}` })),
        this.around,
        make("p", { class: "when" }, make("b", { text: localTime(alert.unix_s) }), ` here · ${utcTime(alert.unix_s)} UTC · `, this.ago, " ago"),
        byEar ? "" : make("p", { class: "sure" }, make("b", { text: likely(alert.confidence) }), `, confidence ${percent(alert.confidence)} `, sureBar(alert.confidence)),
        alert.chance_per_h === null || alert.chance_per_h === undefined ? "" : make("p", { class: "when", text: chance(alert.chance_per_h) }),
        byEar ? "" : make("p", { class: "confirm", text: "advisory: confirm by ear" }),
        make("p", { class: "acts" }, this.ack, byEar ? "" : hear, this.seen), this.trouble),
      make("div", { class: "beside" }, this.follow.element, this.after));
  }

  acknowledge() {
    this.ack.disabled = true;
    send("acknowledge", { alert_id: this.alert.id }, (line) => { put(this.trouble, line); this.ack.disabled = false; });
  }

  /** isOpen: nobody acknowledged it yet. hasEnded: a person said how it ended. about: from the journal, see Store. */
  update(isOpen, hasEnded, about, nowS) {
    put(this.ago, span(nowS - this.alert.unix_s));
    this.element.dataset.open = isOpen;
    this.element.dataset.ended = hasEnded;
    this.ack.hidden = !isOpen;
    const seen = about.acknowledged;
    put(this.seen, isOpen ? "" : this.alert.kind === "by_ear" ? `Heard by ${this.alert.acknowledged_by}` : seen ? `Acknowledged by ${seen.who}, ${localTime(seen.unixS)}` : `Acknowledged by ${this.alert.acknowledged_by || "somebody"}`);
    put(this.around, about.around ? around(about.around) : "");
    this.follow.update(this.alert, hasEnded, nowS);
    for (const [mark, button] of this.marks) button.setAttribute("aria-pressed", about.mark?.mark === mark);
    if (this.notes.childElementCount !== about.notes.length) {
      this.notes.replaceChildren(...about.notes.map((n) => make("li", { text: `${localTime(n.unixS)} ${n.who}: ${n.text}` })));
    }
  }

  #fails = (line) => put(this.trouble, line);

  #marker(mark) {
    const button = make("button", { class: "mark quiet", type: "button", "aria-pressed": "false", text: mark });
    button.addEventListener("click", () => send("mark", { alert_id: this.alert.id, mark }, this.#fails));
    return [mark, button];
  }

  #after() {
    const text = make("input", { maxlength: "1000", "aria-label": `Note about ${this.alert.phrase}, ${localTime(this.alert.unix_s)}`, autocomplete: "off" });
    const form = make("form", { class: "note" }, text, make("button", { class: "quiet", text: "Add note" }));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (text.value.trim() && (await send("note", { alert_id: this.alert.id, text: text.value }, this.#fails))) text.value = "";
    });
    const parts = [];
    parts.push(make("div", { class: "marks", role: "group", "aria-label": "What it was" }, make("span", { text: "It was a " }), ...this.marks.map(([, b]) => b)));
    return make("details", { class: "after", open: !document.querySelector("#channels:is(.many, .brief)") }, make("summary", { text: "Marks, notes" }), ...parts, form, this.notes);
  }
}

/** The confidence as a bar of ten cells: drawn as text, so that it prints and is read in grey. */
function sureBar(p) {
  const full = Math.round(p * 10);
  return make("span", { class: "cells", "aria-hidden": "true", text: "▮".repeat(full) + "▯".repeat(10 - full) });
}
