/* The drawing of the night on one axis: what is above the lanes, and the lanes. */

const LANE = 30, BAR = 14, BAND = 7, STRIP = 22, BACKLOG = 84, SCALE = 20;

/* An A4 sheet within the margins of the style sheet, in pixels: 186 mm at 96 to the inch. */
const SHEET = 703, PRINTED = 22;

/* For each outcome a colour (Okabe-Ito), a pattern of its own, and a sign written into what is wide enough. */
const LOOK = {
  "ok": ["#009E73", "plain", ""],
  "error": ["#E69F00", "rising", "E"],
  "permanent error": ["#D55E00", "crossed", "P"],
  "time limit": ["#CC79A7", "upright", "T"],
  "lease lost": ["#F0E442", "falling", "L"],
  "in progress": ["#56B4E9", "dotted", "…"],
  "withdrawn": ["#999999", "level", "W"],
  "second hand-out": ["#0072B2", "rising", "2"],
  "after its end": ["#0072B2", "crossed", "A"],
};
const STATE_LOOK = { "off": "falling", "booting": "upright", "idle": "", "busy": "", "draining": "level", "frozen": "crossed", "cut off": "dotted" };

function theme(print) {
  const dark = !print && matchMedia("(prefers-color-scheme: dark)").matches;
  return dark
    ? { ink: "#f0f0f0", paper: "#16181c", faint: "#a8adb5", line: "#3a3f47", state: "#8a9099", bad: "#ff8a3d", on: "#101010", run: "#56B4E9" }
    : { ink: "#1a1a1a", paper: "#ffffff", faint: "#5c6168", line: "#d5d8dc", state: "#7a8088", bad: "#b84a00", on: "#101010", run: "#0072B2" };
}

const tiles = new Map();
function pattern(context, kind, ink, ground) {
  if (kind === "plain") return ground;
  const key = [kind, ink, ground].join();
  if (!tiles.has(key)) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 8;
    const c = tile.getContext("2d");
    if (ground) { c.fillStyle = ground; c.fillRect(0, 0, 8, 8); }
    c.strokeStyle = c.fillStyle = ink;
    c.lineWidth = 1.3;
    const line = (...p) => { c.beginPath(); c.moveTo(p[0], p[1]); c.lineTo(p[2], p[3]); c.stroke(); };
    if (kind === "rising" || kind === "crossed") { line(-1, 9, 9, -1); line(-1, 1, 1, -1); line(7, 9, 9, 7); }
    if (kind === "falling" || kind === "crossed") { line(-1, -1, 9, 9); line(7, -1, 9, 1); line(-1, 7, 1, 9); }
    if (kind === "upright") line(4, 0, 4, 8);
    if (kind === "level") line(0, 4, 8, 4);
    if (kind === "dotted") { c.beginPath(); c.arc(4, 4, 1.5, 0, 7); c.fill(); }
    if (kind === "lease") { line(0, 0.5, 4, 4); line(4, 4, 0, 7.5); line(4, 0.5, 8, 4); line(8, 4, 4, 7.5); }
    tiles.set(key, context.createPattern(tile, "repeat"));
  }
  return tiles.get(key);
}

/* Numbers in words: those that follow one another as from-to. */
function ranges(numbers) {
  const found = [];
  for (const one of [...numbers].sort((a, b) => a - b)) {
    const last = found[found.length - 1];
    if (last && last[1] === one - 1) last[1] = one; else found.push([one, one]);
  }
  const parts = found.map(([a, b]) => (a === b ? `${a}` : `${a}-${b}`));
  return parts.length > 3 ? `${parts[0]}, … ${parts[parts.length - 1]}` : parts.join(", ");
}

class Axis {
  constructor(night, elements) {
    this.night = night;
    this.elements = elements;
    this.from = 0;
    this.to = night.horizon;
    this.lanes = night.lanes.map((_, lane) => lane);
    this.first = 0;
    this.most = 40;
    this.open = -1; // the lane below which a story stands open
    this.picked = -1; // the attempt that was picked
    this.lane = 0;
    this.moment = 0;
    this.mark = -1; // the fault or action that was chosen
    this.print = false;
    this.tracksOfMarks();
    this.rare = this.night.outcomes.map((_, code) => code).filter((code) => code !== 0 && code !== 5);
  }

