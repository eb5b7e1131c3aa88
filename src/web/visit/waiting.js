// On a page that is no card: sends what this phone keeps of visits, and says what is not sent or not finished yet.

import { all } from "./keep.js";
import { button, h } from "./parts.js";
import { keepSending } from "./send.js";
import { CORRECTED_MS } from "./walk.js";

const place = document.getElementById("waiting");

// On the page of a card that is closed: what the page of a visit is made from, but for the visit, which the phone keeps.
const closed = document.getElementById("data");

// The reports that waited when the page was opened, or since.
const waited = new Set();

async function heard() {
  const kept = await all("visits").catch(() => []);
  const visits = kept.filter((one) => !one.sent);
  const ready = visits.filter((one) => one.report && !one.rejected);
  const rejected = visits.filter((one) => one.rejected);
  const begun = visits.filter((one) => !one.report && one.keys);
  ready.forEach(({ id }) => waited.add(id));
  const sent = kept.filter((one) => one.sent && waited.has(one.id));
  // The page of a card that is out of date speaks of reports: they may be this phone's own.
  const here = location.pathname.split("/").pop();
  const own = kept.filter((one) => one.sent && one.script === here && !waited.has(one.id));
  const last = own.sort((one, other) => (one.id < other.id ? 1 : -1))[0];
  const lines = [
    ...(last ? [h("p", {}, `This phone sent a report of this card at ${last.sent.at.slice(11, 16)} UTC.`), correction(last)] : []),
    ...sent.map((one) => h("p", {}, `Sent: the report of ${one.station}.`)),
    ...ready.map((one) => line("Not sent yet: the report of", one, "Keep this page open until it is sent.")),
    ...rejected.map((one) => line("Rejected: the report of", one, "Open the card to see why.")),
    ...begun.map((one) => line("Not finished: the visit of", one, "Open the card to go on.")),
  ];
  place.hidden = lines.length === 0;
  place.replaceChildren(...lines.filter((one) => one !== null));
}

/** The way to a report that was sent, as long as its link may file another in its place. */
function correction(sent) {
  const isOpen = closed && sent.visit && Date.now() - Date.parse(sent.sent.at) < CORRECTED_MS;
  return isOpen ? button("See it, or correct it", () => reopen(sent), "") : null;
}

/** Makes the page of the visit of this page: without a key, for the phone keeps none. */
function reopen({ visit, query, station }) {
  const next = query ? null : `next?station=${encodeURIComponent(station)}`;
  const data = { ...JSON.parse(closed.textContent), visit, way_back: null, next };
  // Nothing in it can end the element.
  closed.textContent = JSON.stringify(data).replaceAll("<", "\\u003c");
  const own = [...document.scripts].find((one) => one.src === import.meta.url);
  own.replaceWith(h("script", { type: "module", src: own.getAttribute("src").replace("waiting.js", "visit.js") }));
}

/** A sentence about a visit, with the way to its card. */
function line(what, visit, then) {
  const { script, station, api, query } = visit;
  const at = new URL(`../../card/${script}${query || `?station=${encodeURIComponent(station)}`}`, api);
  return h("p", { class: "mind" }, `${what} `, h("a", { href: at.href }, station), `. ${then}`);
}

await heard();
keepSending(heard);
