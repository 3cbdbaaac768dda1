// The sheet of one check: readings typed with the number pad alone, judged as they are entered, kept
// until the service has acknowledged them.

import { circumstancesOf } from "./circumstances.js";
import { sendAll, tell } from "./frame.js";
import { keepBench } from "./offline.js";
import { draft, drop, keep } from "./outbox.js";
import { readingsOf } from "./readings.js";
import { showRefusal } from "./refusal.js";

const ARRIVAL = "wrench-drift/arrival";
const form = document.querySelector("#check");
if (form) begin();
keepBench();

function begin() {
  const says = form.querySelector("#says");
  const faults = form.querySelector("#faults");
  const save = form.querySelector("#save");
  const { serial, direction } = form.dataset;
  let record = draft(serial, direction);
  let asked = null; // the input whose question was put
  const cameAt = arrival(form.dataset.timeMs);
  const about = circumstancesOf(form);
  const readings = readingsOf(form, about.uncertainty, () => record.confirmed);
  const firstEmpty = () => readings.firstEmpty() ?? save;

  restore();
  readings.showAll();
  showProgress();
  (about.chosenTester() ? firstEmpty() : form.querySelector("[name=tester]") ?? save).focus();
  if (record.problem) showProblem(record.problem);
  form.querySelector("#kept").hidden = !("kept" in document.body.dataset);

  form.addEventListener("input", ({ target }) => {
    if (readings.has(target)) {
      asked = null;
      record.confirmed = record.confirmed.filter((id) => id !== target.id);
      record.takenAt = shopTime();
      readings.show(readings.cellOf(target));
    } else if (target.name === "tester") {
      readings.showAll();
    }
    remember();
    showProgress();
  });

  form.addEventListener("keydown", (event) => {
    const { target } = event;
    if (event.key !== "Enter" || target === save || target.type === "button") return;
    event.preventDefault();
    if (readings.has(target)) goOn(target);
    else if (target.name === "tester" || target.name === "kind") firstEmpty().focus();
    else following(target).focus();
  });

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    seal(false);
  });
  form.querySelector("#afresh").addEventListener("click", () => {
    drop(record);
    location.reload();
  });

  document.addEventListener("check-answered", ({ detail }) => {
    if (detail.record.key !== record.key) return;
    if (detail.outcome.saved) {
      location.assign(`/bench/checks/${encodeURIComponent(serial)}/${detail.outcome.saved.id}`);
    } else {
      record = detail.record;
      lock(false);
      showProblem(detail.outcome.refused);
    }
  });

  // The service's clock, whatever this machine's clock says; from when the page came on it counts
  // the time that passed here.
  function shopTime() {
    const slack = form.dataset.clockSlackMs;
    const passed = Date.now() - cameAt;
    return Number(form.dataset.timeMs) + (slack ? Math.min(passed, Number(slack) / 2) : passed);
  }

  function following(element) {
    const all = [...form.querySelectorAll("input, #save")];
    return all[all.indexOf(element) + 1] ?? save;
  }

  function showProgress() {
    const { length } = readings.taken();
    const all = readings.cells.length;
    const tester = about.chosenTester()?.value ?? "no tester chosen";
    form.querySelector("#progress").textContent = `${length} of ${all} readings, ${about.kindInWords()}, ${tester}`;
    save.textContent = length === all ? "Save the check" : `Save ${length} of ${all} readings`;
  }

  // On to the next number; one that looks like a slip is asked about once.
  function goOn(input) {
    const isShown = readings.isShown(input);
    if (!input.value.trim()) {
      if (isShown) return goTo(readings.cellOf(input));
      say("No reading yet. Type what the tester shows; Tab leaves this one out.");
      return;
    }
    const found = readings.judgedInput(input);
    if (found.state === "asks") {
      if (found.wrong || asked !== input.id) {
        asked = input.id;
        say(found.wrong ? found.words : `${found.words} Type it anew, or press Enter again if it is right.`);
        input.select();
        return;
      }
      record.confirmed.push(input.id);
      remember();
      readings.show(readings.cellOf(input));
    }
    say(`${input.value}: ${readings.judgedInput(input).words}.`);
    goTo(readings.after(input));
  }

  function goTo(input) {
    (input ?? save).focus();
    input?.select();
  }

  function say(words) {
    says.textContent = words;
  }

  function remember() {
    record.readings = Object.fromEntries(readings.inputs.map((input) => [input.id, input.value]));
    record.fields = about.fields();
    record.problem = null;
    if (!keep(record)) say("This browser keeps nothing between pages: do not close this one before the check is saved.");
    about.remember(record.fields);
  }

  function restore() {
    about.restore(record.fields);
    for (const input of readings.inputs) input.value = record.readings[input.id] ?? "";
    form.querySelector("#resumed").hidden = !readings.inputs.some((input) => input.value);
  }

  function stop(element, words) {
    faults.replaceChildren(words);
    (element ?? save).focus();
    element?.select?.();
  }

  // Make the check what is sent from now on, and send it.
  function seal(confirmUnusual) {
    faults.replaceChildren();
    if (!readings.taken().length) return stop(firstEmpty(), "There is no reading yet.");
    const typedIn = readings.inputs.filter((input) => input.value.trim());
    const wrong = typedIn.find((input) => readings.judgedInput(input).wrong);
    if (wrong) return stop(wrong, readings.judgedInput(wrong).words);
    const alone = typedIn.map((input) => readings.cellOf(input)).find((cell) => !cell.value.trim());
    if (alone) return stop(alone, "The wrench showed a value here, and the tester's reading is missing.");
    const open = confirmUnusual ? null : typedIn.find((input) => readings.judgedInput(input).state === "asks");
    if (open) {
      asked = open.id;
      return stop(open, `${readings.judgedInput(open).words} Type it anew, or press Enter on it if it is right.`);
    }
    const fault = about.fault();
    if (fault) return stop(...fault);
    remember();
    record.body = {
      ...about.told(),
      direction,
      performed_at: new Date(record.takenAt ?? shopTime()).toISOString(),
      points: readings.points().map(({ point }) => point),
      confirm_unusual: confirmUnusual || record.confirmed.length > 0,
    };
    keep(record);
    lock(true);
    say("Not yet saved. Sending it now.");
    sendAll().then(() => {
      if (record.body) say("Not yet saved: the service cannot be reached. The check is kept in this browser, also when this page is closed, and sent by itself.");
    });
    tell();
  }

  // What is sent must not change while nobody knows whether it has arrived.
  function lock(locked) {
    form.classList.toggle("locked", locked);
    for (const each of form.querySelectorAll("input")) each.disabled = locked;
    save.disabled = locked;
  }

  function showProblem(problem) {
    say("");
    (showRefusal(faults, problem, readings, () => seal(true)) ?? save).focus();
  }
}

// By this machine's clock, when the page came from the service; one that the browser kept and showed
// again came when it was shown first.
function arrival(servedMs) {
  try {
    const known = JSON.parse(sessionStorage.getItem(ARRIVAL) ?? "null");
    if (known?.servedMs === servedMs) return known.at;
    sessionStorage.setItem(ARRIVAL, JSON.stringify({ servedMs, at: Date.now() }));
  } catch {
    // Then it came now.
  }
  return Date.now();
}
