// One channel: its state as a big word with its own shape, why, the calls, and the last ten minutes.

import { Card } from "./card.js";
import { send } from "./desk.js";
import { workText } from "./duty.js";
import { StripView } from "./strip.js";
import { localTime, make, put, span } from "./words.js";

const SHAPES = { LISTENING: "●", "PARTLY HEARD": "◆", "CALL HEARD": "▲", BLIND: "✖" };
const QUIET_CARD_S = 1800;
const MOST_CARDS = 3;

export class ChannelView {
  /** isAlone: there is room to say how the strip is used. */
  constructor(look, isAlone) {
    this.number = look.number;
    this.name = look.name;
    this.cards = new Map();
    this.shape = make("span", { class: "shape", "aria-hidden": "true" });
    this.state = make("span");
    this.since = make("p", { class: "since" });
    this.now = make("p", { class: "now" });
    this.why = make("ul", { class: "why" });
    this.work = make("span");
    this.trouble = make("p", { class: "trouble", role: "alert" });
    this.done = this.#button("End work", "end_work", () => ({ channel: this.name }));
    this.known = this.#button("I know", "acknowledge_blind", () => ({ channels: [this.name] }));
    this.known.append(make("kbd", { text: "B" }));
    this.byEar = this.#button("I hear the call", "by_ear", () => ({ channel: this.name }));
    this.byEar.className = "by-ear";
    if (look.number === 0) this.byEar.append(make("kbd", { text: "A" }));
    this.seen = make("span");
    this.blindShown = Infinity; // since when blindness that nobody said they know of is on the screen
    this.calls = make("div", { class: "calls" });
    this.more = make("p", { class: "more" });
    this.partly = make("p", { class: "partly" });
    this.sound = make("p", { class: "sound" });
    this.words = make("p", { class: "words" });
    this.about = make("p", { class: "about" });
    this.strip = new StripView(look.name, isAlone);
    const title = `channel-${look.number}`;
    this.element = make("article", { class: "channel", "aria-labelledby": title },
      make("div", { class: "head" },
        make("h2", { id: title, text: look.name }),
        make("p", { class: "state" }, this.shape, " ", this.state), this.since, this.now),
      this.why,
      make("p", { class: "acts" }, this.byEar, this.work, this.done, this.seen, this.known), this.trouble, this.calls, this.more, this.partly,
      make("div", { class: "low" }, this.strip.element, make("div", { class: "small" }, this.words, this.sound, this.about)));
  }

  /** Everything but the strip. Gives the calls that are shown and that keys may mean: those that nobody has resolved. */
  update(look, store, nowS) {
    this.element.dataset.state = look.state;
    put(this.shape, SHAPES[look.state]);
    put(this.state, look.state);
    put(this.since, `since ${localTime(look.since_unix_s)}, ${span(nowS - look.since_unix_s)}`);
    this.byEar.hidden = !store.hidesAlerts;
    this.#hears(look, nowS);
    this.#reasons(look, nowS);
    const open = this.#cards(look, store, nowS);
    const last = look.last_partly;
    put(this.partly, last && nowS - last.unix_s < 600
      ? `◆ partly heard: ${last.phrase} ×${last.words_heard} of ${last.repeats}, ${localTime(last.unix_s)}, ${span(nowS - last.unix_s)} ago` : "");
    const sounds = look.level_dbov > -119;
    put(this.sound, sounds ? `level ${db(look.level_dbov)} dBov · noise ${db(look.noise_dbov)} · SNR about ${db(look.snr_db)} dB` : "no sound");
    const listensFor = store.phrases.map((p) => `${p.words} ×${p.repeats}`).join(", ");
    const heard = look.words.filter((w) => nowS - w.unix_s < 30).slice(-4).map((w) => `${w.phrase} ${span(nowS - w.unix_s)} ago`);
    put(this.words, `listens for ${listensFor}${heard.length ? `; words: ${heard.join(", ")}` : ""}`);
    const proof = { null: "not proved yet", true: "proof test passed", false: "PROOF TEST FAILED" }[look.proof_passed];
    const when = look.proof_unix_s ? ` ${span(nowS - look.proof_unix_s)} ago` : "";
    put(this.about, `${look.device} · ${proof}${when} · gaps ${look.gaps} · restarts ${look.restarts} · ${look.model || look.engine}`);
    return open;
  }

