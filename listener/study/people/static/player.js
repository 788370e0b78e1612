// Sounds through the sound card's own clock: a press is timed in seconds of the sound that was heard.

let context = null;

/** The context; made by a key or a click, or the browser keeps it silent. */
function ready() {
  context ??= new AudioContext();
  if (context.state === "suspended") context.resume();
  return context;
}

/** Fetches and decodes. Throws an Error with the server's line when there is no such sound. */
export async function load(address) {
  const here = ready();
  const answer = await fetch(address, { cache: "no-store" });
  if (!answer.ok) throw new Error((await answer.text()).trim());
  return here.decodeAudioData(await answer.arrayBuffer());
}

/** The position in a sound that began at startS (context time) which was heard at the event's time. */
function heardAt(startS, eventMs) {
  const out = context.getOutputTimestamp?.();
  const known = out && out.performanceTime > 0;
  const atS = known ? out.contextTime + (eventMs - out.performanceTime) / 1000
    : context.currentTime - (context.outputLatency || 0) - (performance.now() - eventMs) / 1000;
  return Math.max(0, atS - startS);
}

/** Plays once, as loud as it is: {heardAt(eventMs), ended, stop()}. */
export function play(buffer) {
  const here = ready();
  const source = new AudioBufferSourceNode(here, { buffer });
  source.connect(here.destination);
  const startS = here.currentTime + 0.05;
  const ended = new Promise((done) => { source.onended = done; });
  source.start(startS);
  return { heardAt: (eventMs) => heardAt(startS, eventMs), ended, stop: () => source.stop() };
}

/** Plays over and over, softer by a gain that is at most 1: {set(gainDb), stop()}. */
export function loop(buffer, gainDb) {
  const here = ready();
  const source = new AudioBufferSourceNode(here, { buffer, loop: true });
  const gain = new GainNode(here, { gain: 0 });
  source.connect(gain).connect(here.destination);
  const set = (db) => gain.gain.setTargetAtTime(Math.min(1, 10 ** (db / 20)), here.currentTime, 0.05);
  set(gainDb);
  source.start();
  return { set, stop: () => source.stop() };
}
