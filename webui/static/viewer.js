// A large photo in a pane: tiles of a pyramid on a canvas, moved by mouse, touch and keys, with a loupe.
//
// Photo pixels: (0, 0) is the centre of the top-left one. Screen: CSS pixels from the pane's top-left corner.

const MOST_TILES = 160;
const LOADS_AT_ONCE = 6;
const MOST_ZOOM = 24;
const STEP = 1.25;
const PAN_PX = 60;
const TAP_PX = 6;
const LOUPE_PX = 170;

/** A photo's tiles, or one whole picture as the only tile of its only level. */
export class Tiles {
  constructor(width, height, tilePx, levels, address) {
    Object.assign(this, { width, height, tilePx, levels, address });
    this.kept = new Map();
    this.loading = new Map();
    this.onLoad = () => {};
  }

  /** Return a tile's bitmap, null while it is not there; marks it as used. */
  get(level, x, y) {
    const key = `${level}/${x}/${y}`;
    const bitmap = this.kept.get(key);
    if (!bitmap) return null;
    this.kept.delete(key);
    this.kept.set(key, bitmap);
    return bitmap;
  }

  /** Load these tiles, first things first; give up those that nobody wants any more. */
  want(keys) {
    const wanted = new Set(keys);
    for (const [key, control] of this.loading) if (!wanted.has(key)) control.abort();
    for (const key of keys) {
      if (this.loading.size >= LOADS_AT_ONCE) break;
      if (!this.kept.has(key) && !this.loading.has(key)) this.load(key);
    }
  }

  async load(key) {
    const control = new AbortController();
    this.loading.set(key, control);
    try {
      const answer = await fetch(this.address(...key.split("/").map(Number)), { signal: control.signal });
      if (!answer.ok) throw new Error(answer.statusText);
      this.keep(key, await createImageBitmap(await answer.blob()));
    } catch (error) {
      // A tile that cannot be had is drawn from the coarser level; it is asked for again with the next view.
      if (error.name !== "AbortError") await new Promise((resolve) => { setTimeout(resolve, 500); });
    } finally {
      this.loading.delete(key);
    }
    this.onLoad();
  }

  keep(key, bitmap) {
    this.kept.set(key, bitmap);
    for (const [old, other] of this.kept) {
      if (this.kept.size <= MOST_TILES) break;
      // The coarsest level is what is shown while others load: it stays.
      if (old.startsWith(`${this.levels - 1}/`)) continue;
      this.kept.delete(old);
      other.close();
    }
  }

  /** Return where a tile lies, in photo pixels from the photo's corner: [x, y, width, height]. */
  rect(level, x, y, bitmap) {
    const each = 2 ** level;
    return [x * this.tilePx * each, y * this.tilePx * each, bitmap.width * each, bitmap.height * each];
  }

  /** Return the keys of the tiles of a level that touch a rectangle, those nearest to its middle first. */
  touching(level, left, top, right, bottom) {
    const side = this.tilePx * 2 ** level;
    const found = [];
    const most = [Math.ceil(this.width / side) - 1, Math.ceil(this.height / side) - 1];
    for (let y = Math.max(0, Math.floor(top / side)); y <= Math.min(most[1], Math.floor(bottom / side)); y += 1) {
      for (let x = Math.max(0, Math.floor(left / side)); x <= Math.min(most[0], Math.floor(right / side)); x += 1) found.push([level, x, y]);
    }
    const middle = [(left + right) / 2 / side - 0.5, (top + bottom) / 2 / side - 0.5];
    const off = ([, x, y]) => (x - middle[0]) ** 2 + (y - middle[1]) ** 2;
    return found.sort((a, b) => off(a) - off(b));
  }
}

