// What was ticked off, kept in this browser for the plan it belongs to.

export class Ticks {
  constructor(id) {
    this.key = `hexterra page ${id}`;
    this.kept = true;
    try {
      this.marks = new Set(JSON.parse(localStorage.getItem(this.key) ?? "[]"));
    } catch {
      this.marks = new Set();
      this.kept = false; // a browser that keeps nothing for pages from disk
    }
  }

  has(name) {
    return this.marks.has(name);
  }

  set(name, on) {
    if (on) this.marks.add(name);
    else this.marks.delete(name);
    try {
      localStorage.setItem(this.key, JSON.stringify([...this.marks]));
    } catch {
      this.kept = false;
    }
  }
}
