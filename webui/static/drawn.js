// What is drawn over a photo: points and lines as elements, so that each can be reached, named and moved by keys.

const SVG = "http://www.w3.org/2000/svg";
const DRAG_PX = 3;
const LEAST_RING = 7;
const LEAST_GRAB = 14;

/**
 * The drawing over one viewer. A mark is {id, px, shape, label, words, canMove, canGo}: `shape` "ring", "cross" or
 * "knob", `label` for a screen reader, `words` shown beside it, `radiusPx` the size of a ring in photo pixels. A line is {px: [a, b], kind, words}.
 * `onMove(id, px, isEnd)` is called while a mark moves, `onGo(id)` when it is taken away.
 */
export class Drawn {
  constructor(viewer, { onMove = () => {}, onGo = () => {} } = {}) {
    Object.assign(this, { viewer, onMove, onGo });
    this.root = document.createElementNS(SVG, "svg");
    this.root.setAttribute("class", "drawn");
    viewer.pane.insertBefore(this.root, viewer.loupe);
    this.back = this.root.appendChild(document.createElementNS(SVG, "g"));
    this.back.setAttribute("aria-hidden", "true");
    this.front = this.root.appendChild(document.createElementNS(SVG, "g"));
    this.marks = new Map();
    this.lines = [];
    const before = viewer.onMove;
    viewer.onMove = () => { before(); this.place(); };
  }

  show(isShown) {
    this.root.toggleAttribute("hidden", !isShown);
    this.root.style.display = isShown ? "" : "none";
  }

  /** Show these marks and lines, in this order; a mark that keeps its id keeps the focus. */
  set(marks, lines) {
    const focused = document.activeElement?.closest?.(".drawn .mark")?.dataset.id;
    for (const [id, entry] of this.marks) {
      if (!marks.some((mark) => mark.id === id)) { entry.element.remove(); this.marks.delete(id); }
    }
    for (const mark of marks) {
      const entry = this.marks.get(mark.id) || { element: this.make(mark.id) };
      entry.mark = mark;
      this.marks.set(mark.id, entry);
      dress(entry.element, mark);
    }
    this.arrange(marks.map((mark) => this.marks.get(mark.id).element));
    this.lines.forEach(({ element }) => element.remove());
    this.lines = lines.map((line) => ({ line, element: this.back.appendChild(makeLine(line)) }));
    if (focused && document.activeElement === document.body) (this.marks.get(focused)?.element || this.viewer.pane).focus();
    this.place();
  }

  /** Put the elements into the order in which Tab goes through them. */
  arrange(elements) {
    elements.forEach((element, index) => {
      if (this.front.children[index] !== element) this.front.insertBefore(element, this.front.children[index]);
    });
  }

  focus(id) {
    this.marks.get(id)?.element.focus();
  }

