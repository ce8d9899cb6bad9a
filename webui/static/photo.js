// The photo page: what was found, drawn over the photo; marks by hand, measured again at once, kept or dropped.

import { api, jobPath, tell, tellProblem, units } from "./api.js";
import { Drawn } from "./drawn.js";
import { openFlat } from "./flat.js";
import "./forms.js";
import { changesOf, Marks, NAMES } from "./marks.js";
import { openPhoto } from "./open.js";
import { afterRefresh } from "./refresh.js";
import { showTrial } from "./trial.js";
import { connectTools } from "./viewer.js";
import { onWork, start } from "./work.js";

const data = JSON.parse(document.getElementById("data").textContent);
const stage = document.querySelector(".stage");
const mayChange = Boolean(document.getElementById("trial"));
const viewers = [];
let marks = new Marks(data.marks);
let audits = data.audits;
let undone = [];
let asked = 0;
let begun = null;
let whenReady = null;

const viewer = await openPhoto(document.getElementById("pane"), data.photo, { onTap: tapped });
viewers.push(viewer);
connectTools(stage, () => viewers);
const drawn = new Drawn(viewer, { onMove: moved, onGo: gone });
let flat = null;
show();

stage.querySelector("#show-drawn").addEventListener("change", (event) => {
  drawn.show(event.target.checked);
  flat?.drawn.show(event.target.checked);
});
stage.querySelector("#show-flat")?.addEventListener("change", (event) => {
  const pane = document.getElementById("flat");
  pane.hidden = !event.target.checked;
  if (event.target.checked && !flat) openBeside();
});
stage.querySelectorAll("input[name=mode], #line-kind").forEach((input) => input.addEventListener("change", changeMode));
changeMode();

async function openBeside() {
  try {
    flat = await openFlat(document.getElementById("flat"), data.photo, data.head_mm);
    viewers.push(flat.viewer);
    flat.show(audits);
  } catch (error) {
    await madeReady(error, openBeside).catch(tellProblem);
  }
}

function mode() {
  return stage.querySelector("input[name=mode]:checked")?.value || "look";
}

function changeMode() {
  begun = null;
  viewer.pick(mode() !== "look");
  const kind = stage.querySelector("#line-kind");
  if (kind) kind.parentElement.hidden = mode() !== "line";
  show();
  sayWhatNext();
}

function sayWhatNext() {
  const line = NAMES[stage.querySelector("#line-kind")?.value];
  viewer.told.textContent = { look: "", rivet: "Click the middle of a rivet's base", line: begun ? `Click the other end: ${line}` : `Click one end: ${line}` }[mode()];
}

// Drawing

function show() {
  drawing(marks);
  flat?.show(audits);
}

function drawing(which) {
  const { points, lines } = which.drawing(audits, mayChange, data.head_mm);
  if (begun) points.push({ id: "begun", px: begun, shape: "ghost", label: "begun line", canMove: false, canGo: false });
  drawn.set(points, lines);
}

// Changing

function tapped(px, how) {
  if (mode() === "rivet") change((next) => next.addRivet(px));
  else if (mode() === "line" && !begun) { begun = px; show(); }
  else if (mode() === "line") {
    const ends = [begun, px];
    begun = null;
    change((next) => next.setLine(stage.querySelector("#line-kind").value, ends));
  }
  sayWhatNext();
  if (how === "keys" && mode() === "rivet") tell("Added. Tab leads to the mark; arrow keys move it.");
}

function moved(id, px, isEnd) {
  const next = marks.copy();
  next.move(id, px, audits);
  if (isEnd) take(next);
  else drawing(next);
}

function gone(id) {
  change((next) => next.remove(id));
}

function change(action) {
  const next = marks.copy();
  action(next);
  take(next);
}

function take(next) {
  undone.push(marks);
  marks = next;
  show();
  measure();
}

async function measure() {
  asked += 1;
  const mine = asked;
  sayChanges("Being measured again.");
  const begunAt = performance.now();
  try {
    const answer = await api("POST", jobPath("photos", data.photo, "measure"), { marks: marks.record() });
    if (mine !== asked) return;
    audits = answer.photos;
    show();
    showTrial(audits, units);
    stage.dataset.measuredIn = String(Math.round(performance.now() - begunAt));
    sayChanges("Measured again; nothing is kept yet.");
  } catch (error) {
    if (mine !== asked) return;
    sayChanges("Not measured again yet; nothing is kept yet.");
    await madeReady(error, measure).catch(tellProblem);
  }
}

/** The close-ups must have been looked at once since photos or set-up changed: that is done now, then gone on. */
async function madeReady(error, next) {
  if (error.status !== 409) throw error;
  tell("The close-ups are made ready for marks; this takes a moment.");
  whenReady = next;
  await start(["check"]);
}

onWork((tasks, ended) => {
  const check = ended.find((task) => task.kind === "check");
  const next = whenReady;
  if (!check || !next) return;
  whenReady = null;
  if (check.state === "done") next();
});

function sayChanges(andNow) {
  const words = changesOf(data.marks, marks);
  showTrialBox(Boolean(words || undone.length));
  document.getElementById("trial-told").textContent = words ? `${words}. ${andNow}` : "As it was kept.";
  document.getElementById("keep-marks").disabled = !words;
}

/** Show the box of what is tried, or take it away; the focus that was in it goes to the photo. */
function showTrialBox(isShown) {
  const box = document.getElementById("trial");
  const hadFocus = box.contains(document.activeElement);
  box.hidden = !isShown;
  if (!isShown && hadFocus) viewer.pane.focus();
}

function takeBack() {
  if (!undone.length) return;
  marks = undone.pop();
  show();
  measure();
}

if (mayChange) {
  document.getElementById("take-back").addEventListener("click", takeBack);
  document.getElementById("drop-marks").addEventListener("click", () => {
    undone = [];
    marks = new Marks(data.marks);
    audits = data.audits;
    asked += 1;
    show();
    sayChanges("");
    document.getElementById("trial-table").replaceChildren();
  });
  document.getElementById("keep-marks").addEventListener("click", keep);
  document.addEventListener("keydown", (event) => {
    if ((event.ctrlKey || event.metaKey) && event.key === "z" && !event.target.closest("input, textarea")) {
      event.preventDefault();
      takeBack();
    }
  });
}

async function keep() {
  try {
    await api("PATCH", jobPath("photos", data.photo), { marks: marks.record() });
    data.marks = marks.record();
    undone = [];
    showTrialBox(false);
    tell("The marks are kept; the close-ups are checked again.");
    await start(["check"]);
  } catch (error) {
    tellProblem(error);
  }
}

afterRefresh((page) => {
  const fresh = JSON.parse(page.getElementById("data").textContent);
  const isTouched = Boolean(changesOf(data.marks, marks));
  Object.assign(data, fresh);
  if (isTouched) return;
  marks = new Marks(data.marks);
  audits = data.audits;
  show();
});
