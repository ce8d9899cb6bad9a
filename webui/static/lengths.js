// Lengths as people write them; the same rules as the server's (calib/lengths.py), held together by a test.

const INCH_MM = 25.4;
const TICKS = 16;

/** Return a length: feet and inches to 1/16 in, or mm to 0.1 mm. */
export function formatLength(mm, units) {
  if (units !== "imperial") return formatMetric(mm);
  return feetInches(Math.floor((Math.abs(mm) / INCH_MM) * TICKS + 0.5), mm < 0);
}

/** Return a length in mm to 0.1 mm. */
export function formatMetric(mm) {
  const shown = mm.toFixed(1);
  return `${shown === "-0.0" ? "0.0" : shown} mm`;
}

/** Return an expanded uncertainty, rounded up so that it is never made smaller. */
export function formatDoubt(mm, units) {
  if (units === "imperial") return `± ${feetInches(Math.ceil((mm / INCH_MM) * TICKS - 1e-9), false)}`;
  return `± ${(Math.ceil(mm * 10 - 1e-9) / 10).toFixed(1)} mm`;
}

/** Return a probability in percent; never 100 or 0 where it is not quite. */
export function formatShare(p) {
  if (p > 0.995) return "> 99 %";
  return p < 0.005 ? "< 1 %" : `${Math.round(100 * p)} %`;
}

function feetInches(ticks, isNegative) {
  const feet = Math.floor(ticks / (12 * TICKS));
  const inches = Math.floor((ticks % (12 * TICKS)) / TICKS);
  let [part, whole] = [ticks % TICKS, TICKS];
  while (part && part % 2 === 0) [part, whole] = [part / 2, whole / 2];
  // Beside feet the inches are always written: 26' 0 3/4" cannot be misread as 26 3/4".
  const shown = [inches || feet || !part ? String(inches) : "", part ? `${part}/${whole}` : ""].filter(Boolean).join(" ");
  return `${isNegative && ticks ? "-" : ""}${feet ? `${feet}' ` : ""}${shown}"`;
}
