// Sends what the phone keeps: that a visit has begun, and its report. One page sends at a time; the id is the same on every
// try, so what was recorded and not answered counts once.

import { all, amend, get, isBegun, remove } from "./keep.js";
import { keyless } from "./walk.js";

const FIRST_MS = 2000;
const LONGEST_MS = 60000;
const PATIENCE_MS = 30000;

let wait = FIRST_MS;
let timer = null;
let changed = () => {};

/** Sends now, and again when there is hope. `heard` is called whenever something became of it. */
export function keepSending(heard) {
  changed = heard;
  addEventListener("online", soon);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && soon());
  soon();
}

/** Sends at once. */
export function soon() {
  wait = FIRST_MS;
  return turn();
}

/** Runs alone, of all pages of this phone, as far as its browser can tell. */
export function alone(what) {
  return navigator.locks ? navigator.locks.request("stationkeep-send", what) : what();
}

async function turn() {
  clearTimeout(timer);
  let isDone = false;
  try {
    isDone = await alone(sendAll);
  } catch {
    // The next try finds out.
  }
  // Another page may have sent it.
  changed();
  if (!isDone) {
    clearTimeout(timer);
    timer = setTimeout(turn, wait);
    wait = Math.min(wait * 2, LONGEST_MS);
  }
}

/** Whether nothing is left to send. */
async function sendAll() {
  let isDone = true;
  for (const visit of await all("visits")) {
    if (visit.sent || visit.rejected) continue;
    const isSent = visit.report ? await sendReport(visit) : await sendVisit(visit);
    isDone &&= isSent;
  }
  return isDone;
}

async function sendVisit(visit) {
  if (visit.announced || !visit.keys) return true;
  const { id, script, station, by, begun } = visit;
  const answer = await post(visit, "visits", { begun: 1, id, script, station, at: begun, by });
  if (!answer) return false;
  // Where it was turned away the report still counts, and says why.
  await amend("visits", id, { announced: true });
  changed();
  return true;
}

async function sendReport(visit) {
  const answer = await post(visit, "reports", visit.report);
  if (!answer) return false;
  const { status, body } = answer;
  if (status === 200 || status === 201) {
    const { consequences = [], missing = [], no_effect: hasNoEffect = false } = body;
    const sent = { at: new Date().toISOString(), consequences, missing, hasNoEffect };
    // What a correction needs outlives the card, which holds a code.
    const card = await get("cards", visit.key).catch(() => null);
    await amend("visits", visit.id, card ? { sent, visit: keyless(card.data.visit) } : { sent });
    if (!(await isBegun(visit.key))) await remove("cards", visit.key);
  } else {
    const reasons = body.reasons ?? [body.detail ?? body.title ?? `The answer was ${status}.`];
    await amend("visits", visit.id, { rejected: { status, reasons } });
  }
  changed();
  return true;
}

/** The answer; nothing where another try may help. */
async function post(visit, what, body) {
  const stop = new AbortController();
  const late = setTimeout(() => stop.abort(), PATIENCE_MS);
  try {
    const answer = await fetch(`${visit.api}${what}${visit.query}`, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
      signal: stop.signal,
    });
    if (answer.status >= 500 || answer.status === 429 || answer.status === 401) return null;
    return { status: answer.status, body: await answer.json() };
  } catch {
    return null;
  } finally {
    clearTimeout(late);
  }
}
