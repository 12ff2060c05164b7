// The time line: a strip for the whole session, and lanes for the time around the rep.

import { called, clock, look, svg } from "./dom.js";
import * as server from "./server.js";

const SPANS_S = [6, 12, 20, 40, 90, 180];
const LABEL = 58; // px for the names of the lanes
const ROW = 22;
const CHARACTER = 7; // px, a little more than the font needs

export class TimeLine {
  // `chosen(atS)` is called when a place in the strip, `pointed(atS)` when one in the lanes is clicked.
  constructor(whole, around, chosen, pointed) {
    this.whole = whole;
    this.around = around;
    this.span = 1;
    this.cursorS = null;
    this.heard = { words: [], prompts: [], gaps: [] };
    whole.addEventListener("click", (event) => chosen(this.timeIn(whole, event, 0, 0, this.lengthS)));
    around.addEventListener("click", (event) => {
      const atS = this.timeIn(around, event, LABEL, this.fromS, this.toS);
      if (atS >= this.fromS) pointed(atS);
    });
    // The width is asked for here alone: asked for while drawing, it would make the browser lay out the whole page first.
    new ResizeObserver(() => {
      if (around.clientWidth === this.width) return; // only its height changed, with what is in it
      this.width = around.clientWidth;
      if (!this.state) return;
      this.drawWhole();
      this.drawAround();
    }).observe(around);
  }

  timeIn(element, event, left, fromS, toS) {
    const box = element.getBoundingClientRect();
    return fromS + ((event.clientX - box.left - left) / (box.width - left)) * (toS - fromS);
  }

  // The same state again: some of its reps have changed. Another one may come with more sound.
  show(state) {
    if (state !== this.state) this.pieces = undefined;
    this.state = state;
    this.lengthS = Math.max(1, state.session.length, ...state.reps.slice(-1).map((rep) => rep.until));
    this.drawWhole();
  }

  fill(heard) {
    this.heard = heard;
    this.drawAround();
  }

  zoom(by) {
    this.span = Math.min(SPANS_S.length - 1, Math.max(0, this.span + by));
    this.lookAt(this.rep);
  }

  get spanS() {
    return SPANS_S[this.span];
  }

  lookAt(rep) {
    this.rep = rep;
    const middleS = rep ? (rep.start + rep.until) / 2 : 0;
    const lengthS = Math.max(this.spanS, rep ? Math.min(rep.until - rep.start + 2, 180) : 0);
    const fromS = Math.max(0, middleS - lengthS / 2);
    const elsewhere = fromS !== this.fromS || fromS + lengthS !== this.toS;
    [this.fromS, this.toS] = [fromS, fromS + lengthS];
    if (elsewhere || !this.pieces) this.fetchWave();
    this.showPlace();
    this.drawAround();
  }

  drawWhole() {
    const width = this.width || 600;
    const x = (atS) => (atS / this.lengthS) * width;
    const marks = new Map();
    for (const rep of this.state.reps) {
      const height = { correct: 18, incorrect: 11, "no response": 6, "no rep": 3 }[called(rep)];
      const { style } = look(rep);
      marks.set(style, `${marks.get(style) ?? ""}M${x(rep.start).toFixed(1)} 24v-${height}`);
    }
    this.here = svg("rect", { class: "here", y: 1, height: 26, rx: 3 });
    this.whole.replaceChildren(this.here, svg("line", { class: "line", x1: 0, x2: width, y1: 24.5, y2: 24.5 }),
      ...[...marks].map(([style, d]) => svg("path", { class: style, d, "stroke-width": 2 })));
    this.showPlace();
    this.whole.setAttribute("aria-label", `The whole session, ${clock(this.lengthS)} long, ${this.state.reps.length} reps`);
  }

  showPlace() {
    if (this.fromS === undefined) return;
    const scale = (this.width || 600) / this.lengthS;
    this.here.setAttribute("x", this.fromS * scale);
    this.here.setAttribute("width", Math.max(3, (this.toS - this.fromS) * scale));
  }

