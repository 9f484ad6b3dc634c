// Keeps the page itself on the device, so that it comes up after a reload while the server cannot be reached. What the server
// says (`/api/`) is never kept here: the log keeps its own entries and the last view of its run.
const PAGE = "hushfield-page-1";

self.addEventListener("install", (event) => {
  // The page and what it names: it is there from the first visit on.
  event.waitUntil(
    (async () => {
      const cache = await caches.open(PAGE);
      const page = await fetch("/", { cache: "no-cache" });
      await cache.put("/", page.clone());
      const parts = [...(await page.text()).matchAll(/(?:src|href)="(\/assets\/[^"]+)"/g)].map((m) => m[1]);
      await cache.addAll(parts);
      await self.skipWaiting();
    })(),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) if (name !== PAGE) await caches.delete(name);
      await self.clients.claim();
    })(),
  );
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== self.location.origin || url.pathname.startsWith("/api/")) return;
  event.respondWith(
    (async () => {
      const cache = await caches.open(PAGE);
      if (url.pathname.startsWith("/assets/")) {
        // Named by content: what is kept is right.
        const kept = await cache.match(url.pathname);
        if (kept) return kept;
        const fresh = await fetch(event.request);
        if (fresh.ok) await cache.put(url.pathname, fresh.clone());
        return fresh;
      }
      try {
        const fresh = await fetch(event.request);
        if (fresh.ok && url.pathname === "/") await cache.put("/", fresh.clone());
        return fresh;
      } catch (error) {
        const kept = await cache.match(url.pathname === "/index.html" ? "/" : url.pathname);
        if (kept) return kept;
        throw error;
      }
    })(),
  );
});
