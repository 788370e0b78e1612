// Who has the watch, and what is being worked on: told at the top, and taken in a small form that leaves the states in view.

import { send } from "./desk.js";
import { localTime, make, put, span } from "./words.js";

const at = (id) => document.getElementById(id);
const who = at("who");

/** A line about work on a channel's radio, now or just ended; "" if there is none. */
export function workText(work, nowS) {
  if (!work) return "";
  const what = work.text ? `: ${work.text}` : "";
  if (work.ended_unix_s === null) return `being worked on by ${work.who} until ${localTime(work.until_unix_s)}${what}`;
  const how = work.ended_by ? `ended by ${work.ended_by}` : "ended: its time was over";
  return `work by ${work.who} ${how}, ${span(nowS - work.ended_unix_s)} ago`;
}

export class Duty {
  #form = null;
  #points = null;
  #look = null;

  constructor() {
    at("take").addEventListener("click", () => this.take());
    at("work").addEventListener("click", () => this.work());
    at("desk").addEventListener("keydown", (event) => { if (event.key === "Escape") this.close(); });
  }

  update(look, nowS) {
    this.#look = look;
    const had = look.hand_over;
    put(at("on-duty"), had ? `Watch: ${had.who} since ${localTime(had.unix_s).slice(0, 5)}${nowS - had.unix_s > 86400 ? `, ${span(nowS - had.unix_s)} ago` : ""}` : "Watch: nobody named");
    if (this.#points) this.#list();
  }

  /** The form to take the watch: what is open, and a name. */
  take() {
    const points = make("ul", { class: "points" });
    this.#show("I take the watch", [points], { text: text("Remark (optional)") }, "take_watch", "Take the watch");
    this.#points = points;
    this.#list();
  }

  /** The form to say that a radio is being worked on. */
  work() {
    const channels = this.#look?.channels ?? [];
    const first = channels.find((c) => c.because.length) ?? channels[0];
    const channel = make("select", {}, ...channels.map((c) => make("option", { text: c.name, selected: c === first })));
    const minutes = make("input", { type: "number", min: 1, max: 720, value: 30, required: true });
    const note = make("p", { text: "Calls are heard and shown as ever. BLIND stays shown. It ends by itself at the time given." });
    this.#show("A radio is being worked on", [note], { channel, minutes, text: text("What is done (optional)") }, "begin_work", "Begin");
  }

  close() {
    at("desk").hidden = true;
    at("desk").replaceChildren();
    this.#form = this.#points = null;
  }

  #show(title, lead, fields, what, doing) {
    this.close();
    const name = make("input", { maxlength: "40", required: true, autocomplete: "off", value: who.value });
    const labels = { name: "Your name", channel: "Radio", minutes: "Minutes", text: "" };
    const trouble = make("p", { class: "trouble", role: "alert" });
    const cancel = make("button", { class: "quiet", type: "button" }, "Leave ", make("kbd", { text: "Esc" }));
    cancel.addEventListener("click", () => this.close());
    const form = make("form", { class: "find" },
      ...Object.entries({ name, ...fields }).map(([key, field]) => make("label", {}, labels[key] || field.dataset.label, field)),
      make("button", { text: doing }), cancel);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (who.value !== name.value) { who.value = name.value; who.dispatchEvent(new Event("change")); }
      const values = Object.fromEntries(Object.entries(fields).map(([key, f]) => [key, f.type === "number" ? Number(f.value) : f.value]));
      if (await send(what, values, (line) => put(trouble, line))) this.close();
    });
    at("desk").append(make("h2", { text: title, id: "desk-title" }), ...lead, form, trouble);
    at("desk").hidden = false;
    this.#form = form;
    name.value ? form.querySelector("button").focus() : name.focus();
  }

  #list() {
    const points = this.#look?.open_points ?? [];
    const lines = points.length ? points : ["nothing is open"];
    if (this.#points.textContent !== lines.join("")) this.#points.replaceChildren(...lines.map((line) => make("li", { text: line })));
  }
}

const text = (label) => make("input", { maxlength: "200", autocomplete: "off", data: { label } });
