// What taps come to: the screen they lead to, and the report they tell. It knows no rule of keying: every screen and where
// each answer leads comes with the card. It touches neither the page nor the phone.

/** Follows taps, each `{screen, word, at}` and perhaps who else answered, from the first screen. A tap that does not belong where it stands ends the walk. */
export function walk(visit, taps) {
  let at = 0;
  let used = 0;
  let last = null;
  const openings = [];
  const steps = new Map();
  const tests = new Map();
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
    if (answer.tells) last = tap.at;
    at = answer.to;
    used += 1;
  }
  return { at, screen: visit.screens[at], used, last, openings, steps, tests };
}

/** The report of a kept visit, in the form that the API takes. */
export function report(visit, kept) {
  const walked = walk(visit, kept.taps);
  const heard = ([step, word]) => ({ step, heard: word });
  const test = ([nth, { outcome, other }]) => {
    const { lifeline, contact: wanted } = visit.tests[nth];
    const contact = other ?? wanted;
    return outcome === "reached" && contact ? { lifeline, outcome, contact } : { lifeline, outcome };
  };
  const told = kept.pointTold ? [`Answering point told at ${clock(kept.pointTold)} UTC.`] : [];
  const note = [...told, kept.note.trim()].filter((text) => text !== "").join(" ");
  const whole = {
    report: 1,
    id: kept.id,
    station: visit.station,
    at: walked.last ?? kept.begun,
    by: kept.by,
    script: visit.script,
    openings: walked.openings,
    steps: [...walked.steps].map(heard),
    tests: [...walked.tests].map(test),
  };
  for (const list of ["openings", "steps", "tests"]) if (whole[list].length === 0) delete whole[list];
  if (kept.corrects) whole.corrects = kept.corrects;
  if (note !== "") whole.note = note;
  return whole;
}

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
