// The ten-minute strip: level, speech, heard words, partly heard and heard calls, faults. Newest at the right.

import { localTime, make, percent, put, span, utcTime } from "./words.js";
import { play } from "./desk.js";

const LONG_S = 600;
const LOWEST_DBOV = -70;
const MARKS = { alert: "▲", partly_heard: "◆", fault: "!", gap: "▒", state: "✖" };
const NEAR_PX = 12;

export class StripView {
  constructor(name, withHint) {
    this.canvas = make("canvas", { class: "strip", tabindex: "0", role: "img" });
    this.told = make("p", { class: "told", role: "status" });
    this.element = make("div", { class: "stripbox" }, this.canvas, this.told);
    this.name = name;
    this.marks = [];
    this.at = null; // the mark that is told about
    const use = "Ten minutes. Point or tap for details, click ▲ to hear it; with keys: ← → and Enter.";
    this.hint = withHint ? use : "";
    this.canvas.setAttribute("aria-description", use);
    put(this.told, this.hint);
    this.canvas.addEventListener("pointermove", (event) => this.#point(event));
    this.canvas.addEventListener("pointerleave", () => this.#tell(null));
    this.canvas.addEventListener("click", (event) => { this.#point(event); this.#hear(); });
    this.canvas.addEventListener("keydown", (event) => this.#key(event));
    this.canvas.addEventListener("blur", () => this.#tell(null));
    // The card grows and shrinks (a form, a call): what was drawn for another size would be stretched until the next second.
    new ResizeObserver(() => this.last && this.draw(...this.last)).observe(this.canvas);
  }

  /** seconds: Map of [second, level, speech]; words: Map of [unixS, phrase, score]; rows: journal rows. */
  draw(seconds, words, rows, nowS) {
    this.nowS = nowS;
    this.last = [seconds, words, rows, nowS];
    const { canvas } = this;
    const width = canvas.clientWidth, height = canvas.clientHeight, scale = devicePixelRatio || 1;
    if (!width || !height) return;
    if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
      canvas.width = Math.round(width * scale);
      canvas.height = Math.round(height * scale);
    }
    const ctx = canvas.getContext("2d");
    ctx.setTransform(scale, 0, 0, scale, 0, 0);
    const css = getComputedStyle(canvas);
    const colour = (name) => css.getPropertyValue(`--${name}`).trim();
    const x = (unixS) => width * (1 - (nowS - unixS) / LONG_S);
    ctx.clearRect(0, 0, width, height);
    ctx.fillStyle = colour("panel");
    ctx.fillRect(0, 0, width, height);
    const top = 16, bottom = height - 14;
    const y = (dbov) => top + (bottom - top) * Math.min(1, Math.max(0, dbov / LOWEST_DBOV));
    this.#minutes(ctx, colour, x, top, bottom, height, nowS);
    const wide = width / LONG_S + 0.6;
    for (const [second, level, speech] of seconds.values()) {
      if (second < nowS - LONG_S) continue;
      ctx.fillStyle = colour(speech > 0.3 ? "speech" : "level");
      ctx.fillRect(x(second), y(level ?? LOWEST_DBOV), wide, bottom - y(level ?? LOWEST_DBOV));
    }
    this.#transmissions(ctx, colour, x, rows, nowS, bottom);
    this.#blind(ctx, colour, x, rows, nowS, top, bottom);
    ctx.fillStyle = colour("ink");
    for (const [unixS, , score] of words.values()) {
      if (unixS > nowS - LONG_S) ctx.fillRect(x(unixS) - 1, bottom, 2, score > 0 ? 6 : 3);
    }
    this.#marks(ctx, colour, x, rows, words, nowS, top);
    const calls = rows.filter((row) => row.kind === "alert" && row.unixS > nowS - LONG_S).length;
    canvas.setAttribute("aria-label", `Last ten minutes of ${this.name}: ${calls === 1 ? "one call" : `${calls} calls`} heard`);
  }

  #minutes(ctx, colour, x, top, bottom, height, nowS) {
    ctx.fillStyle = ctx.strokeStyle = colour("muted");
    ctx.font = "11px system-ui, sans-serif";
    ctx.lineWidth = 0.5;
    for (let back = 60; back < LONG_S; back += 60) {
      const at = Math.round(x(nowS - back)) + 0.5;
      ctx.beginPath();
      ctx.moveTo(at, top);
      ctx.lineTo(at, bottom);
      ctx.stroke();
      if (back % 120 === 0) ctx.fillText(`−${back / 60} min`, at + 3, height - 2);
    }
  }

  /** Where the radio said that its squelch was open: a bar at the foot, which ends where the channel went blind. */
  #transmissions(ctx, colour, x, rows, nowS, bottom) {
    const said = rows.filter((row) => row.kind === "transmission" && row.body.by === "squelch");
    const ends = rows.filter((row) => row.kind === "state" && row.body.state === "BLIND");
    ctx.fillStyle = colour("ink");
    if (said.length && !said[0].body.begins) ctx.fillRect(0, bottom - 3, Math.max(2, x(said[0].unixS)), 3);
    said.forEach((row, i) => {
      if (!row.body.begins) return;
      const left = Math.max(0, x(row.unixS)), next = said[i + 1]?.unixS ?? nowS;
      const until = Math.min(next, ends.find((end) => end.unixS > row.unixS)?.unixS ?? nowS);
      ctx.fillRect(left, bottom - 3, Math.max(2, x(until) - left), 3);
    });
  }

  #blind(ctx, colour, x, rows, nowS, top, bottom) {
    const states = rows.filter((row) => row.kind === "state");
    states.forEach((row, i) => {
      if (row.body.state !== "BLIND") return;
      const until = states[i + 1]?.unixS ?? nowS;
      const left = Math.max(0, x(row.unixS)), right = x(until);
      ctx.save();
      ctx.beginPath();
      ctx.rect(left, top, Math.max(2, right - left), bottom - top);
      ctx.clip();
      ctx.strokeStyle = colour("blind-mark");
      ctx.lineWidth = 2;
      for (let at = left - bottom; at < right + bottom; at += 7) {
        ctx.beginPath();
        ctx.moveTo(at, bottom);
        ctx.lineTo(at + bottom - top, top);
        ctx.stroke();
      }
      ctx.restore();
    });
  }

  #marks(ctx, colour, x, rows, words, nowS, top) {
    this.marks = [];
    ctx.textAlign = "center";
    ctx.font = "bold 14px system-ui, sans-serif";
    for (const row of rows) {
      if (row.unixS < nowS - LONG_S || !MARKS[row.kind]) continue;
      if (row.kind === "state" && row.body.state !== "BLIND") continue;
      const at = Math.min(x(row.unixS), ctx.canvas.clientWidth - 6);
      ctx.fillStyle = colour({ alert: "call-mark", partly_heard: "partly-mark" }[row.kind] ?? "blind-mark");
      if (row.kind === "alert") ctx.fillRect(at - 1, top, 2, ctx.canvas.clientHeight);
      ctx.fillText(MARKS[row.kind], at, 13);
      this.marks.push({ key: row.id, x: at, row, text: rowText(row, nowS) });
    }
    for (const [unixS, phrase, score] of words.values()) {
      if (unixS < nowS - LONG_S) continue;
      this.marks.push({ key: `${unixS} ${phrase}`, x: x(unixS), row: null, text: `word “${phrase}” ${localTime(unixS)}, score ${score.toFixed(1)} (0 is even)` });
    }
    this.marks.sort((a, b) => a.x - b.x);
    ctx.textAlign = "start";
    if (this.at !== null) this.#ring(ctx, colour);
  }

  #ring(ctx, colour) {
    const same = this.marks.find((mark) => mark.key === this.at.key);
    if (!same) return;
    ctx.strokeStyle = colour("ink");
    ctx.lineWidth = 2;
    ctx.strokeRect(same.x - 9, 1, 18, ctx.canvas.clientHeight - 2);
  }

