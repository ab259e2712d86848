// The page's language: sentences that the server sent along, looked up by their English.

const told = JSON.parse(document.getElementById("words")?.textContent ?? "{}");
const code = document.documentElement.lang;

/** A sentence in the page's language with `values` in its {places}; English where it is unknown. */
export const t = (sentence, values = {}) => (told[sentence] ?? sentence).replace(/\{(\w+)\}/g, (place, name) => values[name] ?? place);

/** A number as the language writes it, `digits` after the decimal sign, or as many as it has. */
export const numeral = (value, digits) => value.toLocaleString(code, digits === undefined ? {} : { minimumFractionDigits: digits, maximumFractionDigits: digits });
