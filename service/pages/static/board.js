// While the fleet is worked out: ask whether it is done, and then show it.

const PAUSE_MS = 2_000;

async function ask() {
  try {
    const response = await fetch("/board/state");
    if (response.status === 401) {
      location.reload(); // which leads to the page to sign in
      return;
    }
    if (response.ok) {
      const { current, failed } = await response.json();
      if (current || failed) {
        location.reload();
        return;
      }
    }
  } catch {
    // The service is away for a moment; it is asked again.
  }
  setTimeout(ask, PAUSE_MS);
}

setTimeout(ask, PAUSE_MS);
