// The page of a visit: one screen at a time, made from the card's data and the taps that the phone keeps. What each answer
// leads to came with the card (walk.js follows it); this file shows, listens and keeps.

import { all, amendWhere, get, isBegun, put, remove } from "./keep.js";
import { alone, keepSending, soon } from "./send.js";
import { button, draw, h, icon, keyBoxes } from "./parts.js";
import { canSpeak, play, say, words } from "./sound.js";
import { Clocks } from "./clocks.js";
import { finished } from "./finished.js";
import { CORRECTED_MS, asked, clock, newId, report, second, walk } from "./walk.js";

const data = JSON.parse(document.getElementById("data").textContent);
const policy = data.policy;
const root = document.getElementById("visit");

/** Everything that a screen is made from. */
const now = {
  visit: data.visit,
  // By the name in the address, which may be one that the station had before: the worker knows no other.
  key: `${data.visit.script} ${new URLSearchParams(location.search).get("station")}`,
  offset: 0,
  isBusy: false,
  isHeld: false,
  shown: "",
  kept: null,
  others: 0,
  by: "",
  isTimed: true,
  isKept: true,
  isBack: false,
  isElsewhere: false,
  isAlone: false,
  past: null,
  warning: null,
  over: null,
  pointTold: null,
  sound: "",
};

const clocks = new Clocks(now);

const time = () => Date.now() + now.offset;

/** Before the first key nothing is lost with the page; afterwards everything is kept first. */
async function begin() {
  await follow();
  if (now.kept) return;
  const at = time();
  now.kept = {
    id: newId(at),
    key: now.key,
    script: now.visit.script,
    station: now.visit.station,
    place: now.visit.place,
    by: now.by,
    api: new URL("../api/v1/", location.href).href,
    // A signed link opens the API for its card.
    query: new URLSearchParams(location.search).has("sig") ? location.search : "",
    begun: second(at),
    // Whether keys are shown: that begins the visit.
    keys: now.visit.screens[0].shows === "open",
    announced: false,
    taps: [],
    note: "",
    pointTold: now.pointTold,
    corrects: null,
    report: null,
    sent: null,
    rejected: null,
  };
  await keepCard();
  await keep(() => put("visits", now.kept));
  await keep(() => put("asked", { name: "by", value: now.by }));
  soon();
}

/** Writes, and remembers whether the phone has kept it. */
async function keep(writing) {
  try {
    await writing();
    now.isKept = true;
  } catch {
    now.isKept = false;
  }
}

/** What was tapped and whether the report is ready: where it differs, another page of this phone has gone on. */
const trail = ({ taps, report }) => JSON.stringify([taps, report]);

/** Keeps fields of the visit, and says whether it did: where another page has gone on with it, that is followed instead. */
async function save(fields) {
  const before = trail(now.kept);
  const whole = { ...now.kept, ...fields };
  let stored = whole;
  await keep(async () => {
    stored = await amendWhere("visits", whole.id, (row) => trail(row) === before, fields, whole);
  });
  now.kept = stored;
  now.isElsewhere = trail(stored) !== trail(whole);
  return !now.isElsewhere;
}

/** What another page of this phone has tapped meanwhile. */
async function follow() {
  const visits = await all("visits").catch(() => []);
  const stored = now.kept ? visits.find((one) => one.id === now.kept.id) : newest(visits);
  if (!stored || (now.kept && trail(stored) === trail(now.kept))) return;
  now.kept = stored;
  now.isElsewhere = true;
  show();
}

/** The visit of this card that is not over, of those that the phone keeps. */
const newest = (visits, isSent = false) =>
  visits.filter((one) => one.key === now.key && !!one.sent === isSent).sort((one, other) => (one.id < other.id ? 1 : -1))[0] ?? null;

/** The card as it came, for when there is no network. */
async function keepCard() {
  await keep(() => put("cards", now.card));
}

