// What is said about a check beside its readings: kind, tester, who, temperature, cycles.

import { typed } from "./numbers.js";

const REMEMBERED = "wrench-drift/bench";

export function circumstancesOf(form) {
  const testers = [...form.querySelectorAll("[name=tester]")];
  const chosen = () => testers.find((each) => each.checked);

  function usual() {
    try {
      return JSON.parse(localStorage.getItem(REMEMBERED) ?? "{}");
    } catch {
      return {}; // Nothing is remembered.
    }
  }

  return {
    chosenTester: chosen,
    uncertainty: () => Number(chosen()?.dataset.uncertainty ?? 0),
    kindInWords: () => form.querySelector("[name=kind]:checked").dataset.words,

    fields: () => ({
      kind: form.kind.value,
      tester: chosen()?.value ?? "",
      operator: form.operator.value,
      temperature: form.temperature.value,
      cycles: form.cycles.value,
    }),

    // Who measures with which tester is likely the same at the next check.
    remember({ tester, operator }) {
      try {
        localStorage.setItem(REMEMBERED, JSON.stringify({ tester, operator }));
      } catch {
        // The bench types them again.
      }
    },

    restore(kept) {
      const fields = { ...usual(), ...kept };
      form.operator.value = fields.operator ?? "";
      form.temperature.value = fields.temperature ?? "";
      form.cycles.value = fields.cycles ?? "";
      const tester = testers.find((each) => each.value === fields.tester);
      if (tester) tester.checked = true;
      if (kept.kind && !new URLSearchParams(location.search).get("kind")) form.kind.value = kept.kind;
    },

    // What is wrong with them: [element, words]; null: nothing.
    fault() {
      if (!chosen()) return [testers[0], "Which tester took these readings?"];
      if (form.temperature.value.trim() && Number.isNaN(typed(form.temperature.value))) {
        return [form.temperature, "The temperature is not a number; leave it out if it is not known."];
      }
      if (form.cycles.value.trim() && !Number.isInteger(typed(form.cycles.value))) {
        return [form.cycles, "The count of cycles is a whole number; leave it out if it is not known."];
      }
      return null;
    },

    // As members of the body.
    told() {
      const temperature = typed(form.temperature.value);
      const cycles = typed(form.cycles.value);
      return {
        kind: form.kind.value,
        tester: chosen().value,
        operator: form.operator.value.trim() || null,
        temperature_c: Number.isNaN(temperature) ? null : temperature,
        cycle_count: Number.isNaN(cycles) ? null : cycles,
      };
    },
  };
}
