// Forms that act through the interface: data-api says where, data-after what happens then. Their method "dialog" lets
// nothing happen before this module is there; `data-ready` on the page tells that it is.

import { api, tellProblem } from "./api.js";
import { refresh } from "./refresh.js";
import { watch } from "./work.js";

const AFTER = {
  reload: () => location.reload(),
  refresh: () => refresh(),
  watch: () => watch(),
  goto: (answer) => location.assign(`/jobs/${answer.id}`),
};

document.addEventListener("submit", (event) => {
  if (!event.target.dataset.api) return;
  event.preventDefault();
  act(event.target);
});
document.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-on=change]");
  if (form && form.dataset.api) act(form);
});

// What was chosen before this module was there is not lost.
for (const field of document.querySelectorAll("form[data-on=change] select, form[data-on=change] input")) {
  const before = field.options ? [...field.options].find((option) => option.defaultSelected)?.value : field.defaultValue;
  if (before !== undefined && field.value !== before) act(field.form);
}
document.documentElement.dataset.ready = "yes";

/** Act once, however often it is pressed. Nothing is disabled meanwhile: what is loses the focus. */
async function act(form) {
  if (form.ariaBusy === "true") return;
  const [method, path] = form.dataset.api.split(" ");
  form.ariaBusy = "true";
  try {
    const answer = await api(method, path, valuesOf(form));
    await AFTER[form.dataset.after](answer);
  } catch (error) {
    tellProblem(error);
  } finally {
    form.ariaBusy = null;
  }
}

/** Return the values of a form as the interface wants them. */
export function valuesOf(form) {
  const values = {};
  for (const field of form.querySelectorAll("[name]")) {
    if (["radio", "checkbox"].includes(field.type) && !field.checked) continue;
    values[field.name] = valueOf(field);
  }
  return values;
}

function valueOf(field) {
  const text = field.value.trim();
  if (!text && field.dataset.empty === "null") return null;
  switch (field.dataset.type) {
    case "number": return Number(text);
    case "flag": return text === "yes";
    case "list": return text.split(" ");
    default: return field.value;
  }
}
