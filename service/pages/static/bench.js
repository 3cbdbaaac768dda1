// The sheet of one check: readings typed with the number pad alone, judged as they are entered, kept
// until the service has acknowledged them.

import { sendAll, tell } from "./frame.js";
import { judge, together } from "./judging.js";
import { percent, plain, typed } from "./numbers.js";
import { draft, drop, keep } from "./outbox.js";

const REMEMBERED = "wrench-drift/bench";
const SVG = "http://www.w3.org/2000/svg";
const form = document.querySelector("#check");
if (form) begin();

function begin() {
  const cells = [...form.querySelectorAll(".cell input")];
  const rows = [...form.querySelectorAll(".target")].map(readRow);
  const says = form.querySelector("#says");
  const faults = form.querySelector("#faults");
  const save = form.querySelector("#save");
  const loadedAt = performance.now();
  const { serial, direction } = form.dataset;
  let record = draft(serial, direction);
  let asked = null; // the reading whose question was put

  restore();
  cells.forEach((cell) => showJudgement(cell));
  rows.forEach(showRow);
  showProgress();
  (form.tester && chosenTester() ? cells.find((cell) => !cell.value) ?? save : form.querySelector("[name=tester]") ?? save).focus();
  if (record.problem) showProblem(record.problem);

  form.addEventListener("input", (event) => {
    const cell = event.target;
    if (cells.includes(cell)) {
      asked = null;
      record.confirmed = record.confirmed.filter((id) => id !== cell.id);
      record.takenAt = shopTime();
      showJudgement(cell);
      showRow(rows[cell.dataset.row]);
    } else if (cell.name === "tester") {
      cells.forEach((each) => showJudgement(each));
      rows.forEach(showRow);
    }
    remember();
    showProgress();
  });

  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.target === save || event.target.type === "button") return;
    event.preventDefault();
    if (cells.includes(event.target)) goOn(event.target);
    else if (event.target.name === "tester" || event.target.name === "kind") firstEmpty().focus();
    else following(event.target).focus();
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

  function readRow(element) {
    const own = element.dataset;
    return {
      element,
      cells: [...element.querySelectorAll(".cell input")],
      unit: own.unit,
      quietSd: own.quietSd === "" ? Infinity : Number(own.quietSd),
      target: {
        value: Number(own.value),
        words: own.unitWords,
        limit: own.limitWords,
        lowest: Number(own.lowest),
        highest: Number(own.highest),
        farBelow: Number(own.farBelow),
        farAbove: Number(own.farAbove),
        slips: JSON.parse(own.slips),
      },
    };
  }

  // The service's clock, whatever this machine's clock says.
  function shopTime() {
    const slack = form.dataset.clockSlackMs;
    const passed = performance.now() - loadedAt;
    return Number(form.dataset.timeMs) + (slack ? Math.min(passed, Number(slack) / 2) : passed);
  }

  function chosenTester() {
    return form.querySelector("[name=tester]:checked");
  }

  function firstEmpty() {
    return cells.find((cell) => !cell.value.trim()) ?? save;
  }

  function following(element) {
    const all = [...form.querySelectorAll("input, #save")];
    return all[all.indexOf(element) + 1] ?? save;
  }

  function judged(cell) {
    const reading = typed(cell.value);
    if (Number.isNaN(reading)) return { state: "asks", short: "not a number", words: `${cell.value} is not a number.`, wrong: true };
    const found = judge(rows[cell.dataset.row].target, reading, Number(chosenTester()?.dataset.uncertainty ?? 0));
    if (!(reading > 0)) found.wrong = true;
    if (found.state === "asks" && record.confirmed.includes(cell.id)) {
      return { state: "outside", short: "as typed", words: "taken as it was typed" };
    }
    return found;
  }

  function showJudgement(cell) {
    const told = form.querySelector(`#${CSS.escape(cell.getAttribute("aria-describedby"))}`);
    const found = cell.value.trim() ? judged(cell) : { state: "", short: "" };
    cell.parentElement.dataset.state = found.state;
    told.textContent = found.short;
    cell.setAttribute("aria-invalid", found.state === "asks" ? "true" : "false");
  }

  function showRow(row) {
    const readings = row.cells
      .filter((cell) => cell.value.trim() && judged(cell).state !== "asks")
      .map((cell) => typed(cell.value));
    const sums = row.element.querySelector(".summary");
    const marks = row.element.querySelector(".marks");
    marks.replaceChildren(...readings.map((reading) => mark(row.target, reading)));
    sums.textContent = "";
    sums.className = "summary";
    if (!readings.length) return;
    const { mean, spread } = together(row.target, readings);
    const level = Math.abs(mean) < 0.005 ? "true" : `${percent(mean)} ${mean > 0 ? "low" : "high"}`;
    sums.textContent = `On average ${level}` + (spread === null ? "." : `, spread ${percent(spread)}.`);
    if (readings.length === row.cells.length && spread > row.quietSd) {
      sums.classList.add("close");
      sums.textContent += ` They scatter more than this wrench is known for (${percent(row.quietSd)} is the most to expect): measure them again.`;
    }
  }

  function mark(target, reading) {
    const half = reading < target.value ? target.value - target.lowest : target.highest - target.value;
    const at = 100 + (60 * (reading - target.value)) / half;
    const found = document.createElementNS(SVG, "path");
    found.setAttribute("d", `M${Math.max(4, Math.min(196, at))} 6V24`);
    return found;
  }

  function showProgress() {
    const taken = cells.filter((cell) => cell.value.trim()).length;
    const kind = form.querySelector("[name=kind]:checked").dataset.words;
    const tester = chosenTester()?.value ?? "no tester chosen";
    form.querySelector("#progress").textContent = `${taken} of ${cells.length} readings, ${kind}, ${tester}`;
    save.textContent = taken === cells.length ? "Save the check" : `Save ${taken} of ${cells.length} readings`;
  }

  // On to the next reading; a number that looks like a slip is asked about once.
  function goOn(cell) {
    if (!cell.value.trim()) {
      say("No reading yet. Type what the tester shows; Tab leaves this one out.");
      return;
    }
    const found = judged(cell);
    if (found.state === "asks") {
      if (found.wrong || asked !== cell.id) {
        asked = cell.id;
        say(found.wrong ? found.words : `${found.words} Type it anew, or press Enter again if it is right.`);
        cell.select();
        return;
      }
      record.confirmed.push(cell.id);
      remember();
      showJudgement(cell);
      showRow(rows[cell.dataset.row]);
    }
    say(`${cell.value}: ${judged(cell).words}.`);
    const next = cells[cells.indexOf(cell) + 1] ?? save;
    next.focus();
    if (next !== save) next.select();
  }

  function say(words) {
    says.textContent = words;
  }

  function remember() {
    record.readings = Object.fromEntries(cells.map((cell) => [cell.id, cell.value]));
    record.fields = {
      kind: form.kind.value,
      tester: chosenTester()?.value ?? "",
      operator: form.operator.value,
      temperature: form.temperature.value,
      cycles: form.cycles.value,
    };
    record.problem = null;
    if (!keep(record)) say("This browser keeps nothing between pages: do not close this one before the check is saved.");
    try {
      localStorage.setItem(REMEMBERED, JSON.stringify({ tester: record.fields.tester, operator: record.fields.operator }));
    } catch {
      // The bench types them again.
    }
  }

  function restore() {
    let usual = {};
    try {
      usual = JSON.parse(localStorage.getItem(REMEMBERED) ?? "{}");
    } catch {
      // Nothing is remembered.
    }
    const fields = { ...usual, ...record.fields };
    form.operator.value = fields.operator ?? "";
    form.temperature.value = fields.temperature ?? "";
    form.cycles.value = fields.cycles ?? "";
    const tester = [...form.querySelectorAll("[name=tester]")].find((each) => each.value === fields.tester);
    if (tester) tester.checked = true;
    if (record.fields.kind && !new URLSearchParams(location.search).get("kind")) form.kind.value = record.fields.kind;
    for (const cell of cells) cell.value = record.readings[cell.id] ?? "";
    form.querySelector("#resumed").hidden = !cells.some((cell) => cell.value);
  }

  function stop(element, words) {
    faults.replaceChildren(words);
    element.focus();
    element.select?.();
  }

  // Make the check what is sent from now on, and send it.
  function seal(confirmUnusual) {
    faults.replaceChildren();
    const filled = cells.filter((cell) => cell.value.trim());
    if (!filled.length) return stop(cells[0], "There is no reading yet.");
    const wrong = filled.find((cell) => judged(cell).wrong);
    if (wrong) return stop(wrong, judged(wrong).words);
    const open = confirmUnusual ? null : filled.find((cell) => judged(cell).state === "asks");
    if (open) {
      asked = open.id;
      return stop(open, `${judged(open).words} Type it anew, or press Enter on it if it is right.`);
    }
    const tester = chosenTester();
    if (!tester) return stop(form.querySelector("[name=tester]") ?? save, "Which tester took these readings?");
    const temperature = typed(form.temperature.value);
    if (form.temperature.value.trim() && Number.isNaN(temperature)) {
      return stop(form.temperature, "The temperature is not a number; leave it out if it is not known.");
    }
    const cycles = typed(form.cycles.value);
    if (form.cycles.value.trim() && !Number.isInteger(cycles)) {
      return stop(form.cycles, "The count of cycles is a whole number; leave it out if it is not known.");
    }
    remember();
    record.body = {
      kind: form.kind.value,
      direction,
      performed_at: new Date(record.takenAt ?? shopTime()).toISOString(),
      tester: tester.value,
      operator: form.operator.value.trim() || null,
      temperature_c: Number.isNaN(temperature) ? null : temperature,
      cycle_count: Number.isNaN(cycles) ? null : cycles,
      points: rows
        .map((row) => ({
          target: { value: row.target.value, unit: row.unit },
          readings: { values: row.cells.map((cell) => typed(cell.value)).filter((reading) => reading > 0), unit: row.unit },
        }))
        .filter((point) => point.readings.values.length),
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
    const list = document.createElement("ul");
    let unusual = false;
    let first = null;
    for (const finding of problem.errors) {
      const cell = cellOf(finding.field);
      const asks = finding.remedy.includes("confirm_unusual");
      unusual ||= asks;
      first ??= cell;
      const item = document.createElement("li");
      item.textContent = asks ? finding.detail : `${finding.detail}: ${finding.remedy}`;
      list.append(item);
      if (cell) cell.parentElement.dataset.state = "asks";
    }
    const head = document.createElement("p");
    head.textContent = unusual ? "Not saved. Is this right?" : "Not saved. This has to be mended first:";
    faults.replaceChildren(head, list);
    if (unusual) {
      const anyway = document.createElement("button");
      anyway.type = "button";
      anyway.textContent = "It is right as it stands: save it";
      anyway.addEventListener("click", () => seal(true));
      faults.append(anyway);
    }
    (first ?? save).focus();
  }

  // The input that a JSON pointer of the body speaks of; rows and cells left empty were not sent.
  function cellOf(pointer) {
    const parts = /^\/points\/(\d+)\/readings\/values\/(\d+)$/.exec(pointer);
    if (!parts) return null;
    const sent = rows.map((row) => row.cells.filter((cell) => cell.value.trim())).filter((row) => row.length);
    return sent[Number(parts[1])]?.[Number(parts[2])] ?? null;
  }
}
