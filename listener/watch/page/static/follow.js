// What follows a call: the unit's own steps with their times, and how it ended. Shown as it was done; nothing is judged.

import { send } from "./desk.js";
import { make, put, span } from "./words.js";

/** A time from the end of the call: "+8 s"; "−3 s" is before it. */
const since = (s) => `${s < 0 ? "−" : "+"}${Math.abs(s) < 100 ? Math.abs(s).toFixed(0) : span(Math.abs(s))}${Math.abs(s) < 100 ? " s" : ""}`;

export class Follow {
  /** steps: [{name, within_s}], endings: words; fails(line): something was not recorded. */
  constructor(alert, steps, endings, fails) {
    this.alert = alert;
    this.fails = fails;
    this.age = make("span");
    this.next = make("span", { class: "next" });
    this.steps = steps.map((step, i) => this.#step(step, i + 1));
    this.endings = endings.map((ending) => make("button", { class: "ending", type: "button", text: ending }));
    endings.forEach((ending, i) => this.endings[i].addEventListener("click", () => this.#post("resolve", { ending })));
    this.key = make("kbd", { text: "R" });
    this.ended = make("span");
    this.again = make("button", { class: "quiet", type: "button", text: "Open again" });
    this.again.addEventListener("click", () => this.#post("reopen", {}));
    this.ending = make("p", { class: "endings" }, make("span", { text: "It ended: " }), ...this.endings, this.key);
    this.over = make("p", { class: "endings" }, this.ended, " ", this.again);
    this.element = make("details", { class: "follow", open: !document.querySelector("#channels.many") },
      make("summary", {}, this.age, this.next),
      make("ol", { class: "steps" }, ...this.steps.map((step) => step.element)), endings.length ? this.ending : "", this.over);
    this.element.hidden = !steps.length && !endings.length;
  }

  /** alert: as the newest look has it. */
  update(alert, hasEnded, nowS) {
    this.alert = alert;
    const isOver = hasEnded && this.endings.length > 0; // where nobody says how a call ends, its steps go on
    const done = new Map(alert.steps.map((step) => [step.name, step]));
    const next = this.steps.find((step) => !done.has(step.name));
    this.steps.forEach((step, i) => {
      const known = done.get(step.name);
      if (!step.box.disabled) step.box.checked = Boolean(known);
      step.element.dataset.done = Boolean(known);
      step.element.dataset.next = step === next && !isOver;
      const earlier = known ? this.steps.slice(0, i).flatMap((other, k) => ((done.get(other.name)?.since_call_s ?? Infinity) > known.since_call_s ? [k + 1] : [])) : [];
      const late = step.withinS !== null && (known ? known.since_call_s : isOver ? -Infinity : nowS - alert.unix_s) > step.withinS;
      const set = step.withinS === null || (known && !late) ? "" : late ? `over ${step.withinS} s` : `in ${step.withinS} s`;
      const order = earlier.length ? `before ${earlier.join(" and ")}` : "";
      put(step.stamp, [known ? `${since(known.since_call_s)} ${known.who}` : "", set, order].filter(Boolean).join(", "));
      step.stamp.dataset.late = late;
    });
    const open = isOver ? "" : next ? `open: ${this.steps.indexOf(next) + 1} ${next.name}` : this.steps.length ? "all steps done" : "";
    const going = `${span(nowS - alert.unix_s)} since the call${alert.acknowledged_by && !hasEnded ? ", not resolved" : ""}`;
    put(this.age, isOver ? "What followed" : going);
    put(this.next, open && ` · ${open}`);
    const more = this.steps.length ? " · a step done since: tick its box" : "";
    put(this.ended, hasEnded && alert.resolved_as ? `Resolved: ${alert.resolved_as}, ${alert.resolved_by}${more}` : "");
    this.takesKeys = !isOver;
    if (isOver) this.isKeyed = false;
    this.ending.hidden = hasEnded;
    this.over.hidden = !hasEnded || !alert.resolved_as;
  }

  /** Whether keys 1 to 9 and R mean this call: one that nobody has resolved. */
  set isKeyed(isKeyed) { this.element.dataset.keyed = isKeyed; }

  /** A key ticks a step and never takes one back: two presses are one. */
  tick(number) {
    const step = this.steps[number - 1];
    if (step && !step.box.checked && !step.box.disabled) this.#send(step, { done: true });
  }

  /** To the first ending: Enter says it, Tab goes to the next. */
  toEndings() {
    this.element.open = true;
    this.endings[0]?.focus();
  }

  #post(what, body) { return send(what, { alert_id: this.alert.id, ...body }, this.fails); }

  async #send(step, body) {
    step.box.disabled = true;
    if (await this.#post("step", { step: step.name, ...body })) step.box.checked = body.done;
    else step.box.checked = !body.done;
    setTimeout(() => { step.box.disabled = false; }, 600); // until the next look has it
  }

  #step({ name, within_s: withinS }, number) {
    const box = make("input", { type: "checkbox" });
    const step = { name, withinS, box, stamp: make("span", { class: "stamp" }) };
    box.addEventListener("change", () => this.#send(step, { done: box.checked }));
    const other = make("button", { class: "when quiet", type: "button", title: "It was done at another time", "aria-label": `${name}: done at another time`, text: "±" });
    const form = this.#when(step);
    other.addEventListener("click", () => { form.hidden = !form.hidden; form.querySelector("input").focus(); });
    step.element = make("li", {}, make("label", {}, box, make("kbd", { text: number }), ` ${name}`), step.stamp, other, form);
    return step;
  }

  /** A small form: how many seconds from the call. */
  #when(step) {
    const seconds = make("input", { type: "number", step: "any", min: -3600, max: 36000, required: true, "aria-label": `Seconds from the end of the call to: ${step.name}; below zero is before it` });
    const form = make("form", { class: "at", hidden: true }, seconds, " s from the call (− before it) ", make("button", { class: "quiet", text: "Set" }));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      form.hidden = true;
      await this.#send(step, { done: true, since_call_s: Number(seconds.value) });
    });
    return form;
  }
}
