// Words, short codes and numbers as they are shown.

export const VERDICT = {
  yes: { words: "square on", sign: "yes" },
  no: { words: "not square on", sign: "no" },
  "cannot tell": { words: "cannot tell", sign: "maybe" },
};

export const STATE = {
  proposed: "to decide",
  accepted: "accepted",
  changed: "accepted, changed",
  rejected: "rejected",
  double: "second reading wanted",
  adjudicate: "readers differ",
};

export const ROLE = { first: "first reader", second: "second reader, blinded", adjudicator: "adjudicator" };

const PARTS = {
  epicondyle: "Ep",
  condyle_distal: "Cd",
  condyle_posterior: "Cp",
  femoral_flare: "Ff",
  tibial_flare: "Tf",
  plateau_edge: "Pe",
  plateau_anterior: "Pa",
  plateau_posterior: "Pp",
  spine: "Sp",
};
const CODES = {
  adductor_tubercle: "At",
  notch_apex: "No",
  trochlea_anterior: "Tr",
  fibular_head: "Fi",
  tibial_tuberosity: "Tt",
  patella_superior: "Ks",
  patella_inferior: "Ki",
  patella_medial: "mKn",
  patella_lateral: "lKn",
};

/** Two to four letters for a landmark: m or l first, capital for the part. */
export function codeOf(name) {
  if (CODES[name]) return CODES[name];
  const shaft = name.match(/^(femoral|tibial)_shaft_(\w)\w+_(low|high)$/);
  if (shaft) return `${shaft[2]}${shaft[1] === "femoral" ? "F" : "T"}${shaft[3] === "low" ? "↓" : "↑"}`;
  const [side, ...rest] = name.split("_");
  return `${side[0]}${PARTS[rest.join("_")] ?? rest[0]}`;
}

export const plain = (name) => name.replaceAll("_", " ");

/** Which side of the knee a landmark belongs to. */
export function sideOf(name) {
  if (/(^|_)medial(_|$)/.test(name)) return "medial";
  if (/(^|_)lateral(_|$)/.test(name)) return "lateral";
  return "middle";
}

export const signed = (value, digits = 1) =>
  value === null || value === undefined ? "–" : `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(digits)}`;

export const degrees = (value, digits = 1) =>
  value === null || value === undefined ? "–" : `${signed(value, digits)}°`;

export const span = (pair, digits = 1) =>
  pair ? `${signed(pair[0], digits)} to ${signed(pair[1], digits)}` : "–";

export const percent = (share, digits = 0) =>
  share === null || share === undefined ? "–" : `${(100 * share).toFixed(digits)} %`;

export function when(text) {
  const date = new Date(text);
  return Number.isNaN(date.getTime())
    ? text
    : date.toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
}

/** "20200101 120001.5" as "1 Jan 2020, 12:00:01"; anything else as it is. */
export function acquired(text) {
  const parts = text?.match(/^(\d{4})(\d\d)(\d\d)[ T]?(\d\d)?(\d\d)?(\d\d)?/);
  if (!parts) return text ?? "–";
  const [, y, m, d, hour, minute, second] = parts;
  const day = `${y}-${m}-${d}`;
  return hour ? `${day} ${hour}:${minute ?? "00"}:${second ?? "00"}` : day;
}

/** The landmark on the other side; itself where there is none. */
export function twin(name) {
  return name.replace(/(^|_)(medial|lateral)(_|$)/, (_, before, side, after) => before + (side === "medial" ? "lateral" : "medial") + after);
}
