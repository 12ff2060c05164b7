// The list of reps, and which of them it shows: a listbox whose active option is the rep at hand.

import { called, clock, html, look } from "./dom.js";

const AT_ONCE = 120; // rows made before the page is shown, and then between two frames

export class RepList {
  constructor(element, chosen) {
    this.element = element;
    this.order = [];
    this.rows = new Map();
    this.limit = null; // confidence below which a rep is unsure; null: all are shown
    element.addEventListener("click", (event) => {
      const row = event.target.closest("li");
      if (row) chosen(Number(row.dataset.n));
    });
  }

  // Reps by their start; when only unsure ones are shown, the least sure come first.
  show(reps) {
    this.reps = new Map(reps.map((rep) => [rep.n, rep]));
    const shown = this.limit === null ? reps : reps.filter((rep) => this.isUnsure(rep));
    this.order = shown.map((rep) => rep.n);
    if (this.limit !== null) {
      const sure = (n) => this.reps.get(n).confidence ?? 0;
      this.order.sort((a, b) => sure(a) - sure(b) || a - b);
    }
    this.rows = new Map();
    this.element.replaceChildren();
    this.fill(this.order.indexOf(this.current) + AT_ONCE);
  }

  // A long list is made piece by piece, down to the row asked for at once: the first reps need not wait for the last.
  fill(count) {
    const missing = this.order.slice(this.rows.size, count).map((n) => [n, this.row(this.reps.get(n))]);
    for (const [n, row] of missing) this.rows.set(n, row);
    this.element.append(...missing.map(([, row]) => row));
    clearTimeout(this.later);
    if (this.rows.size < this.order.length) this.later = setTimeout(() => this.fill(this.rows.size + AT_ONCE), 30);
  }

  isUnsure(rep) {
    return rep.doubt !== null || (rep.confidence ?? 0) < this.limit;
  }

  // A rep that has changed keeps its place in the list until the list is made anew.
  update(rep) {
    this.reps.set(rep.n, rep);
    const old = this.rows.get(rep.n);
    if (!old) return;
    const row = this.row(rep);
    old.replaceWith(row);
    this.rows.set(rep.n, row);
  }

  row(rep) {
    const { sign, style } = look(rep);
    return html("li", { id: `rep-${rep.n}`, role: "option", "aria-selected": String(rep.n === this.current), "data-n": rep.n },
      html("span", {}, String(rep.n)),
      html("span", {}, clock(rep.start)),
      html("span", { class: "name" }, rep.behaviour),
      html("span", { class: `${style}-word` }, `${sign} ${called(rep)}`));
  }

  mark(n) {
    this.rows.get(this.current)?.setAttribute("aria-selected", "false");
    this.current = n;
    if (!this.rows.has(n)) this.fill(this.order.indexOf(n) + 1);
    const row = this.rows.get(n);
    if (!row) {
      this.element.removeAttribute("aria-activedescendant");
      return;
    }
    row.setAttribute("aria-selected", "true");
    this.element.setAttribute("aria-activedescendant", row.id);
    const { top, bottom } = row.getBoundingClientRect();
    const box = this.element.getBoundingClientRect();
    if (top < box.top) this.element.scrollTop -= box.top - top;
    else if (bottom > box.bottom) this.element.scrollTop += bottom - box.bottom;
  }

  // The rep so many places after the one at hand, or the first or last; undefined where there is none.
  after(by) {
    const at = this.order.indexOf(this.current);
    return at < 0 ? this.order[0] : this.order[at + by];
  }
}
