// Parts of the page made new by the server, without losing where the person is.

import { Problem } from "./api.js";

const listeners = [];

/** Call something whenever parts were made new. */
export function afterRefresh(listener) {
  listeners.push(listener);
}

/** Fetch the page again and put in the parts with these identifiers; all that are there by default. */
export async function refresh(ids = ["state", "strip", "place", "photos", "findings", "changes", "length", "ridge-photos", "layout", "record"]) {
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } }).catch(() => null);
  if (!answer?.ok) throw new Problem(answer?.status || 0, "The page cannot be made new; load it again.");
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const where = focusPath(document.activeElement);
  for (const id of ids) {
    const before = document.getElementById(id);
    const after = page.getElementById(id);
    if (before && after && before.innerHTML !== after.innerHTML) before.replaceWith(document.adoptNode(after));
  }
  restoreFocus(where);
  listeners.forEach((listener) => listener(page));
}

function focusPath(element) {
  const part = element?.closest("[id]:not(main)");
  if (!part || element === document.body) return null;
  const same = [...part.querySelectorAll(element.tagName)];
  return { id: part.id, tag: element.tagName, index: same.indexOf(element) };
}

function restoreFocus(where) {
  if (!where || document.activeElement !== document.body) return;
  const part = document.getElementById(where.id);
  const same = where.index < 0 ? part : part?.querySelectorAll(where.tag)[where.index];
  // Gone: the heading of its part. Folded away: what unfolds it.
  const target = !same ? part?.querySelector("h2") : same.checkVisibility() ? same : same.closest("details")?.querySelector("summary");
  if (target && target.tabIndex < 0 && !target.hasAttribute("tabindex")) target.setAttribute("tabindex", "-1");
  target?.focus({ preventScroll: true });
}
