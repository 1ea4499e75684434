// What a cell is shown as. `look` is a colour mixed into it, as red, green, blue and share.
export const STATES = [
  { name: "plain", look: [0, 0, 0, 0] },
  { name: "faint", look: [0.9, 0.9, 0.88, 0.72] },
  { name: "like", look: [0.93, 0.6, 0.13, 0.42] },
  { name: "chosen", look: [0.78, 0.16, 0.1, 0.6] },
  { name: "near", look: [0.9, 0.5, 0.05, 0.68] },
  { name: "unseen", look: [0.1, 0.11, 0.15, 0.62] },
  { name: "hidden", look: [0, 0, 0, 0] },
  { name: "next", look: [0.13, 0.5, 0.36, 0.4] },
  { name: "changed", look: [0.5, 0.2, 0.6, 0.5] },
];
const number = (name) => STATES.findIndex((state) => state.name === name);
export const [PLAIN, FAINT, LIKE, CHOSEN, NEAR, UNSEEN, HIDDEN, NEXT, CHANGED] = STATES.map(
  (state) => number(state.name),
);
