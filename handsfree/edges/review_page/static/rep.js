// What is known of the rep at hand, in words.

import { $, called, clock, html } from "./dom.js";

const percent = (share) => `${Math.round(100 * share)} %`;
const word = (one) => (one ? `“${one.text}” at ${clock(one.start, 1)} (confidence ${one.confidence.toFixed(2)})` : "none");

export function showRep(rep) {
  $("rep-title").textContent = rep ? `Rep ${rep.n}: ${rep.behaviour}, ${called(rep)}` : "No reps";
  $("facts").replaceChildren(...(rep ? facts(rep) : []).flatMap(([name, text]) => [html("dt", {}, name), html("dd", {}, text)]));
  const made = rep?.history ?? [];
  $("history").replaceChildren(...(made.length ? [html("h3", {}, "Corrections"), html("ul", {}, ...made.map(line))] : []));
}

function facts(rep) {
  const found = [
    ["step", rep.criterion ? `${rep.step}, ${rep.criterion}` : String(rep.step)],
    ["time", `${clock(rep.start, 1)} to ${clock(rep.end, 1)}`],
    ["cue", word(rep.cue)],
    ["decided by", rep.word ? word(rep.word) : rep.recue ? "the cue was given again" : "no word"],
  ];
  if (rep.to_marker !== null) found.push(["cue-to-marker", `${rep.to_marker.toFixed(2)} s`]);
  if (rep.counted === null) found.push(["counted live", "no: split off by a reviewer"]);
  else if (rep.counted !== called(rep)) found.push(["counted live", rep.counted]);
  if (rep.doubt) found.push(["doubt", rep.doubt]);
  return found;
}

function line({ who, when, what }) {
  return html("li", {}, `${what}, ${who} `, html("span", { class: "when" }, when));
}

export function showFigures({ correct, reps, behaviours }) {
  const row = (name, one) => html("tr", {},
    html("th", { scope: "row" }, name),
    html("td", {}, `${one.correct} of ${one.reps}`),
    html("td", {}, one.interval ? percent(one.rate) : ""),
    html("td", {}, one.interval ? `${Math.round(100 * one.interval[0])} to ${percent(one.interval[1])}` : ""),
  );
  const all = row("all", { correct, reps });
  $("figures").tBodies[0].replaceChildren(...behaviours.map((one) => row(one.name, one)), all);
}
