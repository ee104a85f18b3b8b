// Where one is in the list: one line is the way in for Tab, keys go from line to
// line, and the focus stays where it was whatever comes and goes.

const lines = ".alarm, .together"; // each with the key of what it shows

// Place looks after the lines of an element.
export class Place {
  constructor(element) {
    this.element = element;
    this.current = null; // the key of the line that Tab leads to
    this.touched = -Infinity;
    for (const event of ["pointermove", "pointerdown"]) element.addEventListener(event, () => (this.touched = performance.now()), { passive: true });
    element.addEventListener("focusin", ({ target }) => {
      const line = this.lineOf(target);
      if (line) this.rove(line.key);
    });
  }

  // busy reports whether somebody is at the list: the focus is in it, or a pointer
  // has just moved over it.
  busy() {
    return this.element.contains(document.activeElement) || performance.now() - this.touched < 4000;
  }

  // lineOf is the line that an element is in, or null.
  lineOf(element) {
    return this.element.contains(element) ? element.closest(lines) : null;
  }

  // lines are those that can be seen: not the folded ones.
  lines() {
    return [...this.element.querySelectorAll(lines)].filter((line) => !line.parentElement.hidden);
  }

  // rove makes one line the way into the list: Tab leads to it and its parts, and
  // past all the others. Without one that is there it is the first.
  rove(key) {
    const all = this.lines();
    this.current = (all.find((line) => line.key === key) ?? all[0])?.key ?? null;
    for (const one of this.element.querySelectorAll("button, a, input, summary")) {
      const index = one.closest(lines)?.key === this.current ? 0 : -1;
      if (one.tabIndex !== index) one.tabIndex = index;
    }
  }

  focus(line, at = "head") {
    if (!line) return;
    this.rove(line.key);
    (line.querySelector(`[data-at="${at}"]`) ?? line.bits.head).focus();
  }

  enter() {
    const all = this.lines();
    this.focus(all.find((line) => line.key === this.current) ?? all[0]);
  }

  move(line, by) {
    const all = this.lines();
    this.focus(all[Math.max(0, Math.min(all.length - 1, all.indexOf(line) + by))]);
  }

  end(last) {
    this.focus(this.lines().at(last ? -1 : 0));
  }

  // keep does something to the list and leaves the focus where it was, or at the
  // next line where its own is gone.
  keep(act) {
    const at = document.activeElement;
    const line = at && this.lineOf(at);
    if (!line) return act();
    const { key } = line, part = at.dataset.at;
    const before = this.lines().map((one) => one.key);
    act();
    if (document.activeElement === at && at.isConnected) return undefined;
    const now = new Map(this.lines().map((one) => [one.key, one]));
    const next = before.slice(before.indexOf(key)).find((one) => now.has(one)) ?? [...now.keys()].at(-1);
    return this.focus(now.get(next), next === key ? part : "head");
  }
}