  drawAround() {
    if (this.fromS === undefined) return;
    const width = this.width || 600;
    const x = (atS) => LABEL + ((atS - this.fromS) / (this.toS - this.fromS)) * (width - LABEL);
    this.x = x;
    const inside = (one) => (one.end ?? one.start) > this.fromS && one.start < this.toS;
    const lanes = [];
    let y = 16;
    const lane = (name, rows, parts) => {
      lanes.push(svg("text", { class: "lane", x: 0, y: y + 15 }, name), ...parts,
        svg("line", { class: "line", x1: 0, x2: width, y1: y + rows + 2.5, y2: y + rows + 2.5 }));
      y += rows + 6;
    };
    this.waveTop = y;
    lane("sound", 56, [svg("g", { id: "wave" })]);
    const words = this.packed(this.heard.words.filter(inside), (word) => (word.reason ? `${word.text} (${word.reason})` : word.text), x);
    lane("words", ROW * Math.max(1, words.rows), words.placed.map((one) =>
      this.box(one, y, one.item.reason || !one.item.role ? "ignored" : "box")));
    const reps = this.packed(this.state.reps.filter(inside), (rep) => `${look(rep).sign} ${rep.n} ${rep.behaviour}`, x);
    lane("reps", ROW * Math.max(1, reps.rows), reps.placed.map((one) =>
      this.box(one, y, `${look(one.item).style}${one.item.n === this.rep?.n ? " chosen" : ""}`)));
    const prompts = this.packed(this.heard.prompts.filter(inside), (prompt) => `“${prompt.text}”`, x);
    lane("prompts", ROW * Math.max(1, prompts.rows), prompts.placed.map((one) => this.box(one, y, "said")));
    const gaps = this.heard.gaps.filter(inside).map((gap) =>
      svg("rect", { class: "gap", x: x(gap.start), width: x(gap.end) - x(gap.start), y: 0, height: y }));
    this.cursorLine = svg("line", { class: "cursor", y1: 14, y2: y, visibility: "hidden" });
    this.around.setAttribute("height", y);
    this.around.replaceChildren(...gaps, ...this.ticks(x, width), ...lanes, this.cursorLine);
    this.around.setAttribute("aria-label", this.described(inside));
    this.drawWave();
    this.showCursor(this.cursorS);
  }

  ticks(x, width) {
    const stepS = [1, 2, 5, 10, 30, 60].find((one) => (one / (this.toS - this.fromS)) * (width - LABEL) > 60) ?? 60;
    const found = [];
    for (let atS = Math.ceil(this.fromS / stepS) * stepS; atS < this.toS; atS += stepS) {
      found.push(svg("line", { class: "tick", x1: x(atS), x2: x(atS), y1: 12, y2: 16 }));
      if (x(atS) < width - 24) found.push(svg("text", { class: "lane", x: x(atS) + 2, y: 10 }, clock(atS)));
    }
    return found;
  }

  // Boxes in as few rows as they fit in, each as wide as its text needs.
  packed(items, named, x) {
    const ends = [];
    const placed = items.map((item) => {
      const text = named(item);
      const left = Math.max(LABEL, x(item.start));
      const right = Math.max(x(item.end ?? item.start), left + 4);
      const needed = Math.max(right, left + 8 + CHARACTER * text.length);
      let row = ends.findIndex((end) => end + 2 <= left);
      if (row < 0) row = ends.push(0) - 1;
      ends[row] = needed;
      return { item, text, left, right, row };
    });
    return { placed, rows: ends.length };
  }

  box({ text, left, right, row }, top, style) {
    const y = top + row * ROW;
    return svg("g", {},
      svg("rect", { class: style, x: left, y, width: Math.max(2, right - left), height: ROW - 4, rx: 3 }),
      svg("text", { x: left + 4, y: y + 13 }, text));
  }

  described(inside) {
    const words = this.heard.words.filter(inside).map((word) =>
      `${word.text} at ${clock(word.start, 1)}${word.reason ? `, not counted: ${word.reason}` : ""}`);
    const prompts = this.heard.prompts.filter(inside).map((prompt) => `prompt “${prompt.text}” at ${clock(prompt.start, 1)}`);
    return `From ${clock(this.fromS)} to ${clock(this.toS)}. ${[...words, ...prompts].join("; ") || "Nothing was heard"}.`;
  }

  async fetchWave() {
    this.waveAsked?.abort();
    this.waveAsked = new AbortController();
    this.pieces = [];
    if (this.state.sound || !this.rep) return;
    const { signal } = this.waveAsked;
    try {
      const found = await server.wave(this.fromS, this.toS, 800, signal);
      if (signal.aborted) return;
      this.pieces = found.pieces;
      this.waveMessage?.(found.message || (found.pieces.length ? "" : "No sound is kept here."));
      this.drawWave();
    } catch (error) {
      if (error.name !== "AbortError") this.waveMessage?.(error.message);
    }
  }

  drawWave() {
    const group = this.around.querySelector("#wave");
    if (!group || !this.x) return;
    const middle = this.waveTop + 28;
    group.replaceChildren(...(this.pieces ?? []).map(({ start, end, peaks }) => {
      const at = (index) => this.x(start + ((end - start) * index) / peaks.length).toFixed(1);
      const half = (peak) => Math.max(0.5, 27 * Math.sqrt(peak / 100));
      const upper = peaks.map((peak, index) => `${at(index)},${(middle - half(peak)).toFixed(1)}`);
      const lower = peaks.map((peak, index) => `${at(index)},${(middle + half(peak)).toFixed(1)}`).reverse();
      return svg("polygon", { class: "wave", points: [...upper, ...lower].join(" ") });
    }));
  }

  showCursor(atS) {
    this.cursorS = atS;
    if (!this.cursorLine) return;
    const visible = atS !== null && atS >= this.fromS && atS <= this.toS;
    this.cursorLine.setAttribute("visibility", visible ? "visible" : "hidden");
    if (visible) {
      this.cursorLine.setAttribute("x1", this.x(atS));
      this.cursorLine.setAttribute("x2", this.x(atS));
    }
  }
}
