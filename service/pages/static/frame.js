// On every page: say which checks are not yet saved, and send them as soon as that is possible.

import { forgetBench } from "./offline.js";
import { refused, send, waiting } from "./outbox.js";

const FIRST_MS = 2_000;
const LONGEST_MS = 30_000;
const place = document.createElement("div"); // what waits
const news = document.createElement("div"); // what was saved meanwhile
document.querySelector("#unsaved").append(place, news);
let pause = FIRST_MS;
let timer;
let shown = "";

const ways = { clockwise: "clockwise", counter_clockwise: "counter-clockwise" };

let signedOut = false;

function named(record) {
  return `${record.serial} ${ways[record.direction]}`;
}

function sheet(record) {
  return `/bench?${new URLSearchParams({ wrench: record.serial, direction: record.direction })}`;
}

function line(mark, text, ...rest) {
  const row = document.createElement("p");
  row.className = mark;
  row.append(text, ...rest);
  return row;
}

function link(path, text) {
  const found = document.createElement("a");
  found.href = path;
  found.textContent = text;
  return found;
}

function button(text, press) {
  const found = document.createElement("button");
  found.type = "button";
  found.textContent = text;
  found.addEventListener("click", press);
  return found;
}

export function tell() {
  const held = waiting();
  const back = refused().filter((each) => sheet(each) !== location.pathname + location.search);
  const state = JSON.stringify([held.map((each) => each.key), back.map((each) => each.key), signedOut]);
  if (state === shown) return;
  shown = state;
  place.replaceChildren();
  if (held.length) {
    const names = held.map(named).join(", ");
    if (signedOut) {
      const next = new URLSearchParams({ next: location.pathname + location.search });
      place.append(
        line("doubt", `Not yet saved: ${names}. Kept in this browser; the session is over. `,
          link(`/sign-in?${next}`, "Sign in again"), " and it is sent."),
      );
    } else place.append(
      line("doubt", `Not yet saved: ${names}. Kept in this browser, and sent by itself as soon as the service answers. `,
        button("Send now", sendAll)),
    );
  }
  for (const record of back) {
    place.append(line("outside", `Not saved: the service asks about ${named(record)}. `, link(sheet(record), "Look at it")));
  }
}

export async function sendAll() {
  clearTimeout(timer);
  for (const record of waiting()) {
    const outcome = await send(record);
    signedOut = Boolean(outcome.signIn);
    if (!outcome.waiting) {
      pause = FIRST_MS;
      document.dispatchEvent(new CustomEvent("check-answered", { detail: { record, outcome } }));
      if (outcome.saved) {
        news.append(
          line("inside", `Saved: ${named(record)}. `,
            link(`/bench/checks/${encodeURIComponent(record.serial)}/${outcome.saved.id}`, "See the verdict")),
        );
      }
    }
  }
  tell();
  if (waiting().length) {
    timer = setTimeout(sendAll, pause);
    pause = Math.min(2 * pause, LONGEST_MS);
  }
}

addEventListener("online", () => {
  pause = FIRST_MS;
  sendAll();
});
addEventListener("storage", tell);
document.querySelector("form.out")?.addEventListener("submit", async (event) => {
  event.preventDefault();
  await forgetBench();
  event.target.submit();
});
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && waiting().length) sendAll();
});
sendAll();
