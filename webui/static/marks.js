// Marks by hand in a close-up: rivets added, moved, taken away, and lines; what the server keeps of them.

export const NAMES = { edge: "lap edge", witness: "witness mark", lower_end: "lower piece's end", sealant: "sealant row", z_closure: "z-closure", ridge: "ridge line" };
const SINGLE = ["edge", "witness", "lower_end", "z_closure", "ridge"];
const LISTS = ["add", "move", "remove", "sealant"];
// Places closer than this are the same mark, px.
const SAME_PX = 3;
// Rings stand off the heads, so that the heads stay in sight.
const RING = 1.6;

const pxOf = (mark) => (Array.isArray(mark) ? mark : mark.px);
const withPx = (mark, px) => (mark && !Array.isArray(mark) ? { ...mark, px } : px);
const apart = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
const nearest = (list, px) => list.reduce((best, each, index) => (apart(each, px) < (best < 0 ? SAME_PX : apart(list[best], px)) ? index : best), -1);

/** Return the radius of the ring about a rivet head, px. */
export function ringPx(headMm, mmPerPx) {
  return (RING * headMm) / 2 / mmPerPx;
}

/** A set of marks; a change is made on a `copy`, so that the one before can be taken back. */
export class Marks {
  constructor(record) {
    this.parts = structuredClone(record || {});
    for (const key of LISTS) this.parts[key] ||= [];
    this.last = 0;
    this.audits = null;
    // Where each rivet was when it was measured, and where it was moved since; those taken away since.
    this.places = new Map();
    this.shifted = new Map();
    this.gone = new Set();
  }

  copy() {
    const other = new Marks(this.parts);
    Object.assign(other, { last: this.last, audits: this.audits });
    Object.assign(other, { places: new Map(this.places), shifted: new Map(this.shifted), gone: new Set(this.gone) });
    return other;
  }

  /** Return what the server takes: the parts that hold something. */
  record() {
    const held = Object.entries(this.parts).filter(([, part]) => (Array.isArray(part) ? part.length : part));
    return structuredClone(Object.fromEntries(held));
  }

  addRivet(px) {
    this.parts.add.push(px);
  }

  setLine(kind, ends) {
    if (kind === "sealant") this.parts.sealant.push(ends);
    else this.parts[kind] = withPx(this.parts[kind], ends);
  }

  /** Return where a rivet is now. */
  place(id) {
    return this.shifted.get(id) || this.places.get(id);
  }

  /** Move a rivet or the end of a line to another place. */
  move(id, px, audits) {
    const [what, ...rest] = id.split(":");
    if (what === "line") {
      this.moveLine(rest, px, audits);
      return;
    }
    this.moveRivet(this.place(id), px);
    this.shifted.set(id, px);
  }

  moveRivet(from, px) {
    const { add, move } = this.parts;
    const added = nearest(add.map(pxOf), from);
    const moved = nearest(move.map((each) => pxOf(each.to)), from);
    if (added >= 0) add[added] = withPx(add[added], px);
    else if (moved >= 0) move[moved] = { ...move[moved], to: withPx(move[moved].to, px) };
    else move.push({ from, to: px });
  }

  moveLine([kind, row, end], px, audits) {
    const lines = this.lines(audits);
    const ends = lines.find((line) => line.kind === kind && line.row === Number(row)).px.map((each) => [...each]);
    ends[Number(end)] = px;
    if (kind === "sealant") this.parts.sealant[Number(row)] = withPx(this.parts.sealant[Number(row)], ends);
    else this.parts[kind] = withPx(this.parts[kind], ends);
  }

  /** Take a rivet or a line by hand away. */
  remove(id) {
    const [what, kind, row] = id.split(":");
    if (what === "line") {
      if (kind === "sealant") this.parts.sealant.splice(Number(row), 1);
      else delete this.parts[kind];
      return;
    }
    const { add, move, remove } = this.parts;
    const from = this.place(id);
    this.gone.add(id);
    const added = nearest(add.map(pxOf), from);
    const moved = nearest(move.map((each) => pxOf(each.to)), from);
    if (added >= 0) add.splice(added, 1);
    else if (moved >= 0) remove.push(move.splice(moved, 1)[0].from);
    else remove.push(from);
  }

