"use strict";
/* What the page knows: the columns of the night, unpacked, with searches over them. */

async function unpacked(id) {
  const packed = atob(document.getElementById(id).textContent);
  const bytes = new Uint8Array(packed.length);
  for (let i = 0; i < packed.length; i++) bytes[i] = packed.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return JSON.parse(await new Response(stream).text());
}

/* Names as they may be shown: no control or direction marks, and not endlessly long. */
function clean(text) {
  const shown = String(text).replace(/[\p{C}\p{Zl}\p{Zp}]/gu, " ");
  return shown.length > 160 ? shown.slice(0, 159) + "…" : shown;
}

/* A word of data, such as a state or an outcome, as people read it. */
const HYPHENS = { brown_out: "brown-out", hand_back: "hand-back", second_hand_out: "second hand-out" };
function spoken(word) { return HYPHENS[word] || String(word).replaceAll("_", " "); }

/* The first place from `low` on, below `high`, at which `is` holds; it must hold from there on. */
function firstThat(low, high, is) {
  while (low < high) {
    const middle = (low + high) >> 1;
    if (is(middle)) high = middle; else low = middle + 1;
  }
  return low;
}

class Night {
  constructor(data) {
    Object.assign(this, data);
    const n = this.job.length;
    this.begins = Float64Array.from(this.begins);
    this.ends = Float64Array.from(this.lasts, (lasts, i) => this.begins[i] + lasts);
    this.leaseBegins = Float64Array.from(this.lease, (lease, i) => this.begins[i] + lease);
    this.leaseEnds = Float64Array.from(this.leased, (leased, i) => (leased < 0 ? -1 : this.leaseBegins[i] + leased));
    this.laneOf = new Int32Array(n);
    this.lanes.forEach(([, from, to], lane) => this.laneOf.fill(lane, from, to));
    this.beatsOf = new Map(this.beats.map(([place, ...beats]) => [place, beats]));
    this.jobName = new Map();
    this.routineOf = new Map();
    for (const [number, name, routine] of this.jobs) {
      this.jobName.set(number, clean(name));
      this.routineOf.set(number, routine);
    }
    this.statesOf = this.workers.map(() => []);
    for (const [worker, at, state, why] of this.workerStates) this.statesOf[worker].push([at, state, why]);
    this.workers = this.workers.map(clean);
    this.counts = Object.entries(this.counts).map(([queue, columns]) => [clean(queue), ...columns]);
    this.systems = Object.entries(this.systems).map(([name, columns]) => [clean(name), ...columns]);
    this.total = this.addUp();
    this.chosen = new Uint8Array(n).fill(1);
  }

  /* Queued, held and running of all queues together, at every change. */
  addUp() {
    if (this.counts.length === 1) return this.counts[0].slice(1);
    const changes = [];
    for (const [, at, ...states] of this.counts) {
      for (let i = 0; i < at.length; i++) {
        changes.push([at[i], ...states.map((state) => state[i] - (i ? state[i - 1] : 0))]);
      }
    }
    changes.sort((a, b) => a[0] - b[0]);
    const total = [[0], [0], [0], [0]];
    for (const [at, ...by] of changes) {
      const last = total[0].length - 1;
      const place = total[0][last] === at ? last : last + 1;
      total[0][place] = at;
      by.forEach((change, k) => { total[k + 1][place] = total[k + 1][last] + change; });
    }
    return total;
  }

  /* The row of `lane` that is under way at `at`, or -1. */
  rowAt(lane, at) {
    const [, from, to] = this.lanes[lane];
    const row = firstThat(from, to, (i) => Math.max(this.ends[i], this.leaseEnds[i]) > at);
    return row < to && Math.min(this.begins[row], this.leaseBegins[row]) <= at ? row : -1;
  }

  stateAt(worker, at) {
    const states = this.statesOf[worker];
    const place = firstThat(0, states.length, (i) => states[i][0] > at) - 1;
    return place < 0 ? null : states[place];
  }

  offset(at) {
    let found = this.offsets[0][1];
    for (const [from, seconds] of this.offsets) if (from <= at) found = seconds;
    return found;
  }

  /* The time on the local clock; the day is named where it is not that of the moment before. */
  clock(at, seconds = true, before = 0) {
    const local = (moment) => new Date((this.epoch + this.offset(moment)) * 1000 + Math.floor(moment / 1000));
    const day = (moment) => Math.floor(local(moment) / 864e5);
    const text = local(at).toISOString().slice(11, seconds ? 19 : 16);
    return day(at) === day(before) ? text : `day ${day(at) - day(0) + 1} ${text}`;
  }

  span(from, to) { return `${this.clock(from)} to ${this.clock(to, true, from)}`; }

  tellEvent(event) {
    const [, , kind, , job, worker, ...details] = event;
    const values = Object.fromEntries(this.details[kind].map((name, i) => [name, details[i]]));
    values.worker = worker;
    values.job = this.jobName.get(job) ?? "";
    if (values.due === event[1]) values.due = ""; // it may be taken at once
    const keys = (this.byDetail[kind] ?? []).map((name) => `${kind}:${values[name]}`);
    const pattern = this.words[keys.find((key) => key in this.words) ?? kind];
    if (values.in_words) values.why = values.in_words; // a pattern is chosen by the code
    const slot = /\{(\w+)([@~]|#\w+)?\}/g;
    const known = (name, how) => (values[name] ?? "") !== "" && !(values[name] === 0 && how?.startsWith("#"));
    const kept = pattern.replace(/\[([^\]]*)\]/g, (_, part) =>
      [...part.matchAll(slot)].every(([, name, how]) => known(name, how)) ? part : "");
    const unnamed = { job: "a job", system: "the system" };
    const text = kept.replace(slot, (_, name, how) => {
      const value = values[name] ?? "";
      if (value === "") return unnamed[name] ?? "";
      if (how === "@") return this.clock(value);
      if (how?.startsWith("#")) return `${value} ${how.slice(1)}${value === 1 ? "" : "s"}`;
      return clean(how ? spoken(value) : value);
    });
    const first = kept.match(/^\{(\w+)/);
    return `${first && (values[first[1]] ?? "") !== "" ? text : text[0].toUpperCase() + text.slice(1)}.`;
  }

  tellAttempt(row) {
    const outcome = this.outcomes[this.outcome[row]];
    const why = clean(this.whys[this.why[row]]);
    const worker = this.workers[this.lanes[this.laneOf[row]][0]];
    const beats = this.beatsOf.get(row);
    return `${this.jobName.get(this.job[row])}, attempt ${this.attempt[row]} on ${worker}: ` +
      `${this.span(this.begins[row], this.ends[row])}, ${outcome}${why ? ` (${why})` : ""}` +
      (this.leaseEnds[row] < 0 ? "; no lease of its own"
        : `; lease ${this.span(this.leaseBegins[row], this.leaseEnds[row])}`) +
      (beats ? `, ${beats.length} heartbeat${beats.length === 1 ? "" : "s"} got through` : "") + ".";
  }
}
