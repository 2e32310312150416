// The console's own files, for a start without a connection. With one they come from the suite, always; nothing of the API is kept here.
const shelf = "coldsection-console";
const files = ["/", "/account.js", "/accounts.js", "/analysis.js", "/antifreeze.js", "/api.js", "/asking.js", "/busy.js", "/cards.js", "/console.css", "/correcting.js", "/corrections.js", "/console.js", "/dom.js", "/engines.js",
  "/entry.js", "/exceeding.js", "/fleet.js", "/found.js", "/icon.svg", "/importing.js", "/issue.js", "/item.js", "/items.js", "/jobs.js", "/keep.js", "/labour.js", "/limits.js", "/lists.js", "/lot.js",
  "/mixing.js", "/models.js", "/motoring.js", "/names.js", "/order.js", "/overlay.js", "/paging.js", "/parked.js", "/parts.js", "/people.js", "/places.js", "/plan.js", "/press.js", "/print.css", "/printed.js",
  "/proof.js", "/proven.js", "/readings.js", "/recalled.js", "/recipes.js", "/receive.js", "/releases.js", "/renew.js", "/requirements.js", "/setup.js", "/shelf.js", "/sign.js", "/signin.js", "/standing.js", "/status.js", "/step.js", "/trend.js", "/typed.js",
  "/waiting.js", "/waits.js", "/work.css", "/work.js"];

addEventListener("install", (event) => {
  event.waitUntil(caches.open(shelf).then((kept) => kept.addAll(files.map((f) => new Request(f, { cache: "reload" })))).then(() => skipWaiting()));
});
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

addEventListener("fetch", (event) => {
  const { request } = event, { pathname, origin } = new URL(request.url);
  if (request.method !== "GET" || origin !== location.origin || !files.includes(pathname)) return;
  event.respondWith((async () => {
    const kept = await caches.open(shelf);
    try {
      const fresh = await fetch(request);
      if (fresh.ok) await kept.put(pathname, fresh.clone());
      return fresh;
    } catch (e) {
      const known = await kept.match(pathname);
      if (known) return known;
      throw e;
    }
  })());
});
