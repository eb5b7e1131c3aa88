// What taps come to: the screen they lead to, and the report they tell. It knows no rule of keying: every screen and where
// each answer leads comes with the card. It touches neither the page nor the phone.

/** The test calls that may be asked for; those of a wrong key come last. */
export const asked = ({ tests }, hasSlipped) => tests.filter((one) => hasSlipped || !one.after_slip);

/** Follows taps, each `{screen, word, at}` and perhaps who else answered, from the first screen. A tap that does not belong where it stands ends the walk. */
export function walk(visit, taps, hasSlipped = false) {
  let at = 0;
  let used = 0;
  let last = null;
  const openings = [];
  const steps = new Map();
  const tests = new Map();
  const found = {};
  const notes = [];
  // No test call is to be made of what was not stored.
  const isMoot = (screen) => {
    if (screen.shows !== "test") return false;
    const { steps: needed, after_slip: afterSlip } = visit.tests[screen.test];
    return (afterSlip && !hasSlipped) || needed.some((step) => steps.get(step) !== "accepted");
  };
  const past = (place) => {
    let next = place;
    while (isMoot(visit.screens[next])) next = visit.screens[next].answers.find((one) => one.word === "later").to;
    return next;
  };
  for (const tap of taps) {
    const screen = visit.screens[at];
    const answer = screen.answers.find((one) => one.word === tap.word);
    if (screen.id !== tap.screen || !answer) break;
    const tells = answer.tells ?? {};
    if (tells.opening) openings.push(tells.opening);
    if (tells.step) {
      // In the order of the last word on each.
      steps.delete(tells.step.step);
      steps.set(tells.step.step, tells.step.heard);
    }
    if (tells.test) tests.set(tells.test.test, { outcome: tells.test.outcome, other: tap.contact ?? null });
    if (tells.found) Object.assign(found, tells.found);
    if (tells.heard) {
      if (/^[0-9]{1,24}$/.test(tap.says)) found[tells.heard] = tap.says;
      else notes.push(`Another station answered: it says "${tap.says}".`);
    }
    if (tells.note) notes.push(tells.note);
    if (answer.tells) last = tap.at;
    at = past(answer.to);
    used += 1;
  }
  return { at, screen: visit.screens[at], used, last, openings, steps, tests, found, notes };
}

/** The report of a kept visit, in the form that the API takes. */
export function report(visit, kept) {
  const walked = walk(visit, kept.taps, kept.hasSlipped);
  const heard = ([step, word]) => ({ step, heard: word });
  const test = ([nth, { outcome, other }]) => {
    const { lifeline, contact: wanted } = visit.tests[nth];
    const contact = other ?? wanted;
    return outcome === "reached" && contact ? { lifeline, outcome, contact } : { lifeline, outcome };
  };
  const told = kept.pointTold ? [`Answering point told at ${clock(kept.pointTold)} UTC.`] : [];
  const slipped = kept.hasSlipped ? ["A wrong key was accepted."] : [];
  const note = [...told, ...slipped, ...walked.notes, kept.note.trim()].filter((text) => text !== "").join(" ");
  // A correction counts only if it is later than what it corrects, though what is told last may have been told before.
  const at = walked.last ?? kept.begun;
  const isLate = kept.after && at <= kept.after;
  const whole = {
    report: 1,
    id: kept.id,
    station: visit.station,
    at: isLate ? second(Date.parse(kept.after) + 1000) : at,
    by: kept.by,
    script: visit.script,
    openings: walked.openings,
    steps: [...walked.steps].map(heard),
    tests: [...walked.tests].map(test),
  };
  if (Object.keys(walked.found).length > 0) whole.found = walked.found;
  for (const list of ["openings", "steps", "tests"]) if (whole[list].length === 0) delete whole[list];
  if (kept.corrects) whole.corrects = kept.corrects;
  if (note !== "") whole.note = note;
  return whole;
}

/** A visit without its keys and without what may name a code: enough to see what was sent, and to correct it. */
export function keyless(visit) {
  const without = (keys) => ({ ...keys, groups: [], pressed: null });
  return {
    ...visit,
    lead: [],
    cautions: [],
    notes: [],
    openings: visit.openings.map(without),
    steps: visit.steps.map(without),
    calls: visit.calls.map((call) => ({ ...call, close: call.close && without(call.close) })),
  };
}

/** So long after it was sent a report is corrected from its link: so long the link may file. */
export const CORRECTED_MS = 7 * 24 * 3600 * 1000;

/** A time as RFC 3339 in whole seconds. */
export function second(ms) {
  return new Date(ms).toISOString().replace(/\.\d+Z$/, "Z");
}

/** Hours and minutes of an RFC 3339 time in UTC. */
export function clock(text) {
  return text.slice(11, 16);
}

/** An id by RFC 9562, version 7: a time in milliseconds, then chance. */
export function newId(ms) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  for (let nth = 5, rest = Math.floor(ms); nth >= 0; nth -= 1, rest = Math.floor(rest / 256)) bytes[nth] = rest % 256;
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}