/** One tap at a time: whatever a shaking hand taps beside it is none. */
async function tap(word, beside = {}) {
  if (now.isBusy) return;
  now.isBusy = true;
  try {
    const { taps } = now.kept;
    const { screen, used } = walk(now.visit, taps, now.kept.hasSlipped);
    clocks.tapped(screen, word);
    now.isBack = false;
    if (now.sound === "asked") now.sound = "";
    const at = latest(second(time()), now.kept.begun, ...taps.map((one) => one.at));
    const fields = { taps: [...taps.slice(0, used), { screen: screen.id, word, at, ...beside }] };
    if (screen.shows === "which" && word === "yes") Object.assign(fields, { keys: true, begun: at });
    if ((await save(fields)) && fields.keys) soon();
  } finally {
    now.isBusy = false;
  }
  stayAwake();
  show();
}

/** The clock of a server may be set back; what was tapped later is later all the same. */
const latest = (...times) => times.reduce((one, other) => (one > other ? one : other));

async function undo() {
  await save({ taps: now.kept.taps.slice(0, -1) });
  clocks.undone();
  show();
}

/** The report goes out as it is; from then on it is sent until it is answered. */
async function finish(note) {
  if (await save({ note })) await save({ report: report(now.visit, now.kept), rejected: null });
  show();
  soon();
}

/** Back to the last answer, where the report is not sent yet. */
async function reopen() {
  await alone(async () => {
    const stored = (await all("visits").catch(() => [])).find((one) => one.id === now.kept.id);
    if (stored?.sent) now.kept = stored;
    else await save({ report: null, rejected: null });
  });
  show();
}

/** A new report in the place of one that was sent. */
async function correct() {
  const at = time();
  const old = now.kept;
  now.kept = { ...old, id: newId(at), corrects: old.corrects ?? old.id, after: old.report.at, report: null, sent: null, rejected: null, announced: true };
  await keepCard();
  await keep(() => put("visits", now.kept));
  show();
}

async function stayAwake() {
  try {
    now.lock = await navigator.wakeLock?.request("screen");
  } catch {
    // A phone that saves its battery may say no.
  }
}

/** What the sender has found out. */
async function heard() {
  const visits = await all("visits").catch(() => []);
  const mine = now.kept && visits.find((one) => one.id === now.kept.id);
  const isNews = mine?.announced && !now.kept.announced;
  if (mine) Object.assign(now.kept, { announced: mine.announced, sent: mine.sent, rejected: mine.rejected });
  // Only now can it be told whether something else is wanted.
  if (isNews) ask();
  now.others = visits.filter((one) => one.id !== now.kept?.id && one.report && !one.sent).length;
  refresh();
}

/** Asks whether the card is still the one to key. */
async function ask() {
  try {
    const answer = await fetch(location.href, { headers: { accept: "application/json" }, cache: "no-store" });
    if (!answer.headers.get("content-type")?.startsWith("application/json")) return;
    const said = await answer.json();
    if (said.now) now.offset = Date.parse(said.now) - Date.now();
    // A correction keys nothing.
    const isUnder = now.kept && !now.kept.sent && !now.kept.corrects;
    now.warning = said.state !== "good" && isUnder && !now.kept.report ? said.begun : null;
    if (said.state === "over" && !now.kept) {
      now.over = said;
      if (!(await isBegun(now.key))) await remove("cards", now.key);
    }
    refresh();
  } catch {
    // No network: the card is good until it expires.
  }
}

/** What a screen shows beside the taps. Where it is the same, nothing is drawn again under a finger. */
const beside = () => JSON.stringify([now.kept?.sent, now.kept?.rejected, now.others, now.warning, now.over]);

/** Not under a finger: what it is on would be gone before it lets go. */
function refresh() {
  if (now.isHeld) setTimeout(refresh, HELD_MS);
  else if (beside() !== now.shown) show();
}

const HELD_MS = 300;
addEventListener("pointerdown", () => (now.isHeld = true));
for (const over of ["pointerup", "pointercancel"]) addEventListener(over, () => setTimeout(() => (now.isHeld = false), HELD_MS));