/** The pane. `onTap(px)` is called for a click or tap in picking mode, `onMove()` whenever the view changed. */
export class Viewer {
  constructor(pane, tiles, { onTap = () => {}, onMove = () => {}, label = "" } = {}) {
    Object.assign(this, { pane, tiles, onTap, onMove });
    this.canvas = pane.appendChild(document.createElement("canvas"));
    this.loupe = pane.appendChild(document.createElement("canvas"));
    this.loupe.className = "loupe";
    this.loupe.hidden = true;
    this.told = pane.appendChild(document.createElement("p"));
    this.told.className = "pane-told";
    pane.tabIndex = 0;
    pane.setAttribute("role", "application");
    if (label) pane.setAttribute("aria-label", label);
    this.scale = 0;
    this.x = 0;
    this.y = 0;
    this.isPicking = false;
    this.hasLoupe = true;
    this.focus = null;
    this.pointers = new Map();
    pane.viewer = this;
    tiles.onLoad = () => this.redraw();
    new ResizeObserver(() => this.resize()).observe(pane);
    this.listen();
  }

  // Where things are

  toScreen([x, y]) {
    return [(x + 0.5) * this.scale + this.x, (y + 0.5) * this.scale + this.y];
  }

  toPhoto([x, y]) {
    return [(x - this.x) / this.scale - 0.5, (y - this.y) / this.scale - 0.5];
  }

  get size() {
    return [this.pane.clientWidth, this.pane.clientHeight];
  }

  get middle() {
    return this.size.map((side) => side / 2);
  }

  resize() {
    const [width, height] = this.size;
    if (!width || !height) return;
    const ratio = devicePixelRatio || 1;
    const before = this.scale ? this.toPhoto([this.canvas.width / ratio / 2, this.canvas.height / ratio / 2]) : null;
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.loupe.width = this.loupe.height = Math.round(LOUPE_PX * ratio);
    if (before && !this.isFitted) this.centre(before);
    else this.fit();
  }

  fitScale() {
    const [width, height] = this.size;
    return Math.min(width / this.tiles.width, height / this.tiles.height);
  }

  /** Show the whole photo. */
  fit() {
    this.scale = this.fitScale();
    this.centre([(this.tiles.width - 1) / 2, (this.tiles.height - 1) / 2]);
    this.isFitted = true;
  }

  /** Bring a photo pixel to the middle, perhaps at another scale. */
  centre(px, scale = this.scale) {
    this.scale = scale;
    const [x, y] = this.middle;
    this.x = x - (px[0] + 0.5) * scale;
    this.y = y - (px[1] + 0.5) * scale;
    this.isFitted = false;
    this.redraw();
  }

  /** Bring a photo pixel into view, if it is not. */
  reveal(px) {
    const [x, y] = this.toScreen(px);
    const [width, height] = this.size;
    const rim = 40;
    if (x < rim || y < rim || x > width - rim || y > height - rim) this.centre(px);
  }

  zoom(factor, at = this.middle) {
    const scale = Math.min(MOST_ZOOM, Math.max(this.fitScale() * 0.8, this.scale * factor));
    const px = this.toPhoto(at);
    this.scale = scale;
    this.x = at[0] - (px[0] + 0.5) * scale;
    this.y = at[1] - (px[1] + 0.5) * scale;
    this.isFitted = false;
    this.hold();
  }

  pan(dx, dy) {
    this.x += dx;
    this.y += dy;
    this.isFitted = false;
    this.hold();
  }

  /** Keep some of the photo in the pane. */
  hold() {
    const [width, height] = this.size;
    const [rimX, rimY] = [Math.min(width, this.tiles.width * this.scale) / 2, Math.min(height, this.tiles.height * this.scale) / 2];
    this.x = Math.min(width - rimX, Math.max(rimX - this.tiles.width * this.scale, this.x));
    this.y = Math.min(height - rimY, Math.max(rimY - this.tiles.height * this.scale, this.y));
    this.redraw();
  }

  // Drawing

