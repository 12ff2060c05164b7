// The page: what is at hand, what a key does, and what the program answers.

import { JUDGING, MOVING, OTHERS, commandOf, shown } from "./commands.js";
import { $, called, clock, html } from "./dom.js";
import { RepList } from "./list.js";
import { Player } from "./player.js";
import { showFigures, showRep } from "./rep.js";
import * as server from "./server.js";
import { TimeLine } from "./timeline.js";

const NEWS_MS = 3000;
const STEP_S = 0.1;

let state;
let waiting = Promise.resolve(); // changes go one after another, in the order of the keys

const line = new TimeLine($("whole"), $("around"), chooseAt, (atS) => line.showCursor(atS));
const list = new RepList($("list"), (n) => choose(n));
const player = new Player(
  (atS, playing) => {
    line.showCursor(atS);
    playButton.firstChild.textContent = playing ? "Stop" : "Play";
  },
  (message) => warn(message),
);
line.waveMessage = (message) => ($("sound-note").textContent = message);

const rep = () => list.reps?.get(list.current);
const hasSound = () => !state.sound;

function say(text) {
  $("said").textContent = text;
}

function warn(text) {
  $("trouble").textContent = text;
}

function show(found) {
  state = found;
  const { dog, started, place, handler } = state.session;
  $("title").textContent = dog;
  document.title = `Review: ${dog}, ${started}`;
  $("about").textContent = [started, place, handler, state.running ? "still running" : ""].filter(Boolean).join(" · ");
  $("who").textContent = `Corrections are written down as ${state.who}'s.`;
  $("sound-note").textContent = state.sound;
  $("caution").textContent = state.caution;
  playButton.disabled = !hasSound();
  showFigures(state.figures);
  line.show(state);
  refill();
  listen().catch((error) => warn(error.message));
}

// Words and prompts come after the reps, so that those need not wait for them.
async function listen() {
  line.fill(await server.heard());
}

function refill(fromTheFirst = false) {
  const before = fromTheFirst ? undefined : list.current;
  list.limit = $("unsure").checked ? Number($("limit").value) : null;
  list.show(state.reps);
  const none = $("none");
  none.hidden = list.order.length > 0;
  none.textContent = state.reps.length ? "No rep is unsure." : "This session has no reps.";
  choose(list.order.includes(before) ? before : list.order[0], false);
}

function choose(n, played = true) {
  if (n === undefined) {
    if (!list.order.length) {
      list.mark(undefined);
      showRep(undefined);
      line.lookAt(undefined);
    }
    return;
  }
  player.stop();
  if (played) {
    warn("");
    say("");
  }
  list.mark(n);
  line.cursorS = null;
  display();
  line.lookAt(rep());
  if (!hasSound()) return;
  if (played && $("arrive").checked) player.play(rep());
  const next = list.reps.get(list.after(1));
  if (next) player.prepare(next);
}

function chooseAt(atS) {
  const nearest = list.order.map((n) => list.reps.get(n)).sort((a, b) => Math.abs(a.start - atS) - Math.abs(b.start - atS));
  choose(nearest[0]?.n);
}

function display() {
  const one = rep();
  showRep(one);
  $("place-title").textContent = `Time line: rep ${one.n}`;
  $("span").textContent = `${line.spanS} s`;
  for (const command of JUDGING) {
    const button = $(`do-${command.key}`);
    if (command.outcome) button.setAttribute("aria-pressed", String(called(one) === command.outcome));
  }
}

function judge(command, behaviour = null) {
  if (command.kind === "behaviour" && behaviour === null) return askBehaviour();
  const one = rep();
  if (!one && command.kind !== "undo") return undefined;
  if (one && command.outcome === called(one)) return say(`Rep ${one.n} is ${called(one)} already`);
  const atS = command.kind === "split" ? cursorIn(one) : null;
  const n = one?.n ?? 0;
  waiting = waiting.then(() => send({ kind: command.kind, n, at_s: atS, behaviour }));
  return undefined;
}

function cursorIn(one) {
  const atS = line.cursorS;
  return atS !== null && atS > one.start && atS < one.until ? atS : null;
}

async function send(wanted) {
  try {
    const found = await server.change({ ...wanted, seen: state.seen });
    warn("");
    state.seen = found.seen;
    state.news = found.news;
    state.figures = found.figures;
    take(found.reps, found.gone);
    showFigures(found.figures);
    say(`${found.said}. ${found.figures.correct} of ${found.figures.reps} correct`);
  } catch (error) {
    if (error instanceof server.Overtaken) show(error.state);
    warn(error.message);
  }
}

function take(changed, gone) {
  const known = new Map(state.reps.map((one) => [one.n, one]));
  const added = changed.some((one) => !known.has(one.n));
  const moved = added || gone.length || changed.some((one) => known.get(one.n).start !== one.start);
  for (const one of changed) known.set(one.n, one);
  for (const n of gone) known.delete(n);
  state.reps = [...known.values()].sort((a, b) => a.start - b.start || a.n - b.n);
  line.show(state);
  const first = changed[0].n;
  if (moved) refill();
  else changed.forEach((one) => list.update(one));
  if (!changed.some((one) => one.n === list.current) && list.order.includes(first)) choose(first, false);
  display();
  line.lookAt(rep());
}

