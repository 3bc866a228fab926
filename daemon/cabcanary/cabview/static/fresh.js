// Whether a state is of now. The server's clock and the page's have nothing in common but their pace, so the quickest
// way so far is taken for the shortest there is, and what took much longer than that is old.
const LATE_MS = 1200;
// Two clocks may part by so much in a second (1000 ppm; quartz keeps below 100).
const DRIFT = 0.001;

export class Freshness {
  forget() {
    this.offsetMs = undefined;
  }

  isFresh(serverMs, hereMs) {
    const offsetMs = hereMs - serverMs;
    if (this.offsetMs === undefined) {
      this.offsetMs = offsetMs;
    } else {
      this.offsetMs = Math.min(this.offsetMs + DRIFT * (hereMs - this.hereMs), offsetMs);
    }
    this.hereMs = hereMs;
    return offsetMs - this.offsetMs < LATE_MS;
  }
}