  get left() { return this.width < 560 ? 66 : 104; }
  x(at) { return this.left + ((at - this.from) / (this.to - this.from)) * (this.width - this.left - 8); }
  at(x) { return this.from + ((x - this.left) / (this.width - this.left - 8)) * (this.to - this.from); }

  look(from, to) {
    const least = Math.min(1e5, this.night.horizon);
    const span = Math.max(least, Math.min(this.night.horizon, to - from));
    this.from = Math.max(0, Math.min(this.night.horizon - span, from));
    this.to = this.from + span;
    this.ask();
  }
  zoom(factor, at = (this.from + this.to) / 2) { this.look(at - (at - this.from) * factor, at + (this.to - at) * factor); }
  pan(share) { const by = (this.to - this.from) * share; this.look(this.from + by, this.to + by); }

  /* Paints once, before the next frame, however often it is asked. */
  ask() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => { this.asked = false; this.paint(); });
  }

  canvas(name, height) {
    const canvas = this.elements[name], scale = Math.min(3, window.devicePixelRatio || 1);
    canvas.hidden = !height;
    canvas.style.height = `${height}px`;
    const wide = Math.round(this.width * scale), high = Math.round(height * scale);
    if (canvas.width !== wide) canvas.width = wide;
    if (canvas.height !== high) canvas.height = high;
    const context = canvas.getContext("2d");
    context.setTransform(scale, 0, 0, scale, 0, 0);
    context.fillStyle = this.colours.paper;
    context.fillRect(0, 0, this.width, height);
    context.font = "12px system-ui, sans-serif";
    context.textBaseline = "middle";
    return context;
  }

  /* The lanes that are drawn: no more in print than stand on a sheet. */
  visible() { return this.lanes.slice(this.first, this.first + (this.print ? Math.min(PRINTED, this.most) : this.most)); }

  paint() {
    this.width = this.print ? SHEET : Math.max(240, this.elements.axis.clientWidth);
    this.colours = theme(this.print);
    this.paintAbove();
    const seen = this.visible(), cut = seen.indexOf(this.open);
    this.paintLanes("upper", cut < 0 ? seen : seen.slice(0, cut + 1));
    this.paintLanes("lower", cut < 0 ? [] : seen.slice(cut + 1));
  }

  steps() {
    const units = [1e5, 2e5, 5e5, 1e6, 2e6, 5e6, 1e7, 15e6, 3e7, 6e7, 12e7, 3e8, 6e8, 9e8, 18e8, 36e8, 72e8, 108e8, 216e8, 432e8, 864e8];
    const most = Math.max(2, (this.width - this.left) / 95), span = this.to - this.from;
    let step = units.find((unit) => span / unit <= most) || 864e8;
    while (span / step > most) step *= 2;
    const shift = (this.night.epoch + this.night.offset(this.from)) * 1e6, found = [];
    for (let at = Math.ceil((this.from + shift) / step) * step - shift; at <= this.to; at += step) found.push(at);
    return [found, step];
  }

  lines(c, height, labels) {
    const [steps, step] = this.steps();
    c.fillStyle = this.colours.faint;
    c.textAlign = "center";
    let before = 0;
    for (const at of steps) {
      const x = Math.round(this.x(at)) + 0.5;
      c.strokeStyle = this.colours.line;
      c.beginPath(); c.moveTo(x, labels ? SCALE : 0); c.lineTo(x, height); c.stroke();
      const text = this.night.clock(at, step < 6e7, before);
      before = at;
      if (labels) c.fillText(text, Math.min(Math.max(x, this.left + 20), this.width - 24), SCALE / 2);
    }
  }

  paintAbove() {
    const systems = this.night.systems.slice(0, 8);
    const height = SCALE + this.marks + BACKLOG + systems.length * (STRIP + 14) + 6;
    this.aboveHeight = height;
    const c = this.canvas("above", height);
    this.lines(c, height, true);
    this.paintChanges(c, height);
    this.paintMarks(c, SCALE);
    const top = SCALE + this.marks;
    const [at, queued, held, running] = this.night.total;
    const most = Math.max(1, ...[queued, held, running].map((of) => of.reduce((a, b) => Math.max(a, b), 0)));
    this.label(c, "jobs", top + BACKLOG / 2 - 8);
    this.label(c, `0 to ${most}`, top + BACKLOG / 2 + 8);
    const bottom = top + BACKLOG - 4;
    this.graph(c, at, queued, most, bottom, BACKLOG - 12, this.colours.ink, [], 2);
    this.graph(c, at, held, most, bottom, BACKLOG - 12, "#CC79A7", [6, 4], 2);
    this.graph(c, at, running, most, bottom, BACKLOG - 12, this.colours.run, [2, 3], 2);
    systems.forEach(([name, times, load], i) => {
      const low = top + BACKLOG + (i + 1) * (STRIP + 14) - 4, peak = Math.max(1, load.reduce((a, b) => Math.max(a, b), 0));
      this.label(c, name, low - 22);
      this.label(c, `0 to ${peak} call${peak === 1 ? "" : "s"}`, low - 8);
      this.graph(c, times, load, peak, low, STRIP + 6, "#D55E00", [], 1.5);
    });
    this.paintMoment(c, height);
  }

  label(c, text, y) {
    c.fillStyle = this.colours.faint;
    c.textAlign = "left";
    let shown = text;
    while (c.measureText(shown).width > this.left - 8 && shown.length > 2) shown = shown.slice(0, -2) + "…";
    c.fillText(shown, 2, y);
  }

  /* Steps over time: for each column of pixels the least and the most that there was in it. */
  graph(c, at, values, most, bottom, height, colour, dashes, width) {
    const y = (value) => bottom - (value / most) * height;
    let i = Math.max(0, firstThat(0, at.length, (k) => at[k] > this.from) - 1);
    c.strokeStyle = colour; c.lineWidth = width; c.setLineDash(dashes);
    c.beginPath();
    c.moveTo(this.left, y(values[i] || 0));
    let x = this.left, low = values[i] || 0, high = low, last = low;
    const flush = () => { if (low !== high) { c.lineTo(x, y(low)); c.lineTo(x, y(high)); } c.lineTo(x, y(last)); };
    for (i++; i < at.length && at[i] <= this.to; i++) {
      const here = Math.round(this.x(at[i]));
      if (here !== x) { flush(); x = here; c.lineTo(x, y(last)); low = high = last; }
      last = values[i];
      low = Math.min(low, last); high = Math.max(high, last);
    }
    flush();
    c.lineTo(this.x(Math.min(this.to, this.night.horizon)), y(last));
    c.stroke();
    c.setLineDash([]); c.lineWidth = 1;
  }

  /* A change of the clock: the hour that comes twice is shaded, a gap is a stroke; a word says by how much. */
  paintChanges(c, height) {
    const { offsets } = this.night;
    for (let k = 1; k < offsets.length; k++) {
      const [at, seconds] = offsets[k], by = seconds - offsets[k - 1][1], twice = Math.max(0, -by) * 1e6;
      if (at + twice < this.from || at - twice > this.to) continue;
      const x = Math.max(this.left, this.x(at - twice)), w = Math.max(3, Math.min(this.width, this.x(at + twice)) - x);
      c.globalAlpha = 0.25; c.fillStyle = this.colours.run; c.fillRect(x, SCALE, w, height - SCALE); c.globalAlpha = 1;
      const size = Math.abs(by) % 3600 ? `${Math.abs(by) / 60} min` : `${Math.abs(by) / 3600} h`;
      const text = `clock ${by < 0 ? "back" : "forward"} ${size}`, wide = c.measureText(text).width;
      const start = Math.max(this.left + 2, Math.min(x + 2, this.width - wide - 4)), y = SCALE + this.marks - 8;
      c.fillStyle = this.colours.paper; c.fillRect(start - 2, y - 7, wide + 4, 14);
      c.fillStyle = this.colours.ink; c.textAlign = "left"; c.fillText(text, start, y);
    }
  }

  /* Marks that last at the same time stand below each other, in three tracks at most. */
  tracksOfMarks() {
    const ends = [];
    this.tracks = this.night.marks.map(([begins, until]) => {
      let track = ends.findIndex((end) => end <= begins);
      if (track < 0) track = Math.min(2, ends.length);
      ends[track] = Math.max(ends[track] || 0, begins, until);
      return track;
    });
    this.trackHeight = ends.length > 1 ? 10 : 14;
    this.changed = this.night.offsets.length > 1 ? 16 : 0; // room for the words of a change of the clock
    this.marks = 20 + Math.max(1, ends.length) * (this.trackHeight + 2) + this.changed;
  }

  /* Each mark has its number in the list below; what lies closer than 20 pixels, or would overlap, shares a label. */
  paintMarks(c, top) {
    this.label(c, "faults, actions", top + (this.marks - this.changed) / 2);
    const groups = [], high = this.trackHeight;
    this.night.marks.forEach(([begins, ends], place) => {
      if (begins > this.to || Math.max(begins, ends) < this.from) return;
      const x = Math.max(this.left, this.x(begins)), w = ends < 0 ? 0 : Math.max(2, this.x(Math.min(ends, this.to)) - x);
      const y = top + 14 + this.tracks[place] * (high + 2);
      if (w) {
        c.fillStyle = pattern(c, "falling", this.colours.bad, "");
        c.fillRect(x, y, w, high);
        c.strokeStyle = this.colours.bad; c.strokeRect(x + 0.5, y + 0.5, w, high - 1);
      } else {
        c.fillStyle = this.colours.ink;
        c.beginPath(); c.moveTo(x, y + high); c.lineTo(x - 5, y + 1); c.lineTo(x + 5, y + 1); c.fill();
      }
      if (place === this.mark) { c.strokeStyle = this.colours.ink; c.lineWidth = 2.5; c.strokeRect(x - 2, y - 1, w + 4, high + 2); c.lineWidth = 1; }
      groups.push({ x, numbers: [place + 1] });
    });
    const wide = (group) => c.measureText(ranges(group.numbers)).width;
    const start = (group) => Math.max(this.left, Math.min(group.x, this.width - wide(group) - 2));
    const shown = [];
    for (const group of groups) {
      shown.push(group);
      while (shown.length > 1) {
        const one = shown[shown.length - 2], two = shown[shown.length - 1];
        if (two.x - one.x >= 20 && start(one) + wide(one) + 4 <= start(two)) break;
        one.numbers.push(...two.numbers);
        shown.pop();
      }
    }
    c.textAlign = "left"; c.fillStyle = this.colours.ink;
    for (const group of shown) c.fillText(ranges(group.numbers), start(group), top + 7);
  }

  paintMoment(c, height) {
    if (this.moment < this.from || this.moment > this.to) return;
    const x = Math.round(this.x(this.moment)) + 0.5;
    c.strokeStyle = this.colours.ink; c.setLineDash([1, 3]);
    c.beginPath(); c.moveTo(x, 0); c.lineTo(x, height); c.stroke();
    c.setLineDash([]);
  }

  paintLanes(name, lanes) {
    const height = lanes.length * LANE, c = this.canvas(name, height);
    if (!height) return;
    this.lines(c, height, false);
    lanes.forEach((lane, place) => this.paintLane(c, lane, place * LANE));
    this.paintMoment(c, height);
  }

  paintLane(c, lane, top) {
    const [worker, from, to] = this.night.lanes[lane], second = lane > 0 && this.night.lanes[lane - 1][0] === worker;
    c.strokeStyle = this.colours.line;
    c.beginPath(); c.moveTo(0, top + LANE - 0.5); c.lineTo(this.width, top + LANE - 0.5); c.stroke();
    if (lane === this.lane) { c.fillStyle = this.colours.ink; c.fillRect(0, top + 3, 3, LANE - 7); }
    c.save();
    c.translate(6, 0);
    this.label(c, second ? "″" : this.night.workers[worker], top + LANE / 2 - 2);
    c.restore();
    c.save();
    c.beginPath(); c.rect(this.left, top, this.width - this.left, LANE); c.clip();
    if (!second) this.paintStates(c, worker, top);
    const { begins, ends, leaseBegins, leaseEnds } = this.night;
    const left = this.left, scale = (this.width - left - 8) / (this.to - this.from), begin = this.from;
    const place = (at) => left + (at - begin) * scale;
    const start = firstThat(from, to, (i) => Math.max(ends[i], leaseEnds[i]) >= this.from);
    let stop = firstThat(start, to, (i) => begins[i] > this.to);
    const rare = [], narrow = [], thin = new Map();
    const thinly = (code, x, w) => { if (!thin.has(code)) thin.set(code, []); thin.get(code).push(x, w); };
    const fill = (colour, spans, y, height) => {
      c.fillStyle = colour; c.beginPath();
      for (let k = 0; k < spans.length; k += 2) c.rect(spans[k], y, spans[k + 1], height);
      c.fill();
    };
    const together = () => { for (const [code, spans] of thin) fill(LOOK[this.night.outcomes[code]][0], spans, top + 3, BAR); thin.clear(); };
    let runFrom = -1, runTo = -1, runCode = -1, runFaint = false, leaseTo = -1;
    const flush = () => {
      const w = Math.max(0.8, runTo - runFrom);
      if (runFrom >= 0 && runFaint) this.bar(c, runFrom, w, top, runCode, true, -1);
      else if (runFrom >= 0) thinly(runCode, runFrom, w);
      runFrom = -1;
    };
    for (let i = start; i < stop; i++) {
      const x = place(begins[i]), end = place(ends[i]), code = this.night.outcome[i], faint = !this.night.chosen[i];
      if (leaseEnds[i] >= 0) {
        const a = place(leaseBegins[i]), b = place(leaseEnds[i]);
        if (b > leaseTo + 0.7) {
          const at = Math.max(a, leaseTo);
          if (b - at > 6) this.band(c, at, b, top, i); else narrow.push(at, Math.max(0.7, b - at));
          leaseTo = b;
        }
      }
      if (code !== 0 && code !== 5 && !faint) { rare.push(i); continue; }
      if (end - x > 6) { flush(); this.bar(c, x, end - x, top, code, faint, i); }
      else if (runFrom >= 0 && x - runTo < 0.3 && runCode === code && runFaint === faint) runTo = Math.max(runTo, end);
      else { flush(); runFrom = x; runTo = end; runCode = code; runFaint = faint; }
    }
    flush();
    together();
    fill(this.colours.faint, narrow, top + 4 + BAR + 1, BAND);
    let last = -9;
    for (const i of rare) { // what is rare is painted last, and never thinner than it can be seen
      const x = place(begins[i]), w = Math.max(2, place(ends[i]) - x);
      if (x - last < 0.5 && w <= 2) continue;
      last = x;
      if (w > 6) this.bar(c, x, w, top, this.night.outcome[i], false, i); else thinly(this.night.outcome[i], x, w);
    }
    together();
    if (this.picked >= from && this.picked < to) {
      const x = place(begins[this.picked]), w = Math.max(3, place(ends[this.picked]) - x);
      c.strokeStyle = this.colours.ink; c.lineWidth = 2.5; c.strokeRect(x - 1, top + 1.5, w + 2, LANE - 4); c.lineWidth = 1;
    }
    c.restore();
  }

  bar(c, x, w, top, code, faint, row) {
    const [colour, kind, sign] = LOOK[this.night.outcomes[code]];
    if (faint) { c.strokeStyle = this.colours.line; c.strokeRect(x + 0.5, top + 3.5, Math.max(1, w - 1), BAR - 1); return; }
    c.fillStyle = w > 3 ? pattern(c, kind, this.colours.on, colour) : colour;
    c.fillRect(x, top + 3, w, BAR);
    if (w > 5) { c.strokeStyle = this.colours.on; c.strokeRect(x + 0.5, top + 3.5, w - 1, BAR - 1); }
    if (row < 0 || w < 20) return;
    const text = sign || (w > 60 ? this.night.jobName.get(this.night.job[row]) : "");
    if (!text) return;
    const from = Math.max(x, this.left) + 4, wide = c.measureText(text).width;
    if (from + wide + 4 > x + w) return;
    if (sign) { c.fillStyle = colour; c.fillRect(from - 1, top + 4, wide + 3, BAR - 2); }
    c.fillStyle = this.colours.on; c.textAlign = "left";
    c.fillText(text, from, top + 3 + BAR / 2 + 1);
  }

  /* The lease below the attempt: a band of chevrons, with a pin for each heartbeat that got through. */
  band(c, a, b, top, row) {
    const y = top + 4 + BAR + 1, w = Math.max(1, b - a);
    c.fillStyle = w > 6 ? pattern(c, "lease", this.colours.faint, "") : this.colours.faint;
    c.save(); c.translate(0, y); c.fillRect(a, 0, w, BAND); c.restore();
    if (w > 4) { c.strokeStyle = this.colours.faint; c.beginPath(); c.moveTo(b - 0.5, y - 1); c.lineTo(b - 0.5, y + BAND + 1); c.stroke(); }
    const beats = this.night.beatsOf.get(row);
    if (!beats || w < beats.length * 3) return;
    c.fillStyle = this.colours.ink;
    for (const beat of beats) {
      const x = this.x(this.night.begins[row] + beat);
      if (x > this.left && x < this.width) { c.beginPath(); c.arc(x, y + BAND / 2, 2, 0, 7); c.fill(); }
    }
  }

  paintStates(c, worker, top) {
    const states = this.night.statesOf[worker];
    let i = Math.max(0, firstThat(0, states.length, (k) => states[k][0] > this.from) - 1);
    for (; i < states.length && states[i][0] <= this.to; i++) {
      const kind = STATE_LOOK[this.night.states[states[i][1]]];
      if (!kind) continue;
      const x = this.x(states[i][0]), end = i + 1 < states.length ? this.x(states[i + 1][0]) : this.x(this.night.horizon);
      if (end - x < 0.5) continue;
      c.fillStyle = pattern(c, kind, this.colours.state, "");
      c.globalAlpha = 0.55; c.fillRect(x, top + 1, Math.max(1, end - x), LANE - 3); c.globalAlpha = 1;
      const name = this.night.states[states[i][1]], from = Math.max(x, this.left) + 5, wide = c.measureText(name).width;
      if (from + wide + 4 < Math.min(end, this.width)) {
        c.fillStyle = this.colours.paper; c.fillRect(from - 2, top + 5, wide + 4, 14);
        c.fillStyle = this.colours.ink; c.textAlign = "left"; c.fillText(name, from, top + 12);
      }
    }
  }

  /* What lies at a place of one of the two canvases of lanes: the lane, and the row in it or -1. */
  under(name, x, y) {
    const seen = this.visible(), cut = seen.indexOf(this.open);
    const lanes = name === "upper" ? (cut < 0 ? seen : seen.slice(0, cut + 1)) : seen.slice(cut + 1);
    const lane = lanes[Math.floor(y / LANE)];
    if (lane === undefined || x < this.left) return [lane === undefined ? -1 : lane, -1];
    const near = (3 * (this.to - this.from)) / this.width, [, from, to] = this.night.lanes[lane];
    const row = firstThat(from, to, (i) => Math.max(this.night.ends[i], this.night.leaseEnds[i]) + near >= this.at(x));
    return [lane, row < to && this.night.begins[row] - near <= this.at(x) ? row : -1];
  }
}
