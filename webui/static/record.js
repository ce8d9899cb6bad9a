// The record page: papers are made in the background, then fetched.

import { api, jobPath, sentence, tell, tellProblem } from "./api.js";
import "./forms.js";
import { onWork, watch } from "./work.js";

const papers = [...document.querySelectorAll("[data-paper]")];

for (const paper of papers) {
  paper.querySelector("[data-make]")?.addEventListener("click", async (event) => {
    if (event.currentTarget.ariaDisabled === "true") return;
    try {
      await api("POST", jobPath(paper.dataset.paper), {});
      watch();
    } catch (error) {
      tellProblem(error);
    }
  });
}

onWork((tasks, ended) => {
  for (const paper of papers) {
    const task = tasks.find((each) => each.kind === paper.dataset.paper);
    const isAlive = task && ["waiting", "running"].includes(task.state);
    const button = paper.querySelector("[data-make]");
    // Not disabled outright: it would lose the focus.
    if (button) button.ariaDisabled = String(Boolean(isAlive));
    paper.querySelector("[data-get]").hidden = task?.state !== "done";
    paper.querySelector("[data-state]").textContent = isAlive ? "Being made" : task?.state === "failed" ? sentence(task.error) : "";
    if (ended.some((each) => each.kind === paper.dataset.paper && each.state === "done")) tell("It is ready to download.");
  }
});
