// Checks that the service has not acknowledged yet. They stay in this browser, through a closed page
// and a lost network, and are sent again under the key made for them, so each is stored once.
//
// A record is {key, serial, direction, fields, readings, confirmed, takenAt, body, problem}: a draft
// while `body` is null, and from then on exactly what is sent, unchanged until it is answered.
// Records are kept apart by shop: whoever signs in to another shop neither sees nor sends them.

const PREFIX = `wrench-drift/check/${encodeURIComponent(document.body.dataset.shop)}/`;
const PATIENCE_MS = 20_000;
const memory = new Map(); // what the browser refused to store
const underway = new Set();

function store(record) {
  try {
    localStorage.setItem(PREFIX + record.key, JSON.stringify(record));
    memory.delete(record.key);
    return true;
  } catch {
    memory.set(record.key, record);
    return false;
  }
}

function records() {
  try {
    const names = Object.keys(localStorage).filter((name) => name.startsWith(PREFIX));
    return [...names.map((name) => JSON.parse(localStorage.getItem(name))), ...memory.values()];
  } catch {
    return [...memory.values()];
  }
}

function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

// The draft of a wrench and direction, or a new one with a key of its own.
export function draft(serial, direction) {
  const begun = records().find(
    (each) => each.body === null && each.serial === serial && each.direction === direction,
  );
  return begun ?? {
    key: newKey(), serial, direction, fields: {}, readings: {}, confirmed: [], takenAt: null, body: null, problem: null,
  };
}

// Whether it will outlive this page.
export function keep(record) {
  return store(record);
}

export function drop(record) {
  memory.delete(record.key);
  try {
    localStorage.removeItem(PREFIX + record.key);
  } catch {
    // It was never there.
  }
}

export function waiting() {
  return records().filter((each) => each.body !== null);
}

export function refused() {
  return records().filter((each) => each.body === null && each.problem !== null);
}

// Send a sealed record. Answers {saved: check}, {refused: problem} or {waiting: why in words}.
export async function send(record) {
  if (underway.has(record.key)) return { waiting: "it is being sent" };
  underway.add(record.key);
  try {
    return await attempt(record);
  } finally {
    underway.delete(record.key);
  }
}

// Who measures is also who does this, in the wrench's trail.
function acting(operator) {
  const name = encodeURIComponent(operator ?? "");
  return name && name.length <= 255 ? { "Acting-Person": name } : {};
}

async function attempt(record) {
  let response;
  let answer;
  try {
    response = await fetch(`/v1/wrenches/${encodeURIComponent(record.serial)}/checks`, {
      method: "POST",
      headers: { "Content-Type": "application/json", "Idempotency-Key": record.key, ...acting(record.body.operator) },
      body: JSON.stringify(record.body),
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    answer = await response.json();
  } catch {
    return { waiting: "the service cannot be reached" };
  }
  if (response.ok) {
    drop(record);
    return { saved: answer };
  }
  if (response.status === 401) {
    return { waiting: "nobody is signed in any more", signIn: true };
  }
  if (response.status >= 500 || response.status === 408 || response.status === 429) {
    return { waiting: "the service could not take it just now" };
  }
  record.problem = answer;
  record.body = null;
  keep(record);
  return { refused: answer };
}
