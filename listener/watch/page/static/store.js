// What the page has been told: journal rows, strips and words, kept for ten minutes (what is about an alert, for ever).

const KEEP_S = 620;

export class Store {
  constructor() {
    this.rows = new Map(); // channel name -> rows of the strip, in order
    this.abouts = new Map(); // alert id -> {acknowledged, notes, mark}
    this.strips = []; // channel number -> Map second -> [second, level, speech]
    this.words = []; // channel number -> Map key -> [unixS, phrase, score]
    this.steps = []; // the unit's own, and how a call can end: see look
    this.endings = [];
    this.hidesAlerts = false;
    this.phrases = [];
  }

  begin(begin) {
    this.phrases = begin.phrases;
    this.isLocal = begin.is_local;
    this.hasTone = begin.has_tone;
    begin.strips.forEach((seconds, channel) => this.addSeconds(channel, seconds));
    begin.words.forEach((words, channel) => this.addWords(channel, words));
    begin.rows.forEach((row) => this.addRow(row));
  }

  addSeconds(channel, seconds) {
    const own = (this.strips[channel] ??= new Map());
    for (const second of seconds) own.set(second[0], second);
    drop(own, ([at], newest) => at < newest - KEEP_S);
  }

  addWords(channel, words) {
    const own = (this.words[channel] ??= new Map());
    for (const word of words) own.set(`${word[0].toFixed(1)} ${word[1]}`, word);
    while (own.size > 300) own.delete(own.keys().next().value);
  }

  /** Gives the row with unixS, or null if it was known. */
  addRow(row) {
    row.unixS = Date.parse(row.utc) / 1000;
    if (row.about) this.#about(row);
    const own = this.rows.get(row.channel) ?? [];
    if (own.some((known) => known.id === row.id)) return null;
    own.push(row);
    own.sort((a, b) => a.unixS - b.unixS);
    this.rows.set(row.channel, own.filter((kept) => kept.unixS > row.unixS - KEEP_S));
    return row;
  }

  about(alertId) {
    let about = this.abouts.get(alertId);
    if (!about) this.abouts.set(alertId, (about = { ids: new Set(), acknowledged: null, notes: [], mark: null }));
    return about;
  }

  #about(row) {
    const about = this.about(row.about);
    if (about.ids.has(row.id)) return;
    about.ids.add(row.id);
    const done = { ...row.body, unixS: row.unixS };
    if (row.kind === "acknowledge") about.acknowledged ??= done;
    if (row.kind === "update") about.around = done;
    if (row.kind === "note") about.notes.push(done);
    if (row.kind === "mark") about.mark = done;
  }
}

function drop(map, isOld) {
  const newest = Math.max(...map.keys());
  for (const [key, value] of map) if (isOld(value, newest)) map.delete(key);
}