function show() {
  clocks.stop();
  now.shown = beside();
  const { kept } = now;
  const named = (name, inside) => {
    root.dataset.screen = name;
    draw(root, inside);
  };
  if (now.over) return named("over", over());
  if (!kept) return named("before", before());
  if (kept.report) {
    const name = kept.sent ? "sent" : kept.rejected ? "rejected" : "ready";
    return named(name, finished(now, { reopen, correct, retry, forget, next: data.next }));
  }
  const walked = walk(now.visit, kept.taps, kept.hasSlipped);
  const { id, shows } = walked.screen;
  const screens = { which, says, open, step, dropped, end, stop, test, who, finish: last };
  named(id, screens[shows](walked));
}

/** A report that was rejected, once more. */
async function retry() {
  await save({ rejected: null });
  show();
  soon();
}

/** A report that was rejected is on record with its reasons: the phone need not keep it. */
async function forget() {
  await remove("visits", now.kept.id).catch(() => {});
  await remove("cards", now.key).catch(() => {});
  location.reload();
}

function over() {
  return [
    now.visit.rehearsal ? h("p", { class: "mind" }, now.visit.rehearsal) : null,
    h("h1", {}, now.over.title),
    h("p", { class: "mind" }, now.over.text),
    h("p", {}, h("a", { href: location.href }, "Load the page again")),
  ];
}

const warned = (text) => h("p", text.startsWith("WARNING") ? { class: "mind" } : {}, text);

/** What is always at the top: where one is, and whether what was tapped is safe. */
function top(title) {
  const { kept } = now;
  const { rehearsal } = now.visit;
  // Beside that word there is no room for more.
  const safe = rehearsal ? "Kept" : "Kept on this phone";
  const state = !kept ? "" : now.isKept ? safe : "NOT KEPT: write it down";
  return [
    h(
      "header",
      {},
      h("strong", {}, rehearsal ? h("small", {}, "REHEARSAL: ") : null, now.visit.station),
      h("h1", {}, title),
      h("span", { class: now.isKept ? "state" : "mind", role: "status" }, state),
    ),
    unsent(),
    outdated(),
    now.isElsewhere ? h("p", { class: "lead" }, "Another page of this phone went on with this visit. This is how far it is.") : null,
    now.isBack && !now.isElsewhere ? h("p", { class: "lead" }, "You are back. If you keyed this and do not know what came, tap \"Nothing\".") : null,
  ];
}

/** In short at a step, which has no room; whole where there is. */
function outdated() {
  if (!now.warning) return null;
  const isStep = root.dataset.screen.startsWith("step");
  const whole = h("p", { class: "mind" }, now.warning);
  return isStep ? h("details", {}, h("summary", { class: "mind" }, "WARNING: something else is wanted now"), whole) : whole;
}

function unsent() {
  const { others } = now;
  return others ? h("p", { class: "mind" }, `${others} other report${others > 1 ? "s" : ""} not sent yet.`) : null;
}

/** The last tap undone, the keys as sound, and what is needed seldom. */
function bottom(walked, sounded = null) {
  const { kept } = now;
  const leave = walked.screen.answers.find((one) => one.word === "leave");
  const items = [
    leave ? button("Stop here", () => tap("leave"), "plain") : null,
    slip(walked.screen),
    button(now.isTimed ? "Switch the clocks off" : "Switch the clocks on", timed, "plain"),
    now.visit.cautions.length ? [h("h2", {}, "Before, during, after"), cautions()] : null,
  ];
  const more = h("details", { class: "more" }, h("summary", {}, "More"), items);
  more.addEventListener("toggle", () => more.open && more.scrollIntoView());
  const back = kept.taps.length > 0 ? button("Undo", undo, "small", icon("undo")) : null;
  return h("nav", {}, back, sounded ? sounds(sounded) : null, more);
}

/** A wrong key that the station accepted may have changed buttons that the card does not touch. */
function slip({ shows }) {
  if (shows !== "step" || now.visit.tests.every((one) => !one.after_slip)) return null;
  if (now.kept.hasSlipped) return h("p", {}, "Every button that a wrong key may have changed is tested at the end. Write what you keyed into the note.");
  return button("I keyed something else, and it was accepted", () => slipped(), "plain");
}

