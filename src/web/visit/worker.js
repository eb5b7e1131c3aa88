// Answers for the card's address where the network does not: with the card that the phone keeps. A card that was begun is
// answered from the phone always, so that its keys are never taken away. It sends nothing and changes nothing but what has
// expired.

import { get, isBegun, remove } from "./keep.js";

const SLOW_MS = 6000;

addEventListener("install", () => skipWaiting());
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  const path = url.pathname.slice(new URL(registration.scope).pathname.length);
  if (/^[0-9a-f]{16}\/[a-z]+\.js$/.test(path)) event.respondWith(module(request));
  else if (request.mode === "navigate" && /^[0-9a-f]{16}$/.test(path)) event.respondWith(card(request, url, path));
});

async function module(request) {
  return (await caches.match(request.url)) ?? fetch(request);
}

async function card(request, url, digest) {
  const key = `${digest} ${url.searchParams.get("station") ?? ""}`;
  const kept = await good(key).catch(() => null);
  if (kept && (await isBegun(key))) return page(kept);
  try {
    const answer = await fetch(request, kept ? { signal: AbortSignal.timeout(SLOW_MS) } : {});
    // It is not the card to key any longer.
    if (kept && [403, 404, 409, 410].includes(answer.status)) await remove("cards", key);
    return answer;
  } catch (error) {
    if (kept) return page(kept);
    throw error;
  }
}

/** A kept card; one that was not begun is deleted once it has expired. */
async function good(key) {
  const kept = await get("cards", key);
  if (!kept) return null;
  const isOver = kept.until < Date.now() + kept.offset;
  if (isOver && !(await isBegun(key))) {
    await remove("cards", key);
    return null;
  }
  return kept;
}

function page({ html, policy }) {
  const headers = {
    "content-type": "text/html; charset=utf-8",
    "cache-control": "no-store",
    "content-security-policy": policy,
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
  };
  return new Response(html, { headers });
}
