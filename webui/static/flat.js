// The flange seen straight on, to scale, with what was found on it.

import { api, jobPath, units } from "./api.js";
import { Drawn } from "./drawn.js";
import { formatLength } from "./lengths.js";
import { numbersOf, ringPx } from "./marks.js";
import { Tiles, Viewer } from "./viewer.js";

/** Open the flange of a photo in a pane. */
export async function openFlat(pane, name, headMm) {
  const path = jobPath("photos", name);
  const about = await api("GET", `${path}/rectified.json`);
  const viewer = new Viewer(pane, new Tiles(about.width, about.height, Math.max(about.width, about.height), 1, () => `${path}/rectified`), { label: `Flange of ${name}, to scale` });
  const drawn = new Drawn(viewer);
  const at = (mm) => apply(about.px_from_mm, mm);
  return { viewer, drawn, show: (audits) => show(drawn, at, ringPx(headMm, about.mm_per_px), audits.find((audit) => audit.target?.name === about.target) || audits[0]) };
}

function show(drawn, at, radiusPx, audit) {
  if (!audit) return drawn.set([], []);
  const numbers = numbersOf(audit.rivets);
  const points = audit.rivets.map((rivet, index) => ({
    id: `flat:${index}`, px: at(rivet.mm), shape: "ring", radiusPx, label: `rivet ${numbers[index]}`, words: String(numbers[index]), canMove: false, canGo: false,
  }));
  const lines = audit.spacings.map((spacing) => ({
    px: [spacing.from, spacing.to].map((index) => at(audit.rivets[index].mm)), words: formatLength(spacing.mm, units),
  }));
  if (audit.lap) lines.push({ px: audit.lap.edge_mm.map(at), words: "lap edge", isAtEnd: true });
  return drawn.set(points, lines);
}

function apply(matrix, [x, y]) {
  const [u, v, w] = matrix.map((row) => row[0] * x + row[1] * y + row[2]);
  return [u / w, v / w];
}
