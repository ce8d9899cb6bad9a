// The job page: photos dropped, chosen or taken go to a place; cards are dragged onto the ridge.

import { api, jobPath, tell, tellProblem } from "./api.js";
import "./forms.js";
import { refresh } from "./refresh.js";
import { showUploads, Uploads } from "./uploads.js";
import { watch } from "./work.js";

const CARD = "application/x-ridgewitness-photo";
const form = document.getElementById("add-form");
const uploads = new Uploads(showUploads, ended);

async function ended(items) {
  const failed = items.filter((item) => item.state === "failed").length;
  const twice = items.filter((item) => item.state === "twice").length;
  const told = [`${items.length - failed} of ${items.length} photos are here`];
  if (twice) told.push(`${twice} of them ${twice === 1 ? "was" : "were"} here before and ${twice === 1 ? "is" : "are"} kept once`);
  tell(`${told.join("; ")}.`, failed > 0);
  await refresh().catch(tellProblem);
  watch();
}

function asked() {
  const kind = form.elements.kind.value;
  return { kind, place: kind === "close-up" ? form.elements.place.value.trim() : null };
}

function take(files, about = asked()) {
  const photos = [...files];
  if (photos.length) uploads.add(photos, about.kind, about.place);
}

if (form) {
  for (const id of ["files", "camera"]) {
    const input = document.getElementById(id);
    const taken = () => { if (input.files.length) take(input.files); input.value = ""; };
    input.addEventListener("change", taken);
    // What was chosen before this module was there is taken too.
    taken();
  }
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("change", showPlace);
  showPlace();
  dropZones();
}

function showPlace() {
  form.querySelector("[data-for-kind]").hidden = form.elements.kind.value !== "close-up";
}

// Dropping: the page takes files anywhere without leaving, places and the box take them as theirs.

function dropZones() {
  let over = null;
  const zoneOf = (event) => event.target.closest?.(".place, [data-drop]");
  const light = (zone) => {
    if (over === zone) return;
    over?.classList.remove("is-over");
    zone?.classList.add("is-over");
    over = zone;
  };
  document.addEventListener("dragstart", (event) => {
    const card = event.target.closest?.("[data-photo]");
    if (card) event.dataTransfer.setData(CARD, card.dataset.photo);
  });
  document.addEventListener("dragover", (event) => {
    const zone = zoneOf(event);
    const isCard = event.dataTransfer.types.includes(CARD);
    if (!isCard && !event.dataTransfer.types.includes("Files")) return;
    event.preventDefault();
    const takes = zone && (!isCard || zone.dataset.place);
    event.dataTransfer.dropEffect = takes ? (isCard ? "move" : "copy") : "none";
    light(takes ? zone : null);
  });
  document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) light(null); });
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    const zone = zoneOf(event);
    light(null);
    const card = event.dataTransfer.getData(CARD);
    if (card && zone?.dataset.place) file(card, zone.dataset.place);
    else if (zone) take(event.dataTransfer.files, zone.dataset.place ? { kind: "close-up", place: zone.dataset.place } : asked());
  });
}

async function file(photo, place) {
  try {
    await api("PATCH", jobPath("photos", photo), { place });
    await refresh();
    tell(`${photo} is filed at ${place}.`);
  } catch (error) {
    tellProblem(error);
  }
}
