// What the service said against a check, finding by finding, and where it is to be mended.

// Answers the first input that is spoken of, or null.
export function showRefusal(place, problem, readings, anyway) {
  const list = document.createElement("ul");
  let unusual = false;
  let first = null;
  for (const finding of problem.errors) {
    const input = inputOf(finding.field, readings);
    const asks = finding.remedy.includes("confirm_unusual");
    unusual ||= asks;
    first ??= input;
    const item = document.createElement("li");
    item.textContent = asks ? finding.detail : `${finding.detail}: ${finding.remedy}`;
    list.append(item);
    if (input) input.closest(".cell").dataset.state = "asks";
  }
  const head = document.createElement("p");
  head.textContent = unusual ? "Not saved. Is this right?" : "Not saved. This has to be mended first:";
  place.replaceChildren(head, list);
  if (unusual) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "It is right as it stands: save it";
    button.addEventListener("click", anyway);
    place.append(button);
  }
  return first;
}

// The input that a JSON pointer of the body speaks of; rows and cells left empty were not sent.
function inputOf(pointer, readings) {
  const parts = /^\/points\/(\d+)\/(readings|indicated)\/values\/(\d+)$/.exec(pointer);
  if (!parts) return null;
  const cell = readings.points()[Number(parts[1])]?.filled[Number(parts[3])] ?? null;
  return parts[2] === "indicated" && cell ? readings.shownOf(cell) ?? cell : cell;
}
