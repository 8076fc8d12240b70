// The service worker: a page that was loaded once opens without the service, and waits for
// it. Nothing of the state is kept: only the page and its files.
"use strict";
const shelf = "polard";

/** @param {Request} request */
async function fresh(request) {
  try {
    const answer = await fetch(request);
    if (answer.ok) (await caches.open(shelf)).put("/", answer.clone());
    return answer;
  } catch {
    return (await caches.match("/")) ?? Response.error();
  }
}

/** @param {Request} request */
async function kept(request) {
  const known = await caches.match(request);
  if (known) return known;
  const answer = await fetch(request);
  if (answer.ok) (await caches.open(shelf)).put(request, answer.clone());
  return answer;
}

self.addEventListener("install", () => /** @type {any} */ (self).skipWaiting());
self.addEventListener("activate", (e) => /** @type {any} */ (e).waitUntil(/** @type {any} */ (self).clients.claim()));
self.addEventListener("message", (e) => /** @type {any} */ (e).waitUntil(keep(/** @type {MessageEvent} */ (e).data)));
self.addEventListener("fetch", (e) => {
  const event = /** @type {any} */ (e), url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== location.origin) return;
  if (event.request.mode === "navigate" && url.pathname === "/") event.respondWith(fresh(event.request));
  else if (url.pathname.startsWith("/assets/")) event.respondWith(kept(event.request));
});

/**
 * Keeps the files of the page that is open, and lets go of those of older versions.
 * @param {string[]} files
 */
async function keep(files) {
  const cache = await caches.open(shelf), now = new Set(files.map((f) => new URL(f, location.origin).href));
  for (const r of await cache.keys()) if (!now.has(r.url)) await cache.delete(r);
  await Promise.all(files.map(async (f) => { if (!(await cache.match(f))) await cache.add(f).catch(() => {}); }));
}
