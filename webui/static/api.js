// Talking to the server: JSON under /api, the token against cross-site writes, and what went wrong in a sentence.

const GONE = "The server does not answer. Nothing that it had acknowledged is lost; this goes on when it is back.";

// What only tries something out changes nothing.
const TRIALS = /\/(measure|snap)$/;

export class Problem extends Error {
  constructor(status, detail) {
    super(detail);
    this.status = status;
  }
}

export const jobId = document.body.dataset.job;
export const units = document.body.dataset.units;

export function jobPath(...parts) {
  return ["/api/jobs", jobId, ...parts.map(encodeURIComponent)].join("/");
}

/** Send a request; return its JSON, null for an empty answer. A body that is a Blob goes as it is. */
export async function api(method, path, body, headers = {}) {
  if (method !== "GET" && !TRIALS.test(path)) await askWhoOnce();
  const answer = await send(method, path, body, headers);
  if (answer.status === 401) {
    location.assign(`/login?next=${encodeURIComponent(location.pathname + location.search)}`);
    throw new Problem(401, "Log in first.");
  }
  const text = await answer.text();
  const record = text && (answer.headers.get("Content-Type") || "").includes("json") ? JSON.parse(text) : null;
  if (!answer.ok) throw new Problem(answer.status, sentence(record?.detail || answer.statusText || "It did not work."));
  return record;
}

async function send(method, path, body, headers) {
  const isRaw = body instanceof Blob;
  const options = { method, credentials: "same-origin", headers: { Accept: "application/json", ...headers } };
  if (method !== "GET") options.headers["X-CSRF-Token"] = document.querySelector('meta[name="csrf-token"]').content;
  if (body !== undefined) {
    options.body = isRaw ? body : JSON.stringify(body);
    options.headers["Content-Type"] = isRaw ? "application/octet-stream" : "application/json";
  }
  try {
    return await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Problem(0, GONE);
  }
}

export function sentence(words) {
  const text = String(words).trim();
  return text ? text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".") : text;
}

/** Say something at the foot of the page, and to a screen reader. */
export function tell(words, isWrong = false) {
  const line = document.createElement("p");
  line.textContent = words;
  line.classList.toggle("wrong", isWrong);
  document.getElementById("told").replaceChildren(line);
  // Long enough to be read twice; a problem stays until the next thing is said.
  if (!isWrong) setTimeout(() => line.remove(), 3000 + 120 * words.length);
}

export function tellProblem(error) {
  if (!(error instanceof Problem)) throw error;
  tell(error.message, true);
}

// Who works here: asked once per browser session, where the desk has no accounts.

const dialog = document.getElementById("ask-who");
const nameButton = document.querySelector("[data-ask-who]");
nameButton?.addEventListener("click", async () => { if (await askWho()) location.reload(); });

async function askWhoOnce() {
  if (!nameButton || nameButton.dataset.askWho === "known" || sessionStorage.getItem("asked-who")) return;
  sessionStorage.setItem("asked-who", "yes");
  await askWho();
}

function askWho() {
  return new Promise((resolve) => {
    dialog.addEventListener("close", async () => {
      const name = dialog.querySelector("input").value.trim();
      const isGiven = dialog.returnValue === "ok" && name;
      sessionStorage.setItem("asked-who", "yes");
      if (isGiven) {
        await send("PUT", "/api/session", { who: name }, {});
        nameButton.textContent = name;
        nameButton.dataset.askWho = "known";
      }
      resolve(Boolean(isGiven));
    }, { once: true });
    dialog.returnValue = "";
    dialog.showModal();
  });
}