  /** Return the lines that are shown: those by hand, and the lap's edge as it was found. */
  lines(audits) {
    const found = [];
    for (const kind of SINGLE) if (this.parts[kind]) found.push({ kind, row: 0, px: pxOfLine(this.parts[kind]), isByHand: true });
    this.parts.sealant.forEach((line, row) => found.push({ kind: "sealant", row, px: pxOfLine(line), isByHand: true }));
    const laps = audits.filter((audit) => audit.lap).map((audit) => audit.lap);
    if (!this.parts.edge) laps.slice(0, 1).forEach((lap) => found.push({ kind: "edge", row: 0, px: lap.edge_px, isByHand: false }));
    return found;
  }

  /** Return what is drawn: {points, lines}. */
  drawing(audits, mayChange, headMm) {
    const points = this.rivets(audits, mayChange, headMm);
    const lines = this.lines(audits);
    for (const line of mayChange ? lines : []) {
      line.px.forEach((px, end) => points.push({
        id: `line:${line.kind}:${line.row}:${end}`, px, shape: "knob", label: `${NAMES[line.kind]}, end ${end + 1}${line.isByHand ? ", by hand" : ""}`,
        canMove: true, canGo: line.isByHand,
      }));
    }
    return { points, lines: lines.map((line) => ({ px: line.px, kind: line.isByHand ? "" : "dashed", words: NAMES[line.kind], isAtEnd: true })) };
  }

  rivets(audits, mayChange, headMm) {
    const seen = audits.flatMap((audit) => {
      const numbers = numbersOf(audit.rivets);
      const told = audit.rivets.map((rivet, index) => ({ px: rivet.px, number: numbers[index], label: `rivet ${numbers[index]}, ${rivet.role}${rivet.by_hand ? ", by hand" : ""}`, radiusPx: ringPx(headMm, audit.mm_per_px) }));
      return told.sort((a, b) => a.number - b.number);
    });
    // What was added is shown before it is measured, and where it cannot be.
    const fresh = this.parts.add.map(pxOf).filter((px) => nearest(seen.map((each) => each.px), px) < 0);
    const all = [...seen, ...fresh.map((px) => ({ px, number: "+", label: "rivet by hand" }))];
    if (audits !== this.audits || all.length !== this.places.size) this.name(all, audits);
    return [...this.places.keys()].flatMap((id, index) => (this.gone.has(id) || !all[index] ? [] : [{
      id, px: this.place(id), shape: "ring", label: all[index].label, words: String(all[index].number), radiusPx: all[index].radiusPx || 1, canMove: mayChange, canGo: mayChange,
    }]));
  }

  /** Give each rivet its identifier again: the one of the rivet that was there before. */
  name(all, audits) {
    const before = [...this.places.keys()].filter((id) => !this.gone.has(id)).map((id) => [id, this.place(id)]);
    this.places = new Map();
    for (const { px } of all) {
      const same = before.find(([id, place]) => !this.places.has(id) && apart(place, px) < SAME_PX);
      this.places.set(same ? same[0] : `rivet:${(this.last += 1)}`, px);
    }
    this.shifted.clear();
    this.gone.clear();
    this.audits = audits;
  }
}

function pxOfLine(line) {
  return Array.isArray(line) ? line : line.px;
}

/** Return the numbers that people call rivets by: from left to right, from the top where the ridge stands upright. */
export function numbersOf(rivets) {
  if (!rivets.length) return [];
  const extent = (axis) => Math.max(...rivets.map((rivet) => rivet.px[axis])) - Math.min(...rivets.map((rivet) => rivet.px[axis]));
  const axis = extent(0) >= extent(1) ? 0 : 1;
  const order = rivets.map((_, index) => index).sort((a, b) => rivets[a].px[axis] - rivets[b].px[axis] || rivets[a].px[1 - axis] - rivets[b].px[1 - axis]);
  return rivets.map((_, index) => order.indexOf(index) + 1);
}

/** Say in how many marks two sets differ; "" where they do not. */
export function changesOf(kept, marks) {
  const [before, after] = [new Marks(kept).record(), marks.record()];
  const keys = [...new Set([...Object.keys(before), ...Object.keys(after)])];
  const count = keys.reduce((sum, key) => sum + differing(key, before[key], after[key]), 0);
  return count ? `${count} mark${count === 1 ? "" : "s"} changed` : "";
}

function differing(key, before, after) {
  const told = (part) => (part === undefined ? [] : (LISTS.includes(key) ? part : [part]).map((each) => JSON.stringify(each)));
  const [old, fresh] = [told(before), told(after)];
  return Math.max(old.filter((each) => !fresh.includes(each)).length, fresh.filter((each) => !old.includes(each)).length);
}
