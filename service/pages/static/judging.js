// What can be said of a reading while it is typed. The service told every limit beforehand and has
// the last word; nothing here knows more than a deviation, a mean and a spread.

import { percent, plain } from "./numbers.js";

// Rounding of binary fractions is not held against a wrench.
const ROUNDING = 1e-11;
// A number this near its target agrees with it in its own unit.
const AGREES = 0.06;

// Positive: the wrench delivers less than it says (the sign of ISO 6789).
export function deviation(target, reading) {
  return ((target.value - reading) / reading) * 100;
}

// A target at which the wrench itself showed another value: its limits lie about that one.
export function about(target, shown) {
  const moved = (limit) => (target.ofFullScale ? limit + shown - target.value : (limit * shown) / target.value);
  return { ...target, value: shown, lowest: moved(target.lowest), highest: moved(target.highest) };
}

// target        {value, words, lowest, highest, limit, slips, farBelow, farAbove}
// uncertainty   of the tester, in % of the reading; 0 when no tester is chosen yet
// Answer: state is inside, close, outside or asks; the words say it without the state's shape.
export function judge(target, reading, uncertainty) {
  const asks = question(target, reading);
  if (asks) return { state: "asks", words: asks, short: "is this right?" };
  const off = deviation(target, reading);
  const side = Math.abs(off) < 0.005 ? "true" : `${percent(off)} ${off > 0 ? "low" : "high"}`;
  if (reading < target.lowest * (1 - ROUNDING) || reading > target.highest * (1 + ROUNDING)) {
    return { state: "outside", short: `${side}, outside`, words: `${side}, outside ${target.limit}` };
  }
  const doubt = uncertainty / 100;
  if (reading * (1 - doubt) < target.lowest || reading * (1 + doubt) > target.highest) {
    return {
      state: "close",
      short: `${side}, near the limit`,
      words: `${side}, so near the limit that the tester cannot be sure`,
    };
  }
  return { state: "inside", short: `${side}, inside`, words: `${side}, inside` };
}

// What looks like a slip of the hand or of the unit, as a question; empty: nothing does.
export function question(target, reading) {
  if (!(reading > 0)) return "A torque is above zero, whichever the direction.";
  if (Math.abs(reading / target.value - 1) <= AGREES) return "";
  const slip = target.slips.find(([, lowest, highest]) => reading >= lowest && reading <= highest);
  if (slip) {
    return `${plain(reading)} against ${plain(target.value)} ${target.words}: was it in ${slip[0].replace(".", "·")}?`;
  }
  if (reading <= target.farBelow || reading >= target.farAbove) {
    return `${plain(reading)} is far from ${plain(target.value)} ${target.words}: was it mistyped?`;
  }
  return "";
}

// Mean deviation and spread (SD), both in %, of readings each with its target; spread is null for one.
export function together(pairs) {
  const found = pairs.map(([target, reading]) => deviation(target, reading));
  const mean = found.reduce((sum, each) => sum + each, 0) / found.length;
  if (found.length < 2) return { mean, spread: null };
  const squares = found.reduce((sum, each) => sum + (each - mean) ** 2, 0);
  return { mean, spread: Math.sqrt(squares / (found.length - 1)) };
}