  redraw() {
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.draw();
    });
  }

  draw() {
    const ratio = devicePixelRatio || 1;
    const context = this.canvas.getContext("2d");
    const [width, height] = this.size;
    if (!this.scale || !width) return;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#23292f";
    context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    context.setTransform(ratio * this.scale, 0, 0, ratio * this.scale, ratio * this.x, ratio * this.y);
    context.imageSmoothingEnabled = this.scale * ratio < 3;
    context.imageSmoothingQuality = "medium";
    const view = [-this.x / this.scale, -this.y / this.scale, (width - this.x) / this.scale, (height - this.y) / this.scale];
    const wanted = this.paint(context, view, this.levelFor(this.scale * ratio));
    this.drawLoupe(ratio, wanted);
    this.tiles.want(wanted);
    this.pane.dataset.scale = this.scale.toFixed(3);
    this.pane.dataset.wanted = String(wanted.length);
    this.onMove();
  }

  levelFor(scale) {
    return Math.max(0, Math.min(this.tiles.levels - 1, Math.floor(Math.log2(1.2 / scale))));
  }

  /** Paint what is there, coarse below fine; return what is still wanted. */
  paint(context, view, finest) {
    const coarsest = this.tiles.levels - 1;
    const wanted = [];
    for (let level = coarsest; level >= finest; level -= 1) {
      for (const [, x, y] of this.tiles.touching(level, ...view)) {
        const bitmap = this.tiles.get(level, x, y);
        if (bitmap) context.drawImage(bitmap, ...this.tiles.rect(level, x, y, bitmap));
        else if (level === finest || level === coarsest) wanted.push(`${level}/${x}/${y}`);
      }
    }
    return wanted;
  }

  /** Show the loupe about a photo pixel; null takes it away. */
  look(px) {
    this.focus = px;
    this.redraw();
  }

  drawLoupe(ratio, wanted) {
    const px = this.hasLoupe ? this.focus : null;
    this.loupe.hidden = !px;
    if (!px) return;
    const scale = Math.min(16, Math.max(3, this.scale * 4));
    const half = LOUPE_PX / 2 / scale;
    const context = this.loupe.getContext("2d");
    const side = LOUPE_PX * ratio;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#23292f";
    context.fillRect(0, 0, side, side);
    context.setTransform(ratio * scale, 0, 0, ratio * scale, side / 2 - ratio * scale * (px[0] + 0.5), side / 2 - ratio * scale * (px[1] + 0.5));
    context.imageSmoothingEnabled = false;
    wanted.unshift(...this.paint(context, [px[0] - half, px[1] - half, px[0] + half, px[1] + half], 0));
    crosshair(context, side, ratio);
    this.placeLoupe(px);
  }

  /** Keep the loupe out of the way of what it shows. */
  placeLoupe(px) {
    const [x, y] = this.toScreen(px);
    const [width] = this.size;
    const isNear = x > width - LOUPE_PX - 70 && y < LOUPE_PX + 70;
    this.loupe.style.top = "10px";
    this.loupe.style.left = isNear ? "10px" : "auto";
    this.loupe.style.right = isNear ? "auto" : "10px";
  }

  // Mouse, touch, keys

  listen() {
    const { pane } = this;
    pane.addEventListener("wheel", (event) => {
      event.preventDefault();
      const lines = event.deltaMode === 1 ? 30 : 1;
      this.zoom(Math.exp(-event.deltaY * lines * (event.ctrlKey ? 0.01 : 0.0016)), this.at(event));
    }, { passive: false });
    pane.addEventListener("pointerdown", (event) => this.down(event));
    pane.addEventListener("pointermove", (event) => this.move(event));
    pane.addEventListener("pointerup", (event) => this.up(event, true));
    pane.addEventListener("pointercancel", (event) => this.up(event, false));
    pane.addEventListener("pointerleave", () => { if (this.isPicking && !this.pointers.size) this.look(null); });
    pane.addEventListener("keydown", (event) => { if (event.target === pane) this.key(event); });
    pane.addEventListener("focus", () => { if (this.isPicking && pane.matches(":focus-visible")) this.look(this.toPhoto(this.middle)); });
    pane.addEventListener("blur", () => this.look(null));
    pane.addEventListener("dblclick", (event) => { if (!this.isPicking && !event.target.closest(".mark")) this.zoom(2, this.at(event)); });
  }

  at(event) {
    const box = this.pane.getBoundingClientRect();
    return [event.clientX - box.left - this.pane.clientLeft, event.clientY - box.top - this.pane.clientTop];
  }

  down(event) {
    if (event.button !== 0 || event.target.closest(".mark")) return;
    this.pane.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, this.at(event));
    this.travelled = this.pointers.size > 1 ? Infinity : 0;
    if (this.isPicking && event.pointerType !== "mouse" && this.pointers.size === 1) this.look(this.toPhoto(this.at(event)));
  }

  move(event) {
    const here = this.at(event);
    const before = this.pointers.get(event.pointerId);
    if (!before) {
      if (this.isPicking && event.pointerType === "mouse" && !event.target.closest(".mark")) this.look(this.toPhoto(here));
      return;
    }
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    this.pointers.set(event.pointerId, here);
    this.travelled += Math.hypot(here[0] - before[0], here[1] - before[1]);
    if (others.length) {
      const [other] = others;
      const spread = (place) => Math.max(1, Math.hypot(place[0] - other[0], place[1] - other[1]));
      this.pan((here[0] - before[0]) / 2, (here[1] - before[1]) / 2);
      this.zoom(spread(here) / spread(before), [(here[0] + other[0]) / 2, (here[1] + other[1]) / 2]);
      this.look(null);
    } else if (this.travelled > TAP_PX) {
      this.pane.classList.add("is-dragging");
      this.pan(here[0] - before[0], here[1] - before[1]);
      this.look(null);
    }
  }

  up(event, isTap) {
    if (!this.pointers.delete(event.pointerId)) return;
    this.pane.classList.remove("is-dragging");
    if (event.pointerType !== "mouse") this.look(null);
    if (isTap && this.travelled <= TAP_PX && this.isPicking) this.onTap(this.toPhoto(this.at(event)), event.pointerType);
  }

  key(event) {
    const step = { ArrowLeft: [PAN_PX, 0], ArrowRight: [-PAN_PX, 0], ArrowUp: [0, PAN_PX], ArrowDown: [0, -PAN_PX] }[event.key];
    if (step) {
      const slow = event.shiftKey ? 1 / 12 : 1;
      this.pan(step[0] * slow, step[1] * slow);
    } else if (event.key === "+" || event.key === "=") this.zoom(STEP);
    else if (event.key === "-") this.zoom(1 / STEP);
    else if (event.key === "0") this.fit();
    else if ((event.key === "Enter" || event.key === " ") && this.isPicking) this.onTap(this.toPhoto(this.middle), "keys");
    else return;
    if (this.isPicking) this.look(this.toPhoto(this.middle));
    event.preventDefault();
  }

  /** Say what a click does now. */
  pick(isPicking) {
    this.isPicking = isPicking;
    this.pane.classList.toggle("is-picking", isPicking);
    if (!isPicking && !this.pane.querySelector(".mark:focus-visible")) this.look(null);
  }
}

function crosshair(context, side, ratio) {
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  const middle = side / ratio / 2;
  for (const [ink, width] of [["#fff", 3], ["#0072b2", 1.2]]) {
    context.strokeStyle = ink;
    context.lineWidth = width;
    context.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      context.moveTo(middle + dx * 5, middle + dy * 5);
      context.lineTo(middle + dx * 30, middle + dy * 30);
    }
    context.stroke();
  }
}

/** Connect the buttons of a toolbar with viewers. */
export function connectTools(stage, viewers) {
  const all = (action) => viewers().forEach(action);
  const actions = { in: (viewer) => viewer.zoom(STEP * STEP), out: (viewer) => viewer.zoom(1 / STEP / STEP), fit: (viewer) => viewer.fit() };
  stage.querySelectorAll("[data-do]").forEach((button) => button.addEventListener("click", () => all(actions[button.dataset.do])));
  stage.querySelector("#show-loupe")?.addEventListener("change", (event) => all((viewer) => { viewer.hasLoupe = event.target.checked; viewer.redraw(); }));
}
