// The bench without a connection: have its pages kept, and have them forgotten.

const SHEETS = "wrench-drift-sheets-";

// Called by the bench. Where the browser keeps no pages the readings are kept all the same.
export async function keepBench() {
  const workers = navigator.serviceWorker;
  if (!workers) return;
  const came = workers.controller;
  try {
    await workers.register("/bench-worker.js", { scope: "/bench", type: "classic" });
    const { active } = await workers.ready;
    if (!came) active.postMessage("keep");
  } catch {
    // Not over this connection, or not in this browser.
  }
}

// Called when a person signs out: the next one at this browser must not find their sheets.
export async function forgetBench() {
  if (!globalThis.caches) return;
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith(SHEETS)).map((name) => caches.delete(name)));
}
