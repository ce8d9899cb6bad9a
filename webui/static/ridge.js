// The ridge page: ends A and B picked in each photo, snapped to what is there, kept at once, measured again.

import { api, jobPath, tell, tellProblem } from "./api.js";
import { Drawn } from "./drawn.js";
import "./forms.js";
import { openPhoto } from "./open.js";
import { afterRefresh, refresh } from "./refresh.js";
import { connectTools } from "./viewer.js";
import { start } from "./work.js";

const KEEP_AFTER_MS = 350;
const MEASURE_AFTER_MS = 1500;
const ASK_AGAIN_MS = 1500;
const WORDS = { corner: "a corner", "line end": "the end of a line", predicted: "where the other photos put it" };

const holder = document.getElementById("data");
if (holder) await open(JSON.parse(holder.textContent));

async function open(data) {
  const stage = document.querySelector(".stage");
  const mayChange = Boolean(document.getElementById("picks"));
  const ends = { ...data.ends };
  let proposed = {};
  let history = [];
  const timers = { keep: 0, measure: 0 };
  // Steps made here, and how many of them the server is known to have.
  const steps = { made: 0, kept: 0 };

  const viewer = await openPhoto(document.getElementById("pane"), data.photo, { onTap: tapped });
  connectTools(stage, () => [viewer]);
  const drawn = new Drawn(viewer, { onMove: moved, onGo: (id) => put(id, null) });
  stage.querySelectorAll("input[name=mode]").forEach((input) => input.addEventListener("change", changeMode));
  changeMode();
  show();
  if (mayChange) propose();
  document.addEventListener("keydown", (event) => {
    if ((event.ctrlKey || event.metaKey) && event.key === "z" && history.length && !event.target.closest("input, textarea")) {
      event.preventDefault();
      restore(history.pop());
    }
  });
  afterRefresh((page) => {
    const fresh = page.getElementById("data");
    if (fresh && steps.made === steps.kept) { Object.assign(ends, { a: undefined, b: undefined }, JSON.parse(fresh.textContent).ends); show(); }
  });

  function mode() {
    return stage.querySelector("input[name=mode]:checked")?.value || "look";
  }

  function changeMode() {
    viewer.pick(mode() !== "look");
    viewer.told.textContent = mode() === "look" ? "" : `Click end ${mode().toUpperCase()} of the ridge`;
  }

  function show() {
    const points = [];
    for (const end of ["a", "b"]) {
      const name = end.toUpperCase();
      if (ends[end]) points.push({ id: end, px: ends[end], shape: "cross", label: `end ${name}, x ${ends[end][0].toFixed(1)}, y ${ends[end][1].toFixed(1)}`, words: name, canMove: mayChange, canGo: mayChange });
      else if (proposed[end]) points.push({ id: `proposed-${end}`, px: proposed[end].px, shape: "ghost", label: `proposed end ${name}, good to ${proposed[end].sigma.toFixed(1)} px`, words: `${name}?`, canMove: false, canGo: false });
    }
    const lines = ends.a && ends.b ? [{ px: [ends.a, ends.b] }] : [];
    drawn.set(points, lines);
    showPicks();
  }

  function showPicks() {
    const box = document.getElementById("picks");
    if (!box) return;
    renew(box, ["a", "b"].map((end) => {
      const line = document.createElement("div");
      line.className = "pick";
      const words = document.createElement("span");
      words.textContent = ends[end] ? `End ${end.toUpperCase()}: x ${ends[end][0].toFixed(1)}, y ${ends[end][1].toFixed(1)} px` : `End ${end.toUpperCase()}: not picked`;
      line.append(words);
      if (ends[end]) line.append(button("Show", () => { viewer.centre(ends[end], Math.max(viewer.scale, 2)); drawn.focus(end); }), button("Take away", () => { put(end, null); viewer.pane.focus(); }));
      return line;
    }));
    showProposed();
  }

  function showProposed() {
    const box = document.getElementById("proposed");
    const open = ["a", "b"].filter((end) => proposed[end] && !ends[end]);
    box.hidden = !open.length;
    renew(box, open.flatMap((end) => [
      button(`Look at the proposed ${end.toUpperCase()}`, () => { viewer.centre(proposed[end].px, Math.max(viewer.scale, 1.5)); drawn.focus(`proposed-${end}`); }),
      button(`Take it as ${end.toUpperCase()}`, () => { put(end, proposed[end].px); drawn.focus(end); }),
    ]));
  }

  /** Ask what is proposed; while the photos are still being tied, ask again. */
  async function propose() {
    try {
      const answer = await api("GET", jobPath("photos", data.photo, "proposals"));
      if (answer.state) setTimeout(propose, ASK_AGAIN_MS);
      else proposed = { ...pointsOf(answer.predicted), ...pointsOf(answer.proposed) };
      show();
    } catch (error) {
      // A photo without a proposal is picked by hand; nothing is lost.
      proposed = {};
    }
  }

  async function tapped(px, how) {
    const end = mode();
    put(end, px);
    if (how === "keys") drawn.focus(end);
    if (!document.getElementById("snap").checked) return advance(end);
    try {
      const snap = await api("POST", jobPath("photos", data.photo, "snap"), { x: px[0], y: px[1], toward: ends[end === "a" ? "b" : "a"] || null });
      const isStill = ends[end] && ends[end][0] === px[0] && ends[end][1] === px[1];
      if (snap && isStill) {
        put(end, [snap.x, snap.y], false);
        tell(`${end.toUpperCase()} snapped to ${WORDS[snap.kind] || snap.kind}, good to ${snap.sigma_px.toFixed(1)} px.`);
      } else if (isStill) tell(`Nothing clear to snap to; ${end.toUpperCase()} stays where you clicked.`);
    } catch (error) {
      tellProblem(error);
    }
    return advance(end);
  }

  /** After A comes B, until both are picked. */
  function advance(end) {
    const other = end === "a" ? "b" : "a";
    const next = ends[other] ? "look" : other;
    const input = stage.querySelector(`input[name=mode][value=${next}]`);
    input.checked = true;
    changeMode();
  }

  function moved(id, px, isEnd) {
    if (isEnd) put(id, px);
  }

  function put(end, px, isStep = true) {
    if (isStep) history.push({ ...ends });
    restore({ ...ends, [end]: px || undefined });
  }

  function restore(picked) {
    Object.assign(ends, { a: undefined, b: undefined }, picked);
    steps.made += 1;
    show();
    clearTimeout(timers.keep);
    clearTimeout(timers.measure);
    timers.keep = setTimeout(keep, KEEP_AFTER_MS);
  }

  async function keep() {
    timers.keep = 0;
    const { made } = steps;
    const picked = Object.fromEntries(Object.entries(ends).filter(([, px]) => px));
    try {
      await api("PATCH", jobPath("photos", data.photo), { ends: picked });
      steps.kept = made;
      await refresh(["state", "ridge-photos"]);
    } catch (error) {
      tellProblem(error);
      return;
    }
    timers.measure = setTimeout(measure, MEASURE_AFTER_MS);
  }

  async function measure() {
    if (document.querySelector("#state .work-note")) await start(["measure"]).catch(tellProblem);
  }

  // What is not kept yet is kept before the page goes.
  addEventListener("pagehide", () => { if (timers.keep) { clearTimeout(timers.keep); keep(); } });
}

/** Return the ends that are points: {end: {px, sigma}}. */
function pointsOf(ends) {
  const found = Object.entries(ends).map(([end, told]) => [end, { px: told.point || [told.x, told.y], sigma: told.sigma_px }]);
  return Object.fromEntries(found.filter(([, told]) => typeof told.px[0] === "number"));
}

/** Put parts into a box, unless it says the same already: what has the focus there keeps it. */
function renew(box, parts) {
  const told = (all) => all.map((part) => part.textContent).join("\n");
  if (told(parts) !== told([...box.children])) box.replaceChildren(...parts);
}

function button(words, action) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = words;
  made.addEventListener("click", action);
  return made;
}
