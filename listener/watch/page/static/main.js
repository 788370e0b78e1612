// The watch page: what comes over the link is shown; what people do goes back.

import { ChannelView } from "./channel.js";
import { onKeys, send } from "./desk.js";
import { Drill } from "./drill.js";
import { Duty, workText } from "./duty.js";
import { Link } from "./link.js";
import { Store } from "./store.js";
import { around, localTime, percent, put, span, utcTime } from "./words.js";

const SEEN_MS = 500; // what has not been on the screen for so long was not seen, and a key does not acknowledge it

const at = (id) => document.getElementById(id);
const store = new Store();
const duty = new Duty();
const drill = new Drill();
let channels = [];
let look = null;
let openCards = []; // of the calls that nobody has resolved
let keyed = null; // the newest of them: keys 1 to 9 and R mean it
let serverAheadS = 0;
let state = "lost";
let hasSaidPresent = false; // what stood when the page came (back) to life is said once; what comes after it comes as rows

const nowS = () => Date.now() / 1000 + serverAheadS;
const say = (text) => put(at("say"), text);

let told = []; // what was told politely in the last two seconds: news that come together are read together
function tell(text) {
  const now = performance.now();
  told = [...told.filter(([when]) => now - when < 2000), [now, text]];
  put(at("tell"), told.map(([, line]) => line).join(" "));
}

function onLook(fresh) {
  serverAheadS = fresh.sent_unix_s - Date.now() / 1000;
  const isFirst = !look || look.channels.length !== channels.length;
  look = fresh;
  if (isFirst) {
    channels = look.channels.map((channel) => new ChannelView(channel, look.channels.length === 1));
    at("channels").replaceChildren(...channels.map((channel) => channel.element));
    fit();
  }
  for (const channel of look.channels) store.addWords(channel.number, channel.words.map((w) => [w.unix_s, w.phrase, w.score]));
  show();
  if (isFirst) draw();
  beat();
  if (state === "live" && !hasSaidPresent) {
    hasSaidPresent = true;
    const lines = look.channels.flatMap(present);
    if (lines.length) say(lines.join(" "));
  }
}

/** What a person who cannot see this page must be told of a channel as it is: calls that nobody acknowledged, blindness. */
function present(channel) {
  const calls = channel.unacknowledged.map((a) => `Call heard on ${channel.name} at ${localTime(a.unix_s)}: ${a.phrase}, not acknowledged. Advisory: confirm by ear.`);
  const blind = channel.because.length && !isWorkedOn(channel) ? [blindLine(channel.name, channel.because)] : [];
  return [...calls, ...blind];
}

const blindLine = (name, reasons) => `${name} is blind: ${reasons.map((r) => r.detail).join("; ")}`;

function show() {
  if (!look) return;
  duty.update(look, nowS());
  drill.update(look);
  store.steps = look.steps;
  store.endings = look.resolved_as;
  store.hidesAlerts = look.drill === "hidden";
  openCards = channels.flatMap((channel, i) => channel.update(look.channels[i], store, nowS()));
  keyed = openCards.reduce((newest, card) => (newest && newest.alert.unix_s >= card.alert.unix_s ? newest : card), null);
  for (const card of openCards) card.follow.isKeyed = card === keyed;
  put(at("clock"), localTime(nowS()));
  put(at("clock-utc"), `${utcTime(nowS())} UTC`);
  const faults = look.faults.slice(-2).map(([unixS, text]) => `${localTime(unixS)} ${text}`);
  const tone = !store.hasTone ? "tone off" : look.tone_sounding ? "tone SOUNDING" : look.tone_trouble || "tone ready";
  const parts = [`on watch ${span(look.uptime_s)}`, look.journal_trouble || "journal written", tone, look.recording, look.acceptance];
  if (store.isLocal === false) parts.push("this page can be reached from the network, unencrypted");
  put(at("foot"), [...parts.filter(Boolean), ...faults].join(" · "));
  loud();
}

/** One line over everything, when there is more than one channel to look at. */
function loud() {
  const calls = look.channels.flatMap((c) => c.unacknowledged.map((a) => `▲ ${c.name}: ${a.phrase.toUpperCase()} ×${a.words_heard}, ${localTime(a.unix_s)}`));
  const blind = look.channels.filter((c) => c.because.length).map((c) => `✖ ${c.name} BLIND${isWorkedOn(c) ? " (being worked on)" : ""}`);
  const lines = look.channels.length > 1 ? [...calls, ...blind] : [];
  at("loud").hidden = !lines.length;
  at("loud").dataset.kind = calls.length ? "call" : "blind";
  put(at("loud"), lines.slice(0, 4).join("   ") + (lines.length > 4 ? `   and ${lines.length - 4} more` : ""));
  document.title = calls.length ? `▲ CALL HEARD` : blind.length ? `✖ BLIND` : state === "live" ? "● Watch" : "✖ NOT LIVE";
}

const wasSeen = (card) => performance.now() - card.firstShown > SEEN_MS;