  draw(store, nowS) {
    const rows = [...(store.rows.get(this.name) ?? []), ...(store.rows.get(null) ?? []).filter((row) => row.kind === "fault")];
    this.strip.draw(store.strips[this.number] ?? new Map(), store.words[this.number] ?? new Map(), rows, nowS);
  }

  heardByEar() { this.byEar.click(); }

  /** There is blindness that nobody said they know of, and nobody works on it. */
  get canBeSeen() { return this.blindShown !== Infinity; }

  #button(text, what, body) {
    const button = make("button", { class: "quiet", type: "button", text });
    button.addEventListener("click", () => send(what, body(), (line) => put(this.trouble, line)));
    return button;
  }

  /** Whether it hears now, whatever the state; who works on it; who knows that it is blind. */
  #hears(look, nowS) {
    const isBlind = look.because.length > 0;
    const isWorkedOn = look.work?.ended_unix_s === null;
    this.element.dataset.work = isWorkedOn;
    this.element.dataset.hears = !isBlind;
    put(this.now, look.state !== "CALL HEARD" ? "" : isBlind ? "✖ BLIND now:" : "● listening now");
    put(this.work, workText(look.work, nowS));
    this.done.hidden = !isWorkedOn;
    put(this.seen, look.blind_seen_by ? `BLIND: seen by ${look.blind_seen_by}` : "");
    const asks = look.because.some((b) => b.code !== "starting") && !isWorkedOn && !look.blind_seen_by;
    if (asks !== this.canBeSeen) this.blindShown = asks ? performance.now() : Infinity;
    this.known.hidden = !asks;
  }

  #reasons(look, nowS) {
    const lines = look.because.map((b) => `${b.detail} (since ${localTime(b.since_unix_s)}, ${span(nowS - b.since_unix_s)})`);
    while (this.why.childElementCount > lines.length) this.why.lastChild.remove();
    lines.forEach((line, i) => put(this.why.children[i] ?? this.why.appendChild(make("li")), line));
  }

  #cards(look, store, nowS) {
    const newest = (calls) => [...calls].sort((a, b) => b.unix_s - a.unix_s);
    const open = newest(look.unacknowledged);
    const going = [...open, ...newest(look.unresolved)];
    const last = look.last_alert;
    const shown = going.length ? going.slice(0, MOST_CARDS) : last && nowS - last.unix_s < QUIET_CARD_S ? [last] : [];
    const ids = new Set(shown.map((alert) => alert.id));
    for (const [id, card] of this.cards) if (!ids.has(id)) { card.element.remove(); this.cards.delete(id); }
    shown.forEach((alert, i) => {
      let card = this.cards.get(alert.id);
      if (!card) this.cards.set(alert.id, (card = new Card(alert, store.steps, store.endings)));
      card.alert = alert;
      if (this.calls.children[i] !== card.element) this.calls.insertBefore(card.element, this.calls.children[i] ?? null);
      card.update(open.includes(alert), !going.includes(alert), store.about(alert.id), nowS);
      if (card.isFirst !== (i === 0)) { card.isFirst = i === 0; if (i) card.follow.element.open = false; } // an older call makes room
    });
    const more = going.length - MOST_CARDS + look.unresolved_more;
    put(this.more, more > 0 ? `and ${more} more calls that have not ended` : "");
    return [...this.cards.values()].filter((card) => card.follow.takesKeys);
  }
}

/** A number for people: whole, with a true minus sign. */
const db = (value) => (value === null ? "?" : String(Math.round(value)).replace("-", "−"));
