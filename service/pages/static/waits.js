// While something is worked out: ask whether it is done, and then show it.

const PAUSE_MS = 1_000;
const { ask } = document.querySelector("#working").dataset;

async function look() {
  try {
    const response = await fetch(ask);
    if (response.status === 401) {
      location.reload(); // which leads to the page to sign in
      return;
    }
    if (response.ok && (await response.json()).ready) {
      location.reload();
      return;
    }
  } catch {
    // The service is away for a moment; it is asked again.
  }
  setTimeout(look, PAUSE_MS);
}

setTimeout(look, PAUSE_MS);
