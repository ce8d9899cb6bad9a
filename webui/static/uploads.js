// Photos on their way to the server: in pieces, two at a time, gone on with where a connection breaks.

import { api, jobPath, Problem, sentence } from "./api.js";

const PIECE_BYTES = 1 << 20;
const AT_ONCE = 2;
const LOOK_MS = 150;
const LONGEST_WAIT_MS = 15000;
// Larger files are not hashed beforehand: a phone would need all of one in memory.
const HASHED_BYTES = 200 << 20;

const WORDS = { waiting: "waiting", hashing: "looking", sending: "sending", broken: "no connection; trying again", done: "here", twice: "was here already; kept once", failed: "" };

/** All uploads of a page. Calls `onChange` when something moves, `onEnd` when all are through. */
export class Uploads {
  constructor(onChange, onEnd) {
    this.items = [];
    this.running = 0;
    this.onChange = onChange;
    this.onEnd = onEnd;
    addEventListener("beforeunload", (event) => { if (this.alive().length) event.preventDefault(); });
  }

  alive() {
    return this.items.filter((item) => !["done", "twice", "failed"].includes(item.state));
  }

  /** Put files in the queue. */
  add(files, kind, place) {
    for (const file of files) this.items.push({ file, kind, place: place || null, state: "waiting", sent: 0, problem: "" });
    this.next();
  }

  next() {
    while (this.running < AT_ONCE) {
      const item = this.items.find((each) => each.state === "waiting");
      if (!item) break;
      this.running += 1;
      this.send(item).finally(() => {
        this.running -= 1;
        this.next();
        if (!this.alive().length) this.onEnd(this.items);
      });
    }
    this.onChange(this.items);
  }

  set(item, state) {
    item.state = state;
    this.onChange(this.items);
  }

  async send(item) {
    this.set(item, "hashing");
    try {
      const sha256 = await hashOf(item.file);
      await this.afterSame(item, sha256);
      this.set(item, "sending");
      const about = { name: item.file.name, size_bytes: item.file.size, sha256, kind: item.kind, place: item.place };
      let upload = await this.patiently(item, () => api("POST", jobPath("uploads"), about));
      while (!upload.photo) upload = await this.piece(item, upload);
      item.sent = item.file.size;
      item.photo = upload.photo;
      this.set(item, upload.is_new ? "done" : "twice");
    } catch (error) {
      item.problem = error instanceof Problem ? error.message : sentence("This file cannot be read");
      this.set(item, "failed");
    }
  }

  /** Let the same photo that is on its way go first: this one is then told to be there already. */
  async afterSame(item, sha256) {
    const first = sha256 && this.items.find((other) => other.sha256 === sha256);
    item.sha256 = sha256;
    while (first && this.alive().includes(first)) await pause(LOOK_MS);
  }

  async piece(item, upload) {
    const path = jobPath("uploads", upload.id);
    const piece = item.file.slice(upload.offset, upload.offset + PIECE_BYTES);
    const answer = await this.patiently(item, async (isAgain) => {
      // After a break only the server knows how much of the last piece it has.
      if (isAgain) return api("GET", path);
      try {
        return await api("PATCH", path, piece, { "Upload-Offset": String(upload.offset) });
      } catch (error) {
        if (error.status === 409) return api("GET", path);
        throw error;
      }
    });
    item.sent = answer.photo ? item.file.size : answer.offset;
    this.onChange(this.items);
    return answer;
  }

  /** Do something until the server answers, waiting longer each time. */
  async patiently(item, action) {
    for (let tries = 0; ; tries += 1) {
      try {
        const answer = await action(tries > 0);
        if (item.state === "broken") this.set(item, "sending");
        return answer;
      } catch (error) {
        const isPassing = error instanceof Problem && (error.status === 0 || error.status === 429 || error.status >= 502);
        if (!isPassing || error.status === 507) throw error;
        this.set(item, "broken");
        await pause(Math.min(LONGEST_WAIT_MS, 500 * 2 ** tries));
      }
    }
  }
}

function pause(ms) {
  return new Promise((resolve) => { setTimeout(resolve, ms); });
}

/** Return the SHA-256 of a file; null where the browser gives none, or the file is too large for it. */
async function hashOf(file) {
  if (!globalThis.crypto?.subtle || file.size > HASHED_BYTES) return null;
  const digest = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return [...new Uint8Array(digest)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** Show the queue. */
export function showUploads(items) {
  const box = document.getElementById("uploads");
  box.hidden = items.length === 0;
  const all = items.reduce((sum, item) => sum + item.file.size, 0);
  const sent = items.reduce((sum, item) => sum + (item.state === "failed" ? item.file.size : item.sent), 0);
  const bar = document.getElementById("uploads-bar");
  bar.max = Math.max(all, 1);
  bar.value = sent;
  const through = items.filter((item) => ["done", "twice", "failed"].includes(item.state)).length;
  setText(document.getElementById("uploads-told"), `${through} of ${items.length} photo${items.length === 1 ? "" : "s"} through`);
  const list = document.getElementById("uploads-list");
  items.forEach((item, index) => showItem(list.children[index] || list.appendChild(newItem(item)), item));
}

function newItem(item) {
  const line = document.createElement("li");
  line.className = "upload";
  const name = document.createElement("span");
  name.className = "upload-name";
  name.textContent = item.file.name + (item.place ? `, ${item.place}` : "");
  const bar = document.createElement("progress");
  bar.setAttribute("aria-label", item.file.name);
  const state = document.createElement("span");
  state.className = "soft";
  line.append(name, bar, state);
  return line;
}

function showItem(line, item) {
  const [, bar, state] = line.children;
  bar.max = Math.max(item.file.size, 1);
  bar.value = item.state === "failed" ? 0 : item.sent;
  bar.hidden = ["done", "twice", "failed"].includes(item.state);
  setText(state, item.state === "failed" ? item.problem : WORDS[item.state]);
}

function setText(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

