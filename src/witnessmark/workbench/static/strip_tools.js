// @ts-check
// The buttons of the strip: everything the keys do, large enough for a gloved finger.

import { KEYS } from "./strip_input.js";

const GROUPS = [
  ["Zoom", [["closer", "Closer"], ["wider", "Wider"], ["everything", "All of it"], ["attempt", "Attempt"], ["fitHeight", "Fill the height"]]],
  ["Move", [["start", "Start"], ["backScreen", "Screen back"], ["onScreen", "Screen on"], ["end", "End"]]],
  ["By the crank", [["cycleBack", "Cycle back"], ["turnBack", "Turn back"], ["turnOn", "Turn on"], ["cycleOn", "Cycle on"]]],
  ["To what was found", [["previousFinding", "Finding before"], ["nextFinding", "Next finding"], ["nextPlace", "Its next place"]]],
  ["Measure", [["markA", "Mark a"], ["markB", "Mark b"], ["clearMarks", "No marks"], ["pickTooth", "Show this tooth"]]],
  ["Keep", [["png", "Save picture"], ["svg", "Save drawing"]]],
];
const SPOKEN = { "[": "[", "]": "]", ",": "comma", ".": "full stop", "+": "plus", "-": "minus" };

/** @param {any} strip */
export function toolbar(strip) {
  const bar = document.createElement("div");
  bar.className = "strip-tools";
  for (const [words, tools] of GROUPS) {
    const group = document.createElement("div");
    group.className = "strip-group";
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", words);
    for (const [name, label] of tools) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = label;
      button.dataset.act = name;
      const key = Object.keys(KEYS).find((k) => KEYS[k] === name);
      if (key) button.title = `Key: ${SPOKEN[key] ?? key}`;
      button.addEventListener("click", () => strip.act(name));
      if (name === "fitHeight") {
        button.setAttribute("aria-pressed", "false");
        strip.element.addEventListener("fit", () => button.setAttribute("aria-pressed", String(strip.fitHeights)));
      }
      group.append(button);
    }
    bar.append(group);
  }
  return bar;
}
