// Making elements. Texts go in as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

export const $ = (id) => document.getElementById(id);

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export const html = (tag, attributes = {}, ...children) => filled(document.createElement(tag), attributes, children);

export const svg = (tag, attributes = {}, ...children) =>
  filled(document.createElementNS(SVG, tag), attributes, children);

export const clock = (atS, digits = 0) => {
  const units = Math.floor(atS * 10 ** digits + 1e-6) / 10 ** digits;
  const minutes = Math.floor(units / 60);
  return `${minutes}:${(units - 60 * minutes).toFixed(digits).padStart(digits ? 3 + digits : 2, "0")}`;
};

// One sign, one word and one style for each outcome: none of them is told by its colour alone.
const LOOKS = {
  correct: { sign: "●", style: "correct" },
  incorrect: { sign: "○", style: "incorrect" },
  "no response": { sign: "·", style: "silent" },
  "no rep": { sign: "x", style: "gone" },
};

export const called = (rep) => rep.outcome ?? "no rep";
export const look = (rep) => LOOKS[called(rep)];
