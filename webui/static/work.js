// Work that the server does in the background: its progress, and the page made new when it is done.

import { api, jobId, jobPath, sentence, tell } from "./api.js";
import { refresh } from "./refresh.js";

// Other work, such as tying photos for proposals, is done quietly.
const WORDS = { measure: "Measuring the ridge", check: "Checking the close-ups", plan: "Laying out the cap", report: "Making the report", evidence: "Making the package" };
const ALIVE = ["waiting", "running"];
const listeners = [];
let timer = null;
// The work known from the last look; none before the first.
let seen = null;

/** Call something with the tasks whenever their state was read. */
export function onWork(listener) {
  listeners.push(listener);
}

/** Ask for work, then watch it. */
export async function start(kinds) {
  await api("POST", jobPath("work"), { kinds });
  watch();
}

/** Watch the work of this job until none is left. */
export function watch() {
  clearTimeout(timer);
  look();
}

async function look() {
  let tasks = null;
  try {
    tasks = await api("GET", jobPath("work"));
  } catch {
    timer = setTimeout(look, 3000);
    return;
  }
  const alive = tasks.filter((task) => ALIVE.includes(task.state) && task.kind in WORDS);
  const ended = tasks.filter((task) => task.kind in WORDS && !ALIVE.includes(task.state) && isNews(task));
  seen = new Map(tasks.map((task) => [task.kind, task]));
  if (ended.length) await refresh().catch(() => null);
  show(alive);
  listeners.forEach((listener) => listener(tasks, ended));
  for (const task of ended) {
    if (task.state === "failed") tell(`${WORDS[task.kind]} did not work: ${sentence(task.error)}`, true);
  }
  if (alive.length) timer = setTimeout(look, 700);
  else if (ended.length && ended.every((task) => task.state === "done")) tell("Done.");
}

/** Whether work that is done was under way at the last look, or asked for since: some is done in no time. */
function isNews(task) {
  if (!seen) return false;
  const before = seen.get(task.kind);
  return !before || ALIVE.includes(before.state) || before.asked_utc !== task.asked_utc;
}

function show(tasks) {
  const place = document.querySelector("[data-work]");
  if (!place) return;
  document.querySelectorAll("#state .work-note").forEach((note) => { note.hidden = tasks.length > 0; });
  place.replaceChildren(...tasks.map((task) => {
    const line = document.createElement("div");
    line.className = "task";
    const words = document.createElement("span");
    words.textContent = task.state === "waiting" ? `${WORDS[task.kind]}: waiting` : WORDS[task.kind];
    const bar = document.createElement("progress");
    bar.setAttribute("aria-label", WORDS[task.kind]);
    if (task.of > 0) { bar.max = task.of; bar.value = task.done; }
    line.append(words, bar);
    return line;
  }));
}

if (jobId && document.querySelector("[data-work]")) watch();