async function slipped() {
  await save({ hasSlipped: true });
  show();
}

function timed() {
  now.isTimed = !now.isTimed;
  keep(() => put("asked", { name: "timed", value: now.isTimed }));
  show();
}

function cautions() {
  const { visit } = now;
  const notes = visit.notes.map((note) => `NOTE: ${note}`);
  return h("ul", {}, [...visit.cautions, ...notes].map((text) => h("li", {}, text)));
}

const ring = () => h("a", { class: "ring", href: `tel:${now.visit.number}` }, `Ring ${now.visit.number_read}`);

function before() {
  const { visit } = now;
  const by = h("input", { id: "by", autocomplete: "nickname", value: now.by, maxlength: "60" });
  const told = h("input", { id: "told", type: "checkbox" });
  by.addEventListener("input", () => (now.by = by.value));
  told.checked = now.pointTold !== null;
  told.addEventListener("change", () => (now.pointTold = told.checked ? second(time()) : null));
  const missing = h("p", { class: "mind", role: "alert", hidden: "" }, "Give your name first. The report needs it.");
  const go = async () => {
    now.by = by.value.trim();
    missing.hidden = now.by !== "";
    if (now.by === "") return by.focus();
    if (time() > now.card.until) {
      now.over = { title: "This card has expired", text: "It was not begun, so it is not good any longer." };
      await remove("cards", now.key).catch(() => {});
      return show();
    }
    await begin();
    stayAwake();
    show();
  };
  const isKeyed = visit.steps.length > 0;
  // One tap further where somebody else may be keying; whoever began it goes on without it, on the phone that knows.
  const alone = () => {
    now.isAlone = true;
    show();
  };
  const isGated = visit.begun !== null && !now.isAlone;
  const first = visit.screens[0].shows === "which" ? "Begin" : isKeyed ? "Show the first keys" : "Begin the test calls";
  return [
    visit.rehearsal ? h("p", { class: "mind" }, visit.rehearsal) : null,
    h("h1", {}, visit.station),
    visit.place ? h("p", { class: "where" }, visit.place) : null,
    visit.back ? h("p", { class: "mind" }, `THE WAY BACK: ${visit.back}`) : null,
    visit.lead.map(warned),
    data.way_back ? h("p", {}, h("a", { class: "ring", href: data.way_back }, "The way back: to what last worked")) : null,
    unsent(),
    h("p", {}, `Its number: ${visit.number_read}.`),
    visit.who.length ? h("p", {}, `Who must answer: ${visit.who.join("; ")}.`) : null,
    unsafe(),
    h("label", { for: "told" }, told, h("span", {}, "I told the answering point")),
    h("p", { class: "asked" }, h("label", { for: "by" }, "Your name"), by),
    missing,
    now.past ? earlier(now.past) : null,
    h("div", { class: "answers one" }, isGated ? button("No one else is keying there: go on", alone, "go") : button(first, go, "go")),
    h("details", {}, h("summary", {}, "Read before you ring"), cautions()),
    h("details", {}, h("summary", {}, "The whole card, to print"), h("p", {}, "Print this page: the paper has the whole card, its codes too.")),
  ];
}

/** What this phone has sent of the same card can still be put right. */
function earlier(past) {
  const see = () => {
    now.kept = past;
    show();
  };
  return [
    h("p", { class: "lead" }, `This phone sent a report of this card at ${clock(past.sent.at)} UTC.`),
    h("div", { class: "answers one" }, button("See it, or correct it", see, "plain")),
  ];
}

/** Where the address keeps the phone from helping. */
function unsafe() {
  if (window.isSecureContext) return null;
  const text =
    "WARNING: this address is not secure (http). Without a network this page cannot be opened again, and the screen may go dark. Keep it open until the report is sent.";
  return h("p", { class: "mind" }, text);
}

function which() {
  return [
    top("Which station is it?"),
    now.visit.lead.filter((text) => text.includes("is it this station")).map(warned),
    ring(),
    answers(["yes", "This station answers", "yes"], ["no", "Another, or I cannot tell", "no"]),
  ];
}