  place() {
    for (const { element, mark } of this.marks.values()) {
      const [x, y] = this.viewer.toScreen(mark.px);
      element.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)})`);
      if (mark.radiusPx) size(element, Math.min(60, Math.max(LEAST_RING, mark.radiusPx * this.viewer.scale)));
    }
    for (const { line, element } of this.lines) {
      const points = line.px.map((px) => this.viewer.toScreen(px));
      const told = points.map((point) => point.map((value) => value.toFixed(2)).join(",")).join(" ");
      for (const part of element.querySelectorAll("polyline")) part.setAttribute("points", told);
      const words = element.querySelector("text");
      if (!words) continue;
      const [a, b] = [points[0], points[points.length - 1]];
      const [x, y] = line.isAtEnd ? (a[1] < b[1] ? a : b) : [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
      words.setAttribute("x", x.toFixed(2));
      words.setAttribute("y", (y - 9).toFixed(2));
    }
  }

  make(id) {
    const element = document.createElementNS(SVG, "g");
    element.setAttribute("class", "mark");
    element.dataset.id = id;
    element.setAttribute("tabindex", "0");
    element.setAttribute("role", "button");
    this.front.appendChild(element);
    element.addEventListener("keydown", (event) => this.key(id, event));
    element.addEventListener("focus", () => {
      const { mark } = this.marks.get(id);
      if (element.matches(":focus-visible")) { this.viewer.reveal(mark.px); this.viewer.look(mark.px); }
    });
    element.addEventListener("blur", () => this.viewer.look(null));
    this.drag(id, element);
    return element;
  }

  key(id, event) {
    const { mark } = this.marks.get(id);
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way && mark.canMove) {
      const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
      const px = [mark.px[0] + way[0] * step, mark.px[1] + way[1] * step];
      mark.px = px;
      this.viewer.reveal(px);
      this.viewer.look(px);
      this.onMove(id, px, true, "keys");
    } else if ((event.key === "Delete" || event.key === "Backspace") && mark.canGo) this.onGo(id);
    else if (event.key === "+" || event.key === "=") this.viewer.zoom(1.5, this.viewer.toScreen(mark.px));
    else if (event.key === "-") this.viewer.zoom(1 / 1.5, this.viewer.toScreen(mark.px));
    else return;
    event.preventDefault();
  }

  drag(id, element) {
    let start = null;
    element.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      event.stopPropagation();
      element.focus({ preventScroll: true });
      const { mark } = this.marks.get(id);
      if (!mark.canMove) return;
      element.setPointerCapture(event.pointerId);
      const at = this.viewer.at(event);
      const screen = this.viewer.toScreen(mark.px);
      start = { at, off: [screen[0] - at[0], screen[1] - at[1]], moved: false };
      this.viewer.look(mark.px);
    });
    element.addEventListener("pointermove", (event) => {
      if (!start) return;
      const at = this.viewer.at(event);
      start.moved ||= Math.hypot(at[0] - start.at[0], at[1] - start.at[1]) > DRAG_PX;
      if (!start.moved) return;
      const { mark } = this.marks.get(id);
      mark.px = this.viewer.toPhoto([at[0] + start.off[0], at[1] + start.off[1]]);
      this.viewer.look(mark.px);
      this.onMove(id, mark.px, false, event.pointerType);
      this.place();
    });
    const end = (event) => {
      if (!start) return;
      const { moved } = start;
      start = null;
      this.viewer.look(null);
      if (moved) this.onMove(id, this.marks.get(id).mark.px, true, event.pointerType);
    };
    element.addEventListener("pointerup", end);
    element.addEventListener("pointercancel", end);
  }
}

const SHAPES = {
  ring: [["circle", { r: 11 }]],
  cross: [["path", { d: "M-15 0H-5M5 0H15M0-15V-5M0 5V15" }]],
  ghost: [["path", { d: "M-15 0H-5M5 0H15M0-15V-5M0 5V15", "stroke-dasharray": "3 3" }], ["circle", { r: 15, "stroke-dasharray": "3 3" }]],
  knob: [["rect", { x: -6, y: -6, width: 12, height: 12 }]],
};

function dress(element, mark) {
  element.setAttribute("aria-label", mark.label);
  const shape = SHAPES[mark.shape];
  const parts = [["circle", { class: "grab", r: 16 }]];
  for (const kind of ["halo", "line"]) for (const [tag, values] of shape) parts.push([tag, { ...values, class: kind }]);
  const drawn = parts.map(([tag, values]) => made(tag, values));
  if (mark.words) {
    const words = made("text", { x: 0, y: -19 });
    words.textContent = mark.words;
    drawn.push(words);
  }
  element.replaceChildren(...drawn);
}

/** Let a ring stand about its rivet, its number above it. */
function size(element, radius) {
  for (const ring of element.querySelectorAll("circle")) ring.setAttribute("r", ring.classList.contains("grab") ? Math.max(LEAST_GRAB, radius + 3) : radius);
  element.querySelector("text")?.setAttribute("y", -radius - 5);
}

function makeLine(line) {
  const group = made("g", {});
  for (const kind of ["halo", "line"]) group.appendChild(made("polyline", { class: `${kind} ${line.kind || ""}` }));
  if (line.words) group.appendChild(made("text", {})).textContent = line.words;
  return group;
}

function made(tag, values) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(values)) element.setAttribute(name, value);
  return element;
}
