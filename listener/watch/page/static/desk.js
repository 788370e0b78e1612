// What a person does: names, keys, posts. A post that fails is told as loudly as it deserves.

const who = document.getElementById("who");
try { who.value = localStorage.getItem("who") ?? ""; } catch { /* a private window */ }
who.addEventListener("change", () => { try { localStorage.setItem("who", who.value.trim()); } catch { /* same */ } });

/** Posts one action; gives whether it is in the journal. failed(line) is called if not. */
export async function send(what, body, failed) {
  try {
    const answer = await fetch(`/do/${what}`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ ...body, who: who.value.trim() }),
      signal: AbortSignal.timeout(5000),
    });
    if (answer.ok) return true;
    const told = await answer.json().catch(() => ({ error: `status ${answer.status}` }));
    failed(`Not recorded: ${told.error}`);
  } catch {
    failed("Not recorded: the listener does not answer");
  }
  return false;
}

/** Keys that work anywhere but in a field: {"a": function}. */
export function onKeys(keys) {
  addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (event.target instanceof Element && event.target.closest("input:not([type=checkbox]), textarea, select")) return;
    const work = keys[event.key.toLowerCase()];
    if (work) { event.preventDefault(); work(); }
  });
}

/** Plays the clip of an alert; failed(line) if there is none. */
export function play(alertId, failed) {
  const player = document.getElementById("player");
  player.src = `/clips/${alertId}`;
  player.play().catch(() => failed("No clip yet: it is written some seconds after the call"));
}