/** What the station that answers says of itself, of which it is not known that it is the one. */
function says(walked) {
  const field = h("input", { id: "says", type: "text", inputmode: "numeric", maxlength: "60", autocomplete: "off" });
  const missing = h("p", { class: "mind", role: "alert", hidden: "" }, "Write what it says first.");
  const named = () => {
    const text = field.value.trim();
    missing.hidden = text !== "";
    return text === "" ? field.focus() : tap("named", { says: text });
  };
  return [
    top("Which station is it?"),
    h("p", { class: "lead" }, "Hang up, and key nothing."),
    h("label", { for: "says", class: "above" }, "What does it say?"),
    field,
    missing,
    h(
      "div",
      { class: "answers" },
      button("It says this", named, "answer yes", icon("yes")),
      button("I cannot tell", () => tap("later"), "answer no", icon("no"), h("small", {}, "nothing, or not heard")),
    ),
    bottom(walked),
  ];
}

function open(walked) {
  const { visit } = now;
  const { call, opening } = walked.screen;
  const { title, tight } = visit.calls[call];
  const { says, is_bare: isBare } = walked.screen;
  return [
    top(title),
    says.map((text) => h("p", { class: isBare ? "mind" : "lead" }, text)),
    says.length ? null : tight ? warned(tight) : null,
    ring(),
    h("p", {}, visit.answers),
    h("h2", {}, "Then key"),
    keys(visit.openings[opening]),
    answers(
      ["accepted", "Accepted", "yes", visit.accepted],
      ["refused", "Refused", "no", visit.refused],
      ["nothing", "Nothing, or no answer", "none", "no beep, or the line drops"],
    ),
    bottom(walked, visit.openings[opening]),
  ];
}

function step(walked) {
  const { visit } = now;
  const { step: number } = walked.screen;
  const one = visit.steps[number - 1];
  const { says } = walked.screen;
  // On the second try there is no more to say than that.
  const isFirst = !/^step\d+[rn]/.test(walked.screen.id);
  const since = one.since ? ` since step ${one.since}` : "";
  const bare = one.bare && [one.bare.replace(" while you key this", `${since} while you key this`), one.stay ? ` ${capital(one.stay)}.` : ""];
  const mind = [bare, isFirst && one.warns ? [bare ? " " : "", one.warns] : null].flat(2).filter((text) => text);
  return [
    top(`Step ${number} of ${visit.steps.length}`),
    says.map((text) => h("p", { class: "lead" }, text)),
    mind.length ? h("p", { class: "mind" }, mind) : null,
    keys(one),
    says.length === 0 ? h("p", { class: "what" }, one.what, one.note ? ` ${capital(one.note)}.` : "") : null,
    clocks.shown(),
    answers(
      ["accepted", "Accepted", "yes", visit.accepted],
      ["refused", "Refused", "no", visit.refused],
      ["nothing", "Nothing", "none", "no beep"],
      ["dropped", "Line dropped", "drop", "dead, or hung up"],
    ),
    bottom(walked, one),
  ];
}

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** Letters are said first: an ordinary phone lacks them. Of a card that is finished the phone keeps no keys. */
function keys({ groups }) {
  if (groups.length === 0) return h("p", {}, "Its keys are not kept any longer. Tap what you heard then.");
  const letters = [...new Set(groups.filter(({ is }) => is === "letter").map(({ text }) => text))];
  return [
    letters.length ? h("p", { class: "letters" }, `Letter ${letters.length > 1 ? "keys" : "key"}: ${letters.join(", ")}`) : null,
    keyBoxes(groups),
  ];
}

function sounds({ groups, pressed }) {
  if (!pressed) return null;
  const { tone_ms: tone, gap_ms: gap } = now.visit;
  return [
    canSpeak() ? button("Read aloud", () => say(words(groups)), "small", icon("speak")) : null,
    button("Play keys", () => sound(() => play(pressed, tone, gap)), "small", icon("tone")),
    now.sound === "asked" ? h("p", {}, OVERHEARD) : null,
  ];
}