function askBehaviour() {
  if (!rep()) return;
  $("choices").replaceChildren(...state.behaviours.map(({ name }, index) => {
    const digit = index < 9 ? html("kbd", {}, String(index + 1)) : null;
    const button = html("button", { type: "button", "aria-pressed": String(name === rep().behaviour) }, name, digit);
    button.addEventListener("click", () => {
      $("behaviours").close();
      if (name === rep().behaviour) say(`Rep ${rep().n} is ${name} already`);
      else judge(JUDGING.find(({ kind }) => kind === "behaviour"), name);
    });
    return button;
  }));
  $("behaviours").showModal();
}

const ACTIONS = {
  judge: (command) => judge(command),
  play: () => (player.playing ? player.stop() : hasSound() && rep() && player.play(rep())),
  previous: () => choose(list.after(-1)),
  next: () => choose(list.after(1)),
  first: () => choose(list.order[0]),
  last: () => choose(list.order.at(-1)),
  back: () => nudge(-STEP_S),
  on: () => nudge(STEP_S),
  closer: () => zoom(-1),
  wider: () => zoom(1),
  unsure: () => $("unsure").click(),
  faster: () => say(`Playing ${player.faster()} times as fast`),
  arrive: () => $("arrive").click(),
  help: () => $("help").showModal(),
};

function nudge(byS) {
  const one = rep();
  if (!one) return;
  const atS = line.cursorS ?? (one.start + one.until) / 2;
  line.showCursor(Math.min(one.until, Math.max(one.start, atS + byS)));
  say(`Line at ${clock(line.cursorS, 1)}`);
}

function zoom(by) {
  line.zoom(by);
  $("span").textContent = `${line.spanS} s`;
}

function pressed(event) {
  if ($("behaviours").open) return pressedInChoices(event);
  if (document.querySelector("dialog[open]")) return undefined;
  const { target } = event;
  if (target.matches("input[type=number]")) return undefined;
  if (target.matches("button, input") && [" ", "Enter"].includes(event.key)) return undefined; // its own
  const command = commandOf(event);
  if (!command || (!$("single").checked && command.key.length === 1 && command.key !== " ")) return undefined;
  if (event.repeat && command.does === "judge") return undefined;
  event.preventDefault();
  return ACTIONS[command.does](command);
}

function pressedInChoices(event) {
  const buttons = [...$("choices").children];
  const at = buttons.indexOf(document.activeElement);
  if (/^[1-9]$/.test(event.key)) buttons[Number(event.key) - 1]?.click();
  else if (event.key === "ArrowDown") buttons[(at + 1) % buttons.length].focus();
  else if (event.key === "ArrowUp") buttons[(at - 1 + buttons.length) % buttons.length].focus();
  else return;
  event.preventDefault();
}

function button(command, does) {
  const made = html("button", { type: "button", id: `do-${command.key.trim() || "space"}`, "aria-keyshortcuts": command.aria ?? shown(command) },
    html("span", {}, command.name), html("kbd", { "aria-hidden": "true" }, shown(command)));
  made.addEventListener("click", () => {
    ACTIONS[does](command);
    if (does !== "judge" || command.kind !== "behaviour") $("list").focus({ preventScroll: true });
  });
  return made;
}

$("keys").append(...JUDGING.map((command) => button(command, "judge")));
$("moves").append(...MOVING.map((command) => button(command, command.does)));
const playButton = $("do-space");
$("help-keys").append(...[...JUDGING, ...MOVING, ...OTHERS].filter(({ help }) => help).flatMap((command) => [
  html("dt", {}, html("kbd", {}, shown(command))), html("dd", {}, command.help),
]));

document.addEventListener("keydown", pressed);
$("unsure").addEventListener("change", () => refill(true));
$("limit").addEventListener("change", () => refill($("unsure").checked));
$("closer").addEventListener("click", () => zoom(-1));
$("wider").addEventListener("click", () => zoom(1));
$("show-help").addEventListener("click", () => $("help").showModal());
$("close-help").addEventListener("click", () => $("help").close());
$("keep").addEventListener("click", () => $("behaviours").close());
for (const dialog of document.querySelectorAll("dialog")) {
  dialog.addEventListener("close", () => $("list").focus({ preventScroll: true }));
}

// Other tabs, other reviewers and the running session write into the same log.
async function lookForNews() {
  if (document.visibilityState === "visible") {
    await waiting;
    if ((await server.news()) !== state.news) {
      const seen = state.seen;
      show(await server.state());
      if (state.seen !== seen) say("Somebody else has corrected this session: shown anew");
    }
  }
  setTimeout(followNews, NEWS_MS);
}

const followNews = () => lookForNews().catch((error) => warn(error.message));

try {
  show(await server.state());
  $("list").focus({ preventScroll: true });
  document.documentElement.dataset.ready = "yes";
  setTimeout(followNews, NEWS_MS);
} catch (error) {
  warn(error.message);
}
