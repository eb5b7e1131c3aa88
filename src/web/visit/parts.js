// What screens are made of. Nothing here knows what a visit is.

/** An element with attributes and what is in it: texts, elements, lists of them; nothing for null. */
export function h(name, attributes, ...inside) {
  const element = document.createElement(name);
  for (const [attribute, value] of Object.entries(attributes)) element.setAttribute(attribute, value);
  element.append(...inside.flat(9).filter((one) => one !== null && one !== undefined && one !== ""));
  return element;
}

/** A screen in the place of the one before; what is read aloud begins at its top. */
export function draw(root, inside) {
  const focused = document.activeElement?.id;
  root.replaceChildren(...[inside].flat(9).filter((one) => one !== null && one !== undefined));
  const again = focused && document.getElementById(focused);
  if (again && root.contains(again)) again.focus();
  else root.focus({ preventScroll: true });
  scrollTo(0, 0);
}

/** A button that is busy until what it does is done: a second tap of a shaking hand is none. */
export function button(title, does, look, ...inside) {
  const made = h("button", { type: "button", class: look }, inside[0] ?? "", h("span", {}, title), ...inside.slice(1));
  made.addEventListener("click", async () => {
    if (made.dataset.busy) return;
    made.dataset.busy = "yes";
    try {
      await does();
    } finally {
      delete made.dataset.busy;
    }
  });
  return made;
}

// A path each, on a field of 24 by 24.
const SIGNS = {
  yes: "M12 2a10 10 0 1 0 0 20a10 10 0 1 0 0-20M7 12l4 4l7-8",
  no: "M3 3h18v18h-18zM8 8l8 8M16 8l-8 8",
  none: "M2 12h3M8 12h3M14 12h3M20 12h2",
  drop: "M2 8h7l2 4M22 16h-7l-2-4M15 5l-6 14",
  undo: "M9 5l-5 5l5 5M4 10h10a5 5 0 0 1 0 10h-3",
  speak: "M4 9v6h4l5 4v-14l-5 4zM16 9a4 4 0 0 1 0 6M18 6a8 8 0 0 1 0 12",
  tone: "M2 12q2.5-10 5 0t5 0t5 0t5 0",
};

/** A sign beside a word; it says nothing of its own. */
export function icon(name) {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(space, "path");
  path.setAttribute("d", SIGNS[name]);
  svg.append(path);
  return svg;
}

// More would not stand on one line in large letters.
const MANY = 12;

/** Groups of keys, as they are read. */
export function keyBoxes(groups) {
  const count = groups.reduce((sum, { text }) => sum + text.length + 1, 0);
  return h("p", { class: count <= MANY ? "keys few" : "keys" }, groups.map(({ text, is }) => [h("span", { class: `is-${is}` }, text), " "]));
}