const OVERHEARD =
  "Whoever hears these tones can key the code. Hold this phone to the other one, and tap again. Only the beeps of the station say whether it heard them.";

/** A caution once, before the first time. */
async function sound(playing) {
  if (now.sound === "") {
    now.sound = "asked";
    return show();
  }
  now.sound = "told";
  await playing();
}

/** Answers told apart by place, sign and word. */
function answers(...all) {
  const one = ([word, title, sign, beeps]) =>
    button(title, () => tap(word), `answer ${sign}`, icon(sign), beeps ? h("small", {}, beeps) : null);
  return h("div", { class: `answers ${all.length % 2 ? "odd" : ""}` }, all.map(one));
}

function dropped(walked) {
  return [
    top(`Step ${walked.screen.step} of ${now.visit.steps.length}`),
    h("h2", { class: "ask" }, "The line dropped. Had you keyed any of this step?"),
    keys(now.visit.steps[walked.screen.step - 1]),
    answers(["yes", "Yes, or not sure", "yes"], ["no", "No, not one key", "no"]),
    bottom(walked),
  ];
}

function end(walked) {
  const { close } = now.visit.calls[walked.screen.call];
  return [
    top(now.visit.calls[walked.screen.call].title),
    h("h2", { class: "ask" }, close ? "End the call" : "Hang up."),
    close ? [keys(close), h("p", {}, "Nothing answers this. Then hang up.")] : null,
    answers(["done", "Done", "yes"]),
    bottom(walked, close),
  ];
}

function stop(walked) {
  const again = walked.screen.answers.some(({ word }) => word === "again");
  const all = [["done", "Go on", "yes"], ...(again ? [["again", "Try again", "none"]] : [])];
  return [top("Stop"), h("h2", { class: "ask" }, "Stop keying here"), walked.screen.says.map(warned), answers(...all), bottom(walked)];
}

function test(walked) {
  const nth = walked.screen.test;
  const one = now.visit.tests[nth];
  return [
    top(`Test ${nth + 1} of ${tests().length}`),
    h("h2", { class: "ask" }, one.title),
    now.kept.pointTold ? null : h("p", { class: "lead" }, "Tell the answering point first."),
    h("p", { class: "how" }, one.how),
    one.who ? h("p", { class: "who" }, h("strong", {}, one.who), " must answer.") : null,
    h("p", {}, "The person who answers must hear you and know where you are."),
    answers(
      ["reached", "Reached help", "yes", "they heard me and know the place"],
      ["failed", "Did not reach help", "no", "no one heard me"],
      ["other", "Someone else", "drop", "not who must answer"],
      ["later", "No test now", "none"],
    ),
    bottom(walked),
  ];
}

/** Whoever else answered: that the button calls someone is worth knowing, and that it is not whom it should call. */
function who(walked) {
  const { contacts } = now.visit;
  const one = now.visit.tests[walked.screen.test];
  const others = contacts.filter(({ contact }) => contact !== one.contact);
  const choice = h(
    "select",
    { id: "who" },
    h("option", { value: "" }, "Choose a name"),
    others.map(({ contact, title }) => h("option", { value: contact }, title)),
  );
  const missing = h("p", { class: "mind", role: "alert", hidden: "" }, "Choose a name first.");
  const named = () => {
    missing.hidden = choice.value !== "";
    return choice.value === "" ? choice.focus() : tap("named", { contact: choice.value });
  };
  return [
    top(`Test ${walked.screen.test + 1} of ${tests().length}`),
    h("h2", { class: "ask" }, "Who answered?"),
    others.length ? [h("label", { for: "who", class: "above" }, "Name"), choice, missing] : null,
    h(
      "div",
      { class: "answers" },
      others.length ? button("This is who answered", named, "answer yes", icon("yes")) : null,
      button("None of these", () => tap("failed"), "answer no", icon("no"), h("small", {}, "it did not reach help")),
    ),
    bottom(walked),
  ];
}

