// By day, by night, or as the system has it: one choice for every page.

const KEPT = "squareon theme";

/** What the button leads to from each. */
export const NEXT = { auto: "light", light: "dark", dark: "auto" };

/** Shows the page by `next`, or as it was chosen before; returns which that is. */
export function theme(next) {
  if (next) localStorage.setItem(KEPT, next);
  const chosen = localStorage.getItem(KEPT) ?? "auto";
  document.documentElement.dataset.theme = chosen;
  return chosen;
}
