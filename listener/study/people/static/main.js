// One screen at a time. The server knows where the listener stands; this page shows it, plays, and posts answers.

import { load, loop, play } from "/static/player.js";

const byId = (id) => document.getElementById(id);
const sections = [...document.querySelectorAll("section")];
const wait = (seconds) => new Promise((done) => setTimeout(done, seconds * 1000));
const who = () => document.body.dataset.listener;
let state = null;
let keys = {}; // what the keys of the screen that is shown do
let pausing = false;
let round = 0; // a trial that was left (trouble, pause) does not go on

function show(name, doing = {}) {
  document.body.dataset.screen = name;
  keys = doing;
  for (const section of sections) section.hidden = section.dataset.show !== name;
  const section = sections.find((one) => one.dataset.show === name);
  byId("said").textContent = section.querySelector("h1").textContent;
  const first = section.querySelector("button.big:not(:disabled), #pad");
  (first ?? section.querySelector("button"))?.focus();
  const way = byId("way");
  way.hidden = !state || ["front", "consent", "level", "finished"].includes(name);
  if (!way.hidden) {
    way.querySelector("progress").value = state.of ? state.done / state.of : 0;
    way.querySelector("span").textContent = state.practice ? "practice" : `${state.done} of ${state.of}`;
  }
}

/** Trouble is told in words, and one key tries again; nothing is lost meanwhile. */
function trouble(line, again) {
  round += 1;
  const box = byId("trouble");
  box.textContent = `${line} `;
  const button = Object.assign(document.createElement("button"), { type: "button", textContent: "Try again (Enter)" });
  const retry = () => { box.hidden = true; again(); };
  button.addEventListener("click", retry);
  box.append(button);
  box.hidden = false;
  keys = { Enter: retry };
  for (const section of sections) section.hidden = true;
  byId("way").hidden = true;
  document.body.dataset.screen = "trouble";
  button.focus();
}

