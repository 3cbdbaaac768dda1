// Numbers as a bench types them, and as a page writes them.

const NUMBER = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)$/;

// The number that was typed, with a point or a comma before its decimals; NaN when it is none.
export function typed(text) {
  const trimmed = text.trim();
  return NUMBER.test(trimmed) ? Number(trimmed.replace(",", ".")) : NaN;
}

// Two decimals below ten percent, one above: a bench can tell no more.
export function percent(value) {
  const size = Math.abs(value);
  return `${size.toFixed(size < 9.95 ? 2 : 1)} %`;
}

export function plain(value) {
  return String(Number(value.toPrecision(4)));
}
