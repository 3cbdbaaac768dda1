// Beside the bench: keeps its pages, so that one reloaded without a connection still comes, with the
// readings that `outbox.js` keeps. VERSION and ASSETS are put before this text by the service.
//
// What comes from the service always goes first. Kept are this version's scripts and styles and the
// sheets looked at last, nothing else; a person who signs out, or is not let in any more, takes the
// sheets away.

const STATIC = `wrench-drift-static-${VERSION}`;
const SHEETS = `wrench-drift-sheets-${VERSION}`;
const MOST_SHEETS = 20;

addEventListener("install", (event) => {
  event.waitUntil(caches.open(STATIC).then((cache) => cache.addAll(ASSETS)).then(() => skipWaiting()));
});

addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      const names = (await caches.keys()).filter((name) => name.startsWith("wrench-drift-"));
      await Promise.all(names.filter((name) => ![STATIC, SHEETS].includes(name)).map((name) => caches.delete(name)));
      await clients.claim();
    })(),
  );
});

addEventListener("message", (event) => {
  if (event.data === "forget") event.waitUntil(caches.delete(SHEETS));
  // A page that came before this worker is fetched once more, to be kept.
  else if (event.data === "keep") event.waitUntil(fetched(new Request(event.source.url, { credentials: "same-origin" })).catch(() => {}));
});

addEventListener("fetch", (event) => {
  const { request } = event;
  const { pathname, origin } = new URL(request.url);
  if (request.method !== "GET" || origin !== location.origin) return;
  if (ASSETS.includes(pathname)) {
    event.respondWith(caches.match(pathname, { cacheName: STATIC }).then((kept) => kept ?? fetch(request)));
  } else if (request.mode === "navigate" && pathname === "/bench") {
    event.respondWith(fetched(request).catch(async () => (await kept(request)) ?? Response.error()));
  }
});

async function fetched(request) {
  const response = await fetch(request);
  if ([401, 403].includes(response.status) || response.redirected || response.type === "opaqueredirect") {
    await caches.delete(SHEETS);
  } else if (response.ok) {
    const cache = await caches.open(SHEETS);
    await cache.put(request.url, response.clone()); // takes the place of an older one, at the end
    const all = await cache.keys();
    await Promise.all(all.slice(0, -MOST_SHEETS).map((each) => cache.delete(each)));
  }
  return response;
}

// The sheet as it was kept, which says so.
async function kept(request) {
  const found = await (await caches.open(SHEETS)).match(request.url);
  if (!found) return undefined;
  const text = (await found.text()).replace("<body", "<body data-kept");
  return new Response(text, { status: 200, headers: found.headers });
}
