// Plays the sound of one rep at a time, and says where it is.

import * as server from "./server.js";

const BEFORE_S = 0.5;
const AFTER_S = 0.5;
const SPEEDS = [1, 1.5, 2];
const MOST_KEPT = 12;

export class Player {
  // `moved(atS, playing)` is called while sound plays and when it stops; `failed(message)` when there is none to play.
  constructor(moved, failed) {
    this.moved = moved;
    this.failed = failed;
    this.audio = new Audio();
    this.kept = new Map();
    this.asked = 0;
    this.speed = 1;
    this.audio.addEventListener("ended", () => this.stopped());
    this.audio.addEventListener("error", () => this.audio.src && this.failed("The sound cannot be played by this browser."));
  }

  get playing() {
    return !this.audio.paused && !this.audio.ended;
  }

  async play(rep) {
    this.stop();
    const mine = ++this.asked;
    try {
      const { url, startS } = await this.fetched(rep);
      if (mine !== this.asked) return;
      this.startS = startS;
      this.audio.src = url;
      this.audio.playbackRate = this.speed;
      await this.audio.play();
      this.follow();
    } catch (error) {
      if (mine === this.asked && error.name !== "AbortError") this.failed(error.message);
    }
  }

  // The next speed, and round again; voices keep their pitch.
  faster() {
    this.speed = SPEEDS[(SPEEDS.indexOf(this.speed) + 1) % SPEEDS.length];
    this.audio.playbackRate = this.speed;
    return this.speed;
  }

  // Have the sound of the rep that probably comes next at hand.
  prepare(rep) {
    this.fetched(rep).catch(() => {});
  }

  stop() {
    this.asked++;
    if (this.playing) this.audio.pause();
    this.stopped();
  }

  fetched(rep) {
    const fromS = Math.max(0, rep.start - BEFORE_S);
    const toS = Math.min(rep.until + AFTER_S, fromS + 590);
    const key = `${rep.n} ${fromS} ${toS}`;
    if (!this.kept.has(key)) {
      if (this.kept.size >= MOST_KEPT) this.forget(this.kept.keys().next().value);
      const made = server.sound(rep.n, fromS, toS).then(({ blob, startS }) => ({ url: URL.createObjectURL(blob), startS }));
      made.catch(() => this.kept.delete(key));
      this.kept.set(key, made);
    }
    return this.kept.get(key);
  }

  forget(key) {
    this.kept.get(key).then(({ url }) => URL.revokeObjectURL(url)).catch(() => {});
    this.kept.delete(key);
  }

  follow() {
    if (!this.playing) return;
    this.moved(this.startS + this.audio.currentTime, true);
    requestAnimationFrame(() => this.follow());
  }

  stopped() {
    if (this.startS !== undefined) this.moved(this.startS + this.audio.currentTime, false);
  }
}
