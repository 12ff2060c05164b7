// Every command once: its key, its name, and where its button stands. The help is made from this list.

export const JUDGING = [
  { key: "r", name: "Right", help: "the rep was correct", outcome: "correct", kind: "right" },
  { key: "w", name: "Wrong", help: "the rep was incorrect", outcome: "incorrect", kind: "wrong" },
  { key: "n", name: "No response", help: "nothing came, or too late", outcome: "no response", kind: "no response" },
  { key: "x", name: "Not a rep", help: "cross it out: it was no rep at all", outcome: "no rep", kind: "no rep" },
  { key: "s", name: "Split", help: "it was two reps: split it at the line in the time line, or where its words suggest", kind: "split" },
  { key: "m", name: "Merge", help: "it and the next rep were one", kind: "merge" },
  { key: "b", name: "Behaviour", help: "it was of another behaviour: choose which", kind: "behaviour" },
  { key: "u", name: "Undo", help: "take back your last correction", kind: "undo" },
];

export const MOVING = [
  { key: " ", shown: "Space", aria: "Space", name: "Play", help: "play the rep, or stop", does: "play" },
  { key: "arrowleft", shown: "←", aria: "ArrowLeft", name: "Previous", help: "the rep before (also ↑)", does: "previous" },
  { key: "arrowright", shown: "→", aria: "ArrowRight", name: "Next", help: "the rep after (also ↓)", does: "next" },
];

export const OTHERS = [
  { key: "arrowup", does: "previous" },
  { key: "arrowdown", does: "next" },
  { key: "home", shown: "Home", help: "the first rep", does: "first" },
  { key: "end", shown: "End", help: "the last rep", does: "last" },
  { key: "shift+arrowleft", shown: "Shift ←", help: "move the line in the time line back by a tenth of a second", does: "back" },
  { key: "shift+arrowright", shown: "Shift →", help: "move it on", does: "on" },
  { key: "+", shown: "+", help: "show less time", does: "closer" },
  { key: "-", shown: "−", help: "show more time", does: "wider" },
  { key: "o", shown: "O", help: "only unsure reps, the least sure first; or all", does: "unsure" },
  { key: "p", shown: "P", help: "play each rep when it is reached, or not", does: "arrive" },
  { key: "f", shown: "F", help: "play faster: half as fast again, twice as fast, as it was", does: "faster" },
  { key: "?", shown: "?", help: "these keys", does: "help" },
];

export const shown = (command) => command.shown ?? command.key.toUpperCase();

const every = [...JUDGING.map((one) => ({ ...one, does: "judge" })), ...MOVING, ...OTHERS];

// The command of a key press, if any. Keys with Ctrl, Alt or the system's key belong to the browser.
export function commandOf(event) {
  if (event.ctrlKey || event.altKey || event.metaKey) return undefined;
  const key = event.key.toLowerCase();
  const shift = event.shiftKey && key.startsWith("arrow") ? "shift+" : "";
  return every.find((one) => one.key === shift + key);
}
