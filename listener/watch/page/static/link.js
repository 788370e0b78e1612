// The line to the station: events in, and the truth about how fresh they are.

const STALE_S = 2;
const AGAIN_MS = 1000;

/**
 * Calls on.begin, on.row, on.look, on.strip with what comes, and on.link({state, sinceS}) whenever the state of the
 * line is "live", "lost" (no connection), "stale" (connected, nothing comes) or "stands" (the station does not turn).
 */
export class Link {
  #on;
  #source = null;
  #cursor = null;
  #heard = -Infinity;
  #stands = { since: null, unix: -1 };
  #told = "";

  constructor(on) {
    this.#on = on;
    this.#open();
    setInterval(() => this.#check(), 250);
  }

  #open() {
    this.#source?.close();
    const source = new EventSource(this.#cursor === null ? "/events" : `/events?after=${this.#cursor}`);
    this.#source = source;
    source.addEventListener("begin", (event) => {
      const begin = JSON.parse(event.data);
      if (begin.start_over) return location.reload();
      if (this.#cursor === null) this.#cursor = begin.cursor;
      this.#on.begin(begin);
    });
    source.addEventListener("row", (event) => {
      const row = JSON.parse(event.data);
      if (row.id <= this.#cursor) return;
      this.#cursor = row.id;
      this.#on.row(row);
    });
    source.addEventListener("strip", (event) => this.#on.strip(JSON.parse(event.data)));
    source.addEventListener("look", (event) => this.#look(JSON.parse(event.data)));
    source.addEventListener("error", () => {
      // The browser tries again by itself unless it was refused; then we do.
      if (source.readyState === EventSource.CLOSED && source === this.#source) {
        fetch("/events", { method: "HEAD" }).then((a) => { if (a.status === 401) location.reload(); }, () => {});
        setTimeout(() => { if (source === this.#source) this.#open(); }, AGAIN_MS);
      }
      this.#check();
    });
  }

  #look(look) {
    const now = performance.now();
    if (look.unix_s !== this.#stands.unix) this.#stands = { since: now, unix: look.unix_s };
    this.#heard = now;
    this.#check(); // first: what is shown must know whether it is live
    this.#on.look(look);
  }

  #check() {
    const now = performance.now();
    const quietS = (now - this.#heard) / 1000;
    const standsS = (now - (this.#stands.since ?? now)) / 1000;
    let state = "live";
    if (this.#source.readyState !== EventSource.OPEN && quietS > STALE_S / 2) state = "lost";
    else if (quietS > STALE_S) state = "stale";
    else if (standsS > STALE_S) state = "stands";
    const sinceS = state === "stands" ? standsS : quietS;
    const told = state === "live" ? state : `${state} ${Math.floor(sinceS)}`;
    if (told === this.#told) return;
    this.#told = told;
    this.#on.link({ state, sinceS });
  }
}