function last(walked) {
  const note = h("textarea", { id: "note", rows: "3" });
  note.value = now.kept.note;
  note.addEventListener("input", () => save({ note: note.value }));
  const outcomes = [...walked.tests.values()];
  const failed = outcomes.some(({ outcome }) => outcome === "failed");
  const other = outcomes.some(({ other }) => other);
  const untested = tests().length > walked.tests.size;
  return [
    top("Report"),
    h("h2", { class: "ask" }, "Send the report"),
    now.kept.corrects ? h("p", { class: "lead" }, "Undo leads back to the wrong answer. Tap all that follows again.") : null,
    h("p", {}, summary(walked)),
    failed ? warned("WARNING: a test call did not reach help. Keep a stand-in here until one does.") : null,
    other ? warned("WARNING: a button called someone else. Keep a stand-in here and tell ops.") : null,
    untested ? warned("A button without a test call counts as untested.") : null,
    h("label", { for: "note", class: "above" }, "Note, if there is something to say"),
    note,
    h("div", { class: "answers one" }, button("Send", () => finish(note.value), "go")),
    bottom(walked),
  ];
}

/** The test calls that this visit asks for. */
const tests = () => asked(now.visit, now.kept.hasSlipped);

function summary({ steps, tests: made }) {
  const heard = [...steps.values()];
  const accepted = heard.filter((word) => word === "accepted").length;
  const keyed = now.visit.steps.length ? `${accepted} of ${now.visit.steps.length} steps accepted.` : "";
  const reached = [...made.values()].filter(({ outcome, other }) => outcome === "reached" && !other).length;
  const tested = tests().length ? `${reached} of ${tests().length} test calls reached help.` : "";
  return `${keyed} ${tested}`.trim();
}

/** The visit that this phone keeps of this card; its own card goes with it, whatever has come since. */
async function restore() {
  const fresh = `<!DOCTYPE html>${document.documentElement.outerHTML}`;
  now.offset = Date.parse(data.now) - Date.now();
  now.card = { key: now.key, html: fresh, policy, data, now: data.now, until: Date.parse(data.until), offset: now.offset };
  try {
    const card = await get("cards", now.key);
    if (card?.now === data.now) now.offset = card.offset;
    now.by = (await get("asked", "by"))?.value ?? "";
    now.isTimed = (await get("asked", "timed"))?.value ?? true;
    const visits = await all("visits");
    now.kept = newest(visits);
    const past = newest(visits, true);
    now.past = past && Date.now() - Date.parse(past.sent.at) < CORRECTED_MS ? past : null;
    // The card is closed: there is nothing to begin.
    if (data.is_closed) now.kept ??= now.past;
    if (now.kept && card) {
      now.card = card;
      now.visit = card.data.visit;
    } else {
      now.card = { ...now.card, offset: now.offset };
      await put("cards", now.card);
    }
    now.isBack = (now.kept?.taps.length ?? 0) > 0;
    await sweep();
  } catch {
    now.isKept = false;
  }
}

/** Cards that have expired and were not begun: they hold codes. Reports that were sent so long ago that none can be corrected. */
async function sweep() {
  for (const { id, sent } of await all("visits")) {
    if (sent && Date.now() - Date.parse(sent.at) > CORRECTED_MS) await remove("visits", id);
  }
  for (const card of await all("cards")) {
    if (card.until < time() && !(await isBegun(card.key)) && card.key !== now.key) await remove("cards", card.key);
  }
}

/** So that the page opens without a network. */
async function workOffline() {
  if (!("serviceWorker" in navigator)) return;
  try {
    const store = await caches.open("stationkeep-pages");
    await store.addAll(data.modules.map((name) => new URL(name, import.meta.url).href));
    await navigator.serviceWorker.register(new URL("../worker.js", import.meta.url));
    await navigator.serviceWorker.ready;
    document.documentElement.dataset.offline = "ready";
  } catch {
    // It works as long as it stays open.
  }
}

await restore();
document.getElementById("paper").hidden = true;
root.hidden = false;
show();
if (now.kept) stayAwake();
keepSending(heard);
await heard();
navigator.storage?.persist?.().catch(() => {});
await ask();
addEventListener("online", ask);
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible") follow().then(ask);
});
setInterval(ask, 60000);
await workOffline();
