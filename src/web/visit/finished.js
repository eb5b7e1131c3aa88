// What is shown of a report once it is ready: whether it has been sent, in large letters, and how it reaches ops otherwise.

import { button, h } from "./parts.js";
import { code } from "./qr.js";

/** The screens after the last tap. */
export function finished(now, { reopen, correct, retry, forget, next }) {
  const { kept } = now;
  if (kept.sent) return sent(now, correct, next);
  const top = kept.rejected
    ? [
        h("h1", { class: "big no" }, "THE REPORT WAS REJECTED"),
        h("p", {}, "It is kept on this phone. Send it to ops by another way, with these reasons:"),
        h("ul", {}, kept.rejected.reasons.map((text) => h("li", {}, text))),
      ]
    : [
        h("h1", { class: "big" }, "NOT SENT YET"),
        h("p", { role: "status" }, waits(now)),
      ];
  return [
    head(now),
    top,
    h(
      "div",
      { class: "answers one" },
      button(kept.rejected ? "Send it again" : "Send it now", retry, "go"),
      button("Change an answer", reopen, "plain"),
    ),
    otherwise(kept.report),
    kept.rejected
      ? h(
          "details",
          {},
          h("summary", {}, "Ops have it: forget it here"),
          h("p", {}, "The report and what you tapped are deleted from this phone."),
          button("Delete it from this phone", forget, "plain"),
        )
      : null,
  ];
}

const head = ({ visit, kept }) =>
  h("header", {}, h("strong", {}, visit.rehearsal ? h("small", {}, "REHEARSAL: ") : null, kept.station), h("span", {}, "Report"));

function waits({ isKept }) {
  if (!isKept) return "WARNING: this phone has not kept it. Leave this page open until it is sent.";
  if (!window.isSecureContext) return "It is kept on this phone and sent as soon as there is a network. Leave this page open until then.";
  return "It is kept on this phone and sent as soon as there is a network and this page is open. You may close the page and come back.";
}

function sent(now, correct, next) {
  const { kept } = now;
  const { consequences, missing, at, hasNoEffect } = kept.sent;
  const when = new Date(Date.parse(at) + now.offset).toISOString().slice(11, 16);
  const list = (title, all) => (all.length ? [h("h2", {}, title), h("ul", {}, all.map((text) => h("li", {}, text)))] : null);
  return [
    head(now),
    // Where it does not count, "sent" would be half of the truth.
    hasNoEffect ? h("h1", { class: "big no" }, "SENT, BUT IT HAS NO EFFECT") : h("h1", { class: "big yes" }, "SENT"),
    h("p", { role: "status" }, `Recorded at ${when} UTC. ${hasNoEffect ? "Read why, and correct it." : "You need not send it again."}`),
    list("What it changed", consequences),
    list("Still missing", missing),
    now.others ? h("p", { class: "mind" }, `${now.others} other report${now.others > 1 ? "s" : ""} not sent yet.`) : null,
    h(
      "div",
      { class: "answers one" },
      next
        ? h("a", { class: "ring", href: next }, "What this station needs now")
        : h("p", {}, missing.length ? "Ask ops for the new card." : ""),
      button("Something was wrong: correct it", correct, "plain"),
    ),
  ];
}

/** By a picture or a message, where nothing goes. */
function otherwise(report) {
  const text = JSON.stringify(report);
  const area = h("textarea", { id: "text", rows: "6", readonly: "", "aria-label": "The report as text" });
  area.value = text;
  const copied = h("span", { role: "status" }, "");
  const copy = async () => {
    area.select();
    try {
      await navigator.clipboard.writeText(text);
      copied.textContent = " Copied.";
    } catch {
      copied.textContent = " Copy the marked text.";
    }
  };
  return h(
    "details",
    {},
    h("summary", {}, "No network? Send it another way"),
    h("p", {}, "Ops can record this text, or a photograph of the square, as it is. It holds no access code."),
    area,
    h("p", {}, button("Copy", copy, "plain"), copied),
    picture(text),
  );
}

function picture(text) {
  const rows = code(text);
  if (!rows) return null;
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  const size = rows.length + 8;
  svg.setAttribute("viewBox", `0 0 ${size} ${size}`);
  svg.setAttribute("class", "square");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", "The report as a QR code");
  const dark = rows.flatMap((row, y) => row.flatMap((bit, x) => (bit ? [`M${x + 4} ${y + 4}h1v1h-1z`] : [])));
  const path = document.createElementNS(space, "path");
  path.setAttribute("d", dark.join(""));
  svg.append(path);
  return svg;
}
