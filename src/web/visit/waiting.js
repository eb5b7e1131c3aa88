// On a page that is no card: sends what this phone keeps of visits, and says what is not sent or not finished yet.

import { all } from "./keep.js";
import { h } from "./parts.js";
import { keepSending } from "./send.js";

const place = document.getElementById("waiting");

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
  const lines = [
    ...own.map((one) => h("p", {}, `This phone sent a report of this card at ${one.sent.at.slice(11, 16)} UTC.`)),
    ...sent.map((one) => h("p", {}, `Sent: the report of ${one.station}.`)),
    ...ready.map((one) => line("Not sent yet: the report of", one, "Keep this page open until it is sent.")),
    ...rejected.map((one) => line("Rejected: the report of", one, "Open the card to see why.")),
    ...begun.map((one) => line("Not finished: the visit of", one, "Open the card to go on.")),
  ];
  place.hidden = lines.length === 0;
  place.replaceChildren(...lines);
}

/** A sentence about a visit, with the way to its card. */
function line(what, visit, then) {
  const { script, station, api, query } = visit;
  const at = new URL(`../../card/${script}${query || `?station=${encodeURIComponent(station)}`}`, api);
  return h("p", { class: "mind" }, `${what} `, h("a", { href: at.href }, station), `. ${then}`);
}

await heard();
keepSending(heard);
