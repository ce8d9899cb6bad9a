// What the close-up measures with the marks as they stand, before they are kept.

import { formatDoubt, formatLength, formatShare } from "./lengths.js";
import { numbersOf } from "./marks.js";

const HEADS = ["rule", "measured ± U", "likely inside", "verdict"];

/** Show the verdicts of a photo measured again. */
export function showTrial(audits, units) {
  const box = document.getElementById("trial-table");
  const told = audits.flatMap((audit) => (audit.measured ? [] : audit.notes.slice(0, 1)));
  const rows = audits.flatMap(rowsOf);
  const table = element("table", {}, [
    element("thead", {}, [element("tr", {}, HEADS.map((head) => element("th", { scope: "col" }, [head])))]),
    element("tbody", {}, rows.map((row) => line(row, units))),
  ]);
  box.replaceChildren(...told.map((words) => element("p", {}, [words])), table);
}

/** Return the verdicts of an audit: rules in their order, spacings along the ridge, with the rivets that they lie between. */
function rowsOf(audit) {
  const numbers = numbersOf(audit.rivets);
  const rules = [...new Set(audit.verdicts.map((row) => row.rule))];
  const rows = audit.verdicts.map((row) => ({ ...row, rivets: rivetsOf(row, audit.spacings, numbers) }));
  return rows.sort((a, b) => rules.indexOf(a.rule) - rules.indexOf(b.rule) || (a.rivets[0] || 0) - (b.rivets[0] || 0));
}

/** Return the rivets of the spacing that a verdict is about: the spacing has the very same value. */
function rivetsOf(row, spacings, numbers) {
  const same = row.rule === "rivet spacing" && spacings.find((spacing) => spacing.mm === row.measured_mm);
  return same ? [numbers[same.from], numbers[same.to]].sort((a, b) => a - b) : [];
}

function line(row, units) {
  const measured = row.measured_mm === null ? "–" : `${formatLength(row.measured_mm, units)}${row.u95_mm === null ? "" : ` ${formatDoubt(row.u95_mm, units)}`}`;
  return element("tr", {}, [
    element("th", { scope: "row" }, [row.rivets.length ? `${row.rule} ${row.rivets.join("–")}` : row.rule]),
    element("td", {}, [measured]),
    element("td", {}, [row.p_conform === null ? "–" : formatShare(row.p_conform)]),
    element("td", {}, [state(row.verdict)]),
  ]);
}

function state(verdict) {
  const slug = verdict.replaceAll(" ", "-");
  const sign = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  sign.setAttribute("class", "sign");
  sign.setAttribute("aria-hidden", "true");
  const use = sign.appendChild(document.createElementNS("http://www.w3.org/2000/svg", "use"));
  use.setAttribute("href", `#mark-${slug}`);
  return element("span", { class: `state is-${slug}` }, [sign, verdict]);
}

function element(tag, attributes, children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
}
