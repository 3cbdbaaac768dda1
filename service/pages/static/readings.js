// The readings of a check as they stand in the form: what was typed, and what it says row by row.
//
// Each cell holds what the tester shows and, where the wrench shows a value of its own, what that
// was; left empty, the wrench was pulled until it showed the target.

import { about, judge, question, together } from "./judging.js";
import { percent, typed } from "./numbers.js";

const SVG = "http://www.w3.org/2000/svg";

// tester      answers the uncertainty of the tester chosen, in %
// confirmed   answers the ids of inputs whose odd numbers were said to be right
export function readingsOf(form, tester, confirmed) {
  const rows = [...form.querySelectorAll(".target")].map(rowOf);
  const cells = rows.flatMap((row) => row.cells);
  const shown = new Map(cells.map((cell) => [cell, document.getElementById(cell.dataset.shown ?? "")]));
  // In the order in which a bench types them.
  const inputs = cells.flatMap((cell) => [shown.get(cell), cell].filter(Boolean));
  const cellOf = (input) => cells.find((cell) => cell === input || shown.get(cell) === input);
  const rowOfCell = (cell) => rows[cell.dataset.row];

  function targetOf(cell) {
    const { target } = rowOfCell(cell);
    const value = typed(shown.get(cell)?.value ?? "");
    return value > 0 ? about(target, value) : target;
  }

  // What is to be said of one input: of the wrench's own value, or of the tester's against it.
  function judgedInput(input) {
    const cell = cellOf(input);
    const value = typed(input.value);
    if (Number.isNaN(value)) return { state: "asks", short: "not a number", words: `${input.value} is not a number.`, wrong: true };
    const isShown = input !== cell;
    const asks = isShown ? question(rowOfCell(cell).target, value) : "";
    const found = isShown
      ? { state: asks ? "asks" : "", short: asks ? "did it show this?" : "", words: asks || "shown by the wrench" }
      : judge(targetOf(cell), value, tester());
    if (!(value > 0)) found.wrong = true;
    if (found.state === "asks" && !found.wrong && confirmed().includes(input.id)) {
      return { state: isShown ? "" : "outside", short: "as typed", words: "taken as it was typed" };
    }
    return found;
  }

  // Of a cell: its odd value first, whichever of the two it is.
  function judged(cell) {
    const own = shown.get(cell);
    const of = own?.value.trim() ? judgedInput(own) : null;
    return of?.state === "asks" ? of : judgedInput(cell);
  }

  function show(cell) {
    const told = document.getElementById(cell.getAttribute("aria-describedby"));
    const own = shown.get(cell);
    const any = cell.value.trim() || own?.value.trim();
    const found = !any ? { state: "", short: "" } : cell.value.trim() ? judged(cell) : judgedInput(own);
    cell.closest(".cell").dataset.state = found.state;
    told.textContent = found.short;
    for (const input of [own, cell]) {
      input?.setAttribute("aria-invalid", input.value.trim() && judgedInput(input).state === "asks" ? "true" : "false");
    }
    showRow(rowOfCell(cell));
  }

  function showRow(row) {
    const taken = row.cells.filter((cell) => cell.value.trim() && judged(cell).state !== "asks");
    const pairs = taken.map((cell) => [targetOf(cell), typed(cell.value)]);
    const sums = row.element.querySelector(".summary");
    row.element.querySelector(".marks").replaceChildren(...pairs.map(([target, reading]) => mark(target, reading)));
    sums.textContent = "";
    sums.className = "summary";
    if (!pairs.length) return;
    const { mean, spread } = together(pairs);
    const level = Math.abs(mean) < 0.005 ? "true" : `${percent(mean)} ${mean > 0 ? "low" : "high"}`;
    sums.textContent = `On average ${level}` + (spread === null ? "." : `, spread ${percent(spread)}.`);
    if (pairs.length === row.cells.length && spread > row.quietSd) {
      sums.classList.add("close");
      sums.textContent += ` They scatter more than this wrench is known for (${percent(row.quietSd)} is the most to expect): measure them again.`;
    }
  }

  // The points of the body, and for each the cells that its readings came from.
  function points() {
    return rows
      .map((row) => {
        const filled = row.cells.filter((cell) => cell.value.trim());
        const own = filled.map((cell) => typed(shown.get(cell)?.value ?? ""));
        const point = {
          target: { value: row.target.value, unit: row.unit },
          readings: { values: filled.map((cell) => typed(cell.value)), unit: row.unit },
        };
        if (own.some((value) => value > 0)) {
          point.indicated = { values: own.map((value) => (value > 0 ? value : row.target.value)), unit: row.unit };
        }
        return { filled, point };
      })
      .filter(({ filled }) => filled.length);
  }

  return {
    cells,
    inputs,
    has: (input) => inputs.includes(input),
    isShown: (input) => inputs.includes(input) && !cells.includes(input),
    cellOf,
    shownOf: (cell) => shown.get(cell),
    judgedInput,
    judged,
    show,
    showAll: () => cells.forEach(show),
    points,
    taken: () => cells.filter((cell) => cell.value.trim()),
    // The first place that still wants a number; none: undefined.
    firstEmpty() {
      const cell = cells.find((each) => !each.value.trim());
      return cell && (shown.get(cell)?.value.trim() ? cell : shown.get(cell) ?? cell);
    },
    after: (input) => inputs[inputs.indexOf(input) + 1],
  };
}

function rowOf(element) {
  const own = element.dataset;
  return {
    element,
    cells: [...element.querySelectorAll("input.reading")],
    unit: own.unit,
    quietSd: own.quietSd === "" ? Infinity : Number(own.quietSd),
    target: {
      value: Number(own.value),
      words: own.unitWords,
      limit: own.limitWords,
      lowest: Number(own.lowest),
      highest: Number(own.highest),
      ofFullScale: own.ofFullScale === "true",
      farBelow: Number(own.farBelow),
      farAbove: Number(own.farAbove),
      slips: JSON.parse(own.slips),
    },
  };
}

function mark(target, reading) {
  const half = reading < target.value ? target.value - target.lowest : target.highest - target.value;
  const at = 100 + (60 * (reading - target.value)) / half;
  const found = document.createElementNS(SVG, "path");
  found.setAttribute("d", `M${Math.max(4, Math.min(196, at))} 6V24`);
  return found;
}
