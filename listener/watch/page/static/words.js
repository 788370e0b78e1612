// How times, spans and confidence are told.

const two = (n) => String(n).padStart(2, "0");

/** Local time of a unix time in seconds: "14:03:21". */
export function localTime(unixS) {
  const d = new Date(unixS * 1000);
  return `${two(d.getHours())}:${two(d.getMinutes())}:${two(d.getSeconds())}`;
}

/** UTC of a unix time in seconds: "13:03:21". */
export const utcTime = (unixS) => new Date(unixS * 1000).toISOString().slice(11, 19);

/** A span: "8 s", "3 min 20 s", "2 h 5 min". */
export function span(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  if (s < 100) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min ${s % 60} s`;
  return `${Math.floor(s / 3600)} h ${Math.floor((s % 3600) / 60)} min`;
}

/** A probability in words, by the likelihood scale of the IPCC's guidance note on uncertainty (2010; from memory). */
export function likely(p) {
  if (p >= 0.9) return "very likely";
  if (p >= 0.66) return "likely";
  if (p >= 0.33) return "about as likely as not";
  return "unlikely";
}

/** A confidence as per cent, 1 to 99, rounded half to even: as confidence_text in tell/console.py says it. */
export function percent(p) {
  const share = Math.min(Math.max(p, 0.01), 0.99) * 100;
  const whole = Math.round(share);
  return `${share % 1 === 0.5 && whole % 2 ? whole - 1 : whole}%`;
}

/** How often talk alone makes such a call, or nothing where that is not known: as chance_text in events.py says it. */
export function chance(perHour) {
  if (perHour === null || perHour === undefined) return "";
  if (perHour <= 1 / 40) return "talk alone: less than once in 40 h";
  if (perHour > 1.5) return `talk alone: ${Math.round(perHour)} times in an hour`;
  return `talk alone: once in ${(1 / perHour).toFixed(perHour > 0.5 ? 1 : 0)} h`;
}

/** Position and caller of a call, those that are listened for and known: as around_text in events.py says it. */
export function around(known) {
  const said = ([what, answer]) => `${what} ${answer.name === null ? answer.verdict : `${answer.name} (${percent(answer.confidence)})`}`;
  return [["position", known.position], ["caller", known.caller]].filter(([, answer]) => answer).map(said).join("; ");
}

/** An element with class, text and children. */
export function make(tag, given = {}, ...children) {
  const { class: name, text, data, ...rest } = given;
  const element = document.createElement(tag);
  if (name) element.className = name;
  if (text !== undefined) element.textContent = text;
  Object.assign(element.dataset, data);
  for (const [key, value] of Object.entries(rest)) {
    if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null) element.setAttribute(key, value);
  }
  element.append(...children);
  return element;
}

/** Sets the text only if it is another one: what does not change does not flicker, nor is it read out again. */
export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