const isWorkedOn = (channel) => channel?.work?.ended_unix_s === null;

/** Keeps the cover "NOT LIVE" away for two more seconds; it comes by itself, even if this script stands still. */
function beat() {
  if (state !== "live") return;
  const dead = at("dead");
  dead.classList.toggle("beat");
}

function onLink(link) {
  const wasLive = state === "live";
  state = link.state;
  document.body.dataset.link = state;
  const since = `for ${span(link.sinceS)}`;
  const why = {
    live: "", lost: `no connection to the listener ${Number.isFinite(link.sinceS) ? since : "yet"}`,
    stale: `no news from the listener ${since}`, stands: `the listener stands still ${since}`,
  }[state];
  put(at("dead-why"), why || "no news from the listener");
  if (wasLive && state !== "live") say("Not live. What is shown is the past. Listen by ear.");
  if (!wasLive && state === "live") { say(""); tell("Live again."); hasSaidPresent = false; }
  if (look) loud();
}

function onRow(row) {
  const fresh = store.addRow(row);
  if (!fresh || nowS() - fresh.unixS > 30) return;
  if (row.kind === "alert") say(`Call heard on ${row.channel}: ${row.body.phrase}, ${percent(row.body.confidence)}. Advisory: confirm by ear.`);
  if (row.kind === "state" && row.body.state === "BLIND") {
    const work = look?.channels.find((c) => c.name === row.channel && isWorkedOn(c))?.work;
    const line = blindLine(row.channel, row.body.reasons);
    if (work) tell(`${line}. It is ${workText(work)}.`);
    else say(line);
  }
  if (row.kind === "maintenance") {
    const ended = row.body.who ? `ended by ${row.body.who}` : "ended: its time was over";
    tell(`${row.channel}: ${row.body.begins ? `being worked on by ${row.body.who}` : `work ${ended}`}.`);
  }
  if (row.kind === "hand_over") tell(`${row.body.who} takes the watch. ${row.body.open.length ? `Open: ${row.body.open.join("; ")}` : "Nothing is open"}.`);
  if (row.kind === "state" && row.body.state === "LISTENING") tell(`${row.channel} is listening.`);
  if (row.kind === "partly_heard") tell(`Partly heard on ${row.channel}: ${row.body.phrase}`);
  if (row.kind === "update") tell(`Call on ${row.channel}: ${around(row.body)}.`);
  if (row.kind === "by_ear") tell(`Call heard by ear by ${row.body.who}.`);
  if (row.kind === "step") tell(`${row.body.step}: ${row.body.done ? "done" : "taken back"} by ${row.body.who}.`);
  if (row.kind === "resolve") tell(row.body.as ? `Call on ${row.channel} resolved: ${row.body.as}, by ${row.body.who}.` : `Call on ${row.channel} open again.`);
  if (row.kind === "acknowledge") tell(`${row.body.blind ? `Blindness of ${row.channel} seen` : "Acknowledged"} by ${row.body.who}.`);
}

/** As many columns as make blocks of a good shape; letters are as large as that leaves room for. */
function fit() {
  const n = channels.length;
  const columns = innerWidth < 640 ? 1 : Math.min(n, Math.max(1, Math.round(Math.sqrt((n * innerWidth) / innerHeight / 1.3))));
  const rows = Math.ceil(n / columns);
  const grid = at("channels");
  grid.style.setProperty("--columns", columns);
  grid.style.setProperty("--rows", rows);
  grid.classList.toggle("tight", innerWidth >= 640 && innerHeight / rows < 450);
  grid.classList.toggle("many", innerWidth < 640 || innerHeight / rows < 300); // the states come first
  grid.classList.toggle("brief", n > 1 && innerHeight / rows < 900); // what can wait is folded away
  grid.classList.toggle("snug", innerHeight / rows < 900);
}

function draw() {
  if (look) for (const channel of channels) channel.draw(store, nowS());
}

new Link({
  begin: (begin) => { store.begin(begin); draw(); },
  row: onRow,
  look: onLook,
  strip: (strips) => { for (const own of strips) store.addSeconds(own.channel, own.seconds); draw(); },
  link: onLink,
});

onKeys({
  w: () => duty.take(),
  m: () => duty.work(),
  b: () => {
    const known = channels.filter((channel) => channel.canBeSeen && performance.now() - channel.blindShown > SEEN_MS).map((channel) => channel.name);
    if (known.length) send("acknowledge_blind", { channels: known }, say);
  },
  ...Object.fromEntries([1, 2, 3, 4, 5, 6, 7, 8, 9].map((n) => [String(n), () => { if (keyed && wasSeen(keyed)) keyed.follow.tick(n); }])),
  r: () => { if (keyed && wasSeen(keyed)) keyed.follow.toEndings(); },
  a: () => (look?.drill === "hidden" ? channels[0]?.heardByEar() : openCards.filter((card) => card.element.dataset.open === "true" && wasSeen(card)).forEach((card) => card.acknowledge())),
});
addEventListener("resize", () => { fit(); draw(); });
addEventListener("theme", draw);