/** Posts JSON; gives the answer. Throws an Error with a line that people can read. */
async function post(address, body) {
  let answer;
  try {
    answer = await fetch(address, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
  } catch {
    throw new Error("The page's program does not answer. What you answered before is kept.");
  }
  if (!answer.ok) throw new Error((await answer.text()).trim());
  return answer.json();
}

/** Does it, and where it fails tells why and tries again when asked. */
async function tried(doing) {
  try { await doing(); } catch (error) { trouble(error.message, () => tried(doing)); }
}

function take(next) {
  state = next;
  document.body.dataset.listener = state.id;
  document.body.dataset.step = state.step;
  for (const element of document.querySelectorAll(".id, #who b")) element.textContent = state.id;
  byId("who").hidden = false;
  if (location.pathname !== `/l/${state.id}`) history.replaceState(null, "", `/l/${state.id}`);
}

/** Shows where the listener stands: what the server said last, with a screen to begin from. */
function enter() {
  if (state.screen === "consent") return consent();
  if (state.screen === "level") return level();
  if (state.screen === "finished") return finished();
  return getReady(state.practice ? "Practice first" : "Go on", state.practice ? "A few sounds to learn by; they do not count." : "");
}

/** Where the listener of this id stands. */
async function goOn(id) {
  const answer = await fetch(`/l/${encodeURIComponent(id)}/state`);
  if (!answer.ok) throw new Error((await answer.text()).trim());
  take(await answer.json());
  enter();
}

function front() {
  const begin = (mode) => tried(async () => { take(await post("/begin", { mode })); enter(); });
  for (const button of document.querySelectorAll("[data-mode]")) button.onclick = () => begin(button.dataset.mode);
  show("front", { Enter: () => begin("study"), t: () => begin("track") });
}

function consent() {
  const agree = () => tried(async () => { take(await post(`/l/${who()}/consent`, { agreed: true })); enter(); });
  byId("agree").onclick = agree;
  show("consent", { Enter: agree });
}

function level() {
  const slider = byId("gain");
  let sound = null;
  const shown = () => { byId("gain-text").textContent = `${slider.value} dB`; sound?.set(Number(slider.value)); };
  const by = (db) => { slider.value = Number(slider.value) + db; shown(); };
  const start = () => tried(async () => {
    if (sound) return;
    sound = loop(await load("/level.wav"), Number(slider.value));
    byId("level").disabled = false;
    byId("sound").textContent = "It plays";
  });
  const done = () => tried(async () => {
    if (!sound) return;
    take(await post(`/l/${who()}/level`, { gain_db: Number(slider.value) }));
    sound.stop();
    enter();
  });
  slider.oninput = shown;
  byId("sound").onclick = start;
  byId("softer").onclick = () => by(-2);
  byId("louder").onclick = () => by(2);
  byId("level").onclick = done;
  shown();
  show("level", { " ": start, ArrowUp: () => by(2), ArrowDown: () => by(-2), Enter: done });
  byId("sound").focus();
}

function getReady(title, more) {
  byId("h-ready").textContent = title;
  document.querySelector('[data-show="ready"] .more').textContent = more;
  byId("go").onclick = next;
  show("ready", { Enter: next });
}

/** The next step, whatever it is. */
function next() {
  if (state.screen === "finished") return finished();
  if (pausing) return paused();
  if (state.what === "rest") return rest();
  if (state.what === "tones") return tones();
  return tried(listen);
}

async function listen() {
  const mine = ++round;
  const pad = byId("pad");
  const presses = [];
  let playing = null;
  pad.dataset.pressed = "false";
  pad.dataset.quiet = "true";
  byId("pad-text").textContent = "Listen";
  byId("pausing").textContent = "P: pause after this sound";
  const press = (event) => {
    if (!playing) return;
    presses.push(playing.heardAt(event.timeStamp));
    pad.dataset.pressed = "true";
    byId("pad-text").textContent = "Pressed";
  };
  pad.onclick = (event) => { if (event.detail > 0) press(event); }; // a key's click is told by the key itself
  show("listen", { " ": press, p: () => { pausing = true; byId("pausing").textContent = "Pause comes after this sound"; } });
  const buffer = await load(`/l/${who()}/${state.step}.wav`);
  await wait(state.gap_s);
  if (mine !== round) return;
  playing = play(buffer);
  pad.dataset.quiet = "false";
  document.body.dataset.playing = state.step;
  await playing.ended;
  await wait(state.after_s);
  if (mine !== round) return;
  const wasPractice = state.practice;
  const answer = { step: state.step, presses_s: presses };
  await tried(async () => {
    const given = await post(`/l/${who()}/answer`, answer);
    take(given);
    if (wasPractice) told(given.told, presses.length);
    else next();
  });
}

/** What the practice says of an answer. */
function told(given, presses) {
  const title = given.found ? "Right: that was the call." : given.call ? "There was a call in it." : given.false ? "There was no call in it." : "Right: there was no call in it.";
  const more = given.found && given.false ? "One of your presses was not for the call: press once, when you are sure." :
    given.call && !given.found ? (presses ? "You pressed before it began, or long after it." : "You did not press.") : "";
  byId("h-told").textContent = title;
  document.querySelector('[data-show="told"] .more').textContent = more;
  const on = state.practice ? next : () => (state.screen === "finished" ? finished() : getReady("Now it counts", "The practice is over. From now on nobody says whether you were right."));
  byId("told-go").onclick = on;
  show("told", { Enter: on });
}

function tones() {
  const buttons = [...document.querySelectorAll("[data-count]")];
  const start = () => tried(async () => {
    const playing = play(await load(`/l/${who()}/${state.step}.wav`));
    await playing.ended;
    for (const button of buttons) button.disabled = false;
  });
  const give = (count) => tried(async () => {
    if (buttons[0].disabled) return;
    take(await post(`/l/${who()}/answer`, { step: state.step, count }));
    next();
  });
  for (const button of buttons) {
    button.disabled = true;
    button.onclick = () => give(Number(button.dataset.count));
  }
  byId("tones-play").onclick = start;
  show("tones", { " ": start, ...Object.fromEntries(buttons.map((b) => [b.dataset.count, () => give(Number(b.dataset.count))])) });
  byId("tones-play").focus();
}

function rest() {
  const on = () => tried(async () => { take(await post(`/l/${who()}/answer`, { step: state.step })); next(); });
  byId("rested").onclick = on;
  show("rest", { Enter: on });
}

function paused() {
  const on = () => { pausing = false; next(); };
  byId("resume").onclick = on;
  show("paused", { Enter: on });
}

function finished() {
  const line = byId("srt");
  line.hidden = !state.srt_db;
  if (state.srt_db) {
    const { srt_db: srt, low_db: low, high_db: high } = state.srt_db;
    line.textContent = `You heard half of the calls at ${srt.toFixed(1)} dB (95 % interval ${low.toFixed(1)} to ${high.toFixed(1)}). That is about these calls in this noise, today, with these headphones, and about nothing else.`;
  }
  show("finished", {});
}

addEventListener("keydown", (event) => {
  if (event.repeat || event.ctrlKey || event.altKey || event.metaKey || event.target.matches("input:not([type=range])")) return;
  if (event.target.matches("input[type=range]") && event.key.startsWith("Arrow")) return; // the slider's own
  const doing = keys[event.key] ?? keys[event.key.toLowerCase()];
  // A button in focus that is not the screen's own answers to Enter and Space by itself.
  const own = event.target.matches("button.big, #pad, #sound, #tones-play, body") || !event.target.matches("button, a, summary");
  if (!doing || (!own && (event.key === "Enter" || event.key === " "))) return;
  event.preventDefault();
  doing(event);
});
addEventListener("keyup", (event) => { if (event.key === " " && event.target.matches("#pad, #sound, #tones-play, .big")) event.preventDefault(); });
byId("again").addEventListener("submit", (event) => {
  event.preventDefault();
  const given = new FormData(event.target).get("listener").trim().toLowerCase();
  goOn(given).catch((error) => trouble(error.message, front));
});

if (who()) tried(() => goOn(who()));
else front();