  #point(event) {
    const x = event.offsetX;
    const near = this.marks.filter((mark) => Math.abs(mark.x - x) < NEAR_PX);
    // A call before all else, then what is nearest.
    near.sort((a, b) => rank(a) - rank(b) || Math.abs(a.x - x) - Math.abs(b.x - x));
    if (near[0]) return this.#tell(near[0]);
    const unixS = this.nowS - (1 - x / this.canvas.clientWidth) * LONG_S;
    this.#tell(null, `${localTime(unixS)} here · ${utcTime(unixS)} UTC · ${span(this.nowS - unixS)} ago`);
  }

  #key(event) {
    if (event.key === "Enter" || event.key === " ") { event.preventDefault(); return this.#hear(); }
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!step || !this.marks.length) return;
    event.preventDefault();
    const now = this.at ? this.marks.findIndex((mark) => mark.key === this.at.key) : this.marks.length;
    this.#tell(this.marks[Math.min(this.marks.length - 1, Math.max(0, now + step))]);
  }

  #tell(mark, text = "") {
    this.at = mark;
    put(this.told, mark?.text || text || this.hint);
  }

  #hear() {
    if (this.at?.row?.kind === "alert") play(this.at.row.id, (line) => put(this.told, line));
  }
}

const rank = (mark) => ({ alert: 0, partly_heard: 1, fault: 2, gap: 2, state: 2 })[mark.row?.kind] ?? 3;

function rowText(row, nowS) {
  const { body } = row;
  const when = `${localTime(row.unixS)} here · ${utcTime(row.unixS)} UTC`;
  switch (row.kind) {
    case "alert": return `▲ call heard: ${body.phrase} ×${body.hits.length}, ${percent(body.confidence)}, shown ${body.delay_s.toFixed(2)} s after it; ${when}; click to hear it`;
    case "partly_heard": return `◆ partly heard: ${body.phrase} ×${body.hits.length} of ${body.repeats}; ${when}`;
    case "gap": return `▒ ${body.seconds.toFixed(1)} s of sound ${body.why}; ${when}`;
    case "state": return `✖ blind: ${body.reasons.map((r) => r.detail).join("; ")}; ${when}`;
    default: return `! ${body.detail}; ${when}`;
  }
}
