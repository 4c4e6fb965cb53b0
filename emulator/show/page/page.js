/* What the reader does: keys, wheel, drag, filters, slider, stories; and what is told of it. */

const $ = (id) => document.getElementById(id);
const made = (tag, text) => { const one = document.createElement(tag); if (text !== undefined) one.textContent = text; return one; };

async function begin() {
  const night = new Night(await unpacked("columns"));
  const names = ["axis", "above", "upper", "lower"];
  const axis = new Axis(night, Object.fromEntries(names.map((name) => [name, $(name)])));
  axis.paint();
  legend(night, axis);
  filters(night, axis);
  const story = stories(night, axis);
  moving(night, axis, story);
  moment(night, axis);
  marks(night);
  behind(night, axis, story);
  links();
  const again = () => axis.ask();
  new ResizeObserver(again).observe($("axis"));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  const print = (on) => {
    axis.print = on;
    const hidden = on ? axis.lanes.length - axis.visible().length : 0;
    $("left").textContent = hidden ? `${hidden} of ${axis.lanes.length} lanes are left out: choose a worker to print the others.` : "";
    axis.paint();
  };
  addEventListener("beforeprint", () => print(true));
  addEventListener("afterprint", () => print(false));
  document.documentElement.dataset.ready = "yes";
}

function legend(night, axis) {
  const used = new Set(night.outcome);
  const entry = (words, draw) => {
    const item = made("li"), swatch = made("canvas");
    swatch.width = 56; swatch.height = 28; swatch.className = "swatch";
    swatch.setAttribute("aria-hidden", "true");
    const c = swatch.getContext("2d");
    c.scale(2, 2);
    draw(c);
    item.append(swatch, ` ${words}`);
    $("legend").append(item);
  };
  const draw = () => {
    $("legend").replaceChildren();
    night.outcomes.forEach((name, code) => {
      if (!used.has(code)) return;
      const [colour, kind, sign] = LOOK[name];
      entry(sign ? `${name} (${sign})` : name, (c) => { c.fillStyle = pattern(c, kind, "#101010", colour); c.fillRect(0, 0, 28, 14); });
    });
    const { faint, ink, state } = axis.colours;
    entry("lease; a dot is a heartbeat that got through", (c) => {
      c.fillStyle = pattern(c, "lease", faint, ""); c.translate(0, 3); c.fillRect(0, 0, 28, 8);
      c.fillStyle = ink; c.beginPath(); c.arc(14, 4, 2, 0, 7); c.fill();
    });
    const seen = new Set(night.workerStates.map(([, , code]) => code));
    night.states.forEach((name, code) => {
      if (!STATE_LOOK[name] || !seen.has(code)) return;
      entry(`worker ${name}`, (c) => { c.fillStyle = pattern(c, STATE_LOOK[name], state, ""); c.fillRect(0, 0, 28, 14); });
    });
    const line = (words, colour, dashes) => entry(words, (c) => {
      c.strokeStyle = colour; c.setLineDash(dashes); c.lineWidth = 2; c.beginPath(); c.moveTo(0, 7); c.lineTo(28, 7); c.stroke();
    });
    line("queued", ink, []); line("held", "#CC79A7", [6, 4]); line("running", axis.colours.run, [2, 3]);
    if (night.systems.length) line("calls to a system, under way or in line", "#D55E00", []);
  };
  draw();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { axis.paint(); draw(); });
  $("beats").textContent = night.beatsKnown ? "" :
    "Heartbeats are not drawn: this log does not hold them, and there are too many, or its run cannot be repeated.";
}

function filters(night, axis) {
  const choices = (id, names) => names.forEach(([value, name]) => {
    const one = made("option", name); one.value = value; $(id).append(one);
  });
  choices("routine", night.routines.map((name, code) => [code, clean(name)]));
  choices("worker", night.workers.map((name, code) => [code, name]).slice(0, 2000));
  const used = new Set(night.outcome);
  choices("outcome", night.outcomes.map((name, code) => [code, name]).filter(([code]) => used.has(code)));
  const apply = () => {
    const [routine, worker, outcome] = ["routine", "worker", "outcome"].map((id) => $(id).value);
    let count = 0;
    for (let i = 0; i < night.job.length; i++) {
      const fits = (routine === "" || night.routineOf.get(night.job[i]) === +routine) &&
        (worker === "" || night.lanes[night.laneOf[i]][0] === +worker) && (outcome === "" || night.outcome[i] === +outcome);
      night.chosen[i] = fits ? 1 : 0;
      count += fits;
    }
    axis.lanes = night.lanes.map((_, lane) => lane).filter((lane) => worker === "" || night.lanes[lane][0] === +worker);
    axis.first = 0;
    if (!axis.lanes.includes(axis.lane)) axis.lane = axis.lanes[0] ?? 0;
    const hidden = Math.max(0, axis.lanes.length - axis.most);
    $("lanes").hidden = !hidden;
    $("first").max = hidden;
    $("first").value = 0;
    $("shown").textContent = `${count} of ${night.job.length} attempts are shown.`;
    axis.ask();
  };
  $("filters").addEventListener("change", apply);
  $("filters").addEventListener("submit", (event) => event.preventDefault());
  $("first").addEventListener("input", () => { axis.first = +$("first").value; axis.ask(); });
  apply();
}

/* Stories of jobs: the events are unpacked when the first is opened. */
function stories(night, axis) {
  let byJob, told;
  const load = async () => {
    if (byJob) return;
    if (document.readyState === "loading") await new Promise((there) => addEventListener("DOMContentLoaded", there, { once: true }));
    const found = new Map();
    for (const event of await unpacked("events")) {
      if (!found.has(event[4])) found.set(event[4], []);
      found.get(event[4]).push(event);
    }
    told = new Map(await unpacked("stories"));
    byJob = found;
  };
  /* The events of a job that has no story on the page. */
  const listed = (job, events) => [
    ["title", "", `The events of ${night.jobName.get(job)}`],
    ...events.slice(0, 500).map((event) => ["said", night.clock(event[1]), `${night.tellEvent(event)} [${event[0]}]`]),
    ...(events.length > 500 ? [["plain", "", `And ${events.length - 500} more.`]] : []),
    ...(events.length ? [] : [["plain", "", "The events of this job are too many for the page: queuedrill trail shows them."]]),
  ];
  const close = () => {
    const was = !$("story").hidden;
    $("story").hidden = true;
    axis.open = -1;
    axis.ask();
    if (was) $("axis").focus();
  };
  const open = async (row) => {
    await load();
    const job = night.job[row], worker = night.workers[night.lanes[night.laneOf[row]][0]];
    const lines = told.get(job) || listed(job, byJob.get(job) || []);
    $("storyname").textContent = lines[0][2];
    let list = null;
    $("told").replaceChildren(...lines.slice(1).flatMap(([kind, time, text]) => {
      if (kind !== "said" && kind !== "changed") {
        list = null;
        return [made(kind === "heading" ? "h4" : "p", text)];
      }
      const item = made("li"), begun = list;
      if (time) item.append(made("time", time), " ");
      item.append(text);
      if (text.includes(worker)) item.className = "here";
      list = list || made("ul");
      list.append(item);
      return begun ? [] : [list];
    }));
    axis.open = night.laneOf[row];
    $("story").hidden = false;
    axis.ask();
    $("story").focus({ preventScroll: true });
  };
  $("close").addEventListener("click", close);
  $("story").addEventListener("keydown", (event) => {
    event.stopPropagation();
    if (event.key === "Escape") close();
  });
  return { open, close };
}

function pick(night, axis, row) {
  axis.picked = row;
  axis.lane = night.laneOf[row];
  const place = axis.lanes.indexOf(axis.lane);
  if (place < axis.first || place >= axis.first + axis.most) {
    axis.first = Math.max(0, Math.min(place, axis.lanes.length - axis.most));
    $("first").value = axis.first;
  }
  if (night.ends[row] < axis.from || night.begins[row] > axis.to) {
    const half = (axis.to - axis.from) / 2;
    axis.look(night.begins[row] - half, night.begins[row] + half);
  }
  $("tell").textContent = night.tellAttempt(row);
  axis.ask();
}

function moving(night, axis, story) {
  const element = $("axis");
  const step = (by) => {
    const [, from, to] = night.lanes[axis.lane] || [0, 0, 0];
    const inside = axis.picked >= from && axis.picked < to;
    let row = inside ? axis.picked + by : by > 0 ? firstThat(from, to, (i) => night.ends[i] >= axis.from) : to - 1;
    while (row >= from && row < to && !night.chosen[row]) row += by;
    if (row >= from && row < to) pick(night, axis, row);
    else $("tell").textContent = "There is no further attempt in this lane.";
  };
  const lane = (by) => {
    const place = axis.lanes.indexOf(axis.lane) + by;
    if (place < 0 || place >= axis.lanes.length) return;
    axis.lane = axis.lanes[place];
    if (place < axis.first) axis.first = place;
    if (place >= axis.first + axis.most) axis.first = place - axis.most + 1;
    $("first").value = axis.first;
    const [worker, from, to] = night.lanes[axis.lane], state = night.stateAt(worker, axis.moment);
    $("tell").textContent = `${night.workers[worker]}: ${to - from} attempts in this lane` +
      (state ? `, ${night.states[state[0 + 1]]} at the chosen time.` : ".");
    axis.ask();
  };
  const fault = (by) => {
    const place = axis.mark < 0 && by < 0 ? night.marks.length - 1 : axis.mark + by;
    if (place < 0 || place >= night.marks.length) {
      $("tell").textContent = night.marks.length ? "There is no further fault or action." : "No fault and no action.";
      return;
    }
    axis.mark = place;
    const [begins] = night.marks[place], half = (axis.to - axis.from) / 2;
    if (begins < axis.from || begins > axis.to) axis.look(begins - half, begins + half);
    $("tell").textContent = `${place + 1}: ${lasting(night, night.marks[place])} ${clean(night.marks[place][3])}.`;
    axis.ask();
  };
  const act = {
    earlier: () => axis.pan(-0.25), later: () => axis.pan(0.25),
    closer: () => axis.zoom(0.5), wider: () => axis.zoom(2), whole: () => axis.look(0, night.horizon),
    before: () => step(-1), after: () => step(1),
  };
  for (const [id, does] of Object.entries(act)) $(id).addEventListener("click", does);
  const keys = {
    ArrowLeft: act.earlier, ArrowRight: act.later, "+": act.closer, "=": act.closer, "-": act.wider, "0": act.whole,
    Home: () => axis.look(0, axis.to - axis.from), End: () => axis.look(night.horizon - (axis.to - axis.from), night.horizon),
    ArrowUp: () => lane(-1), ArrowDown: () => lane(1), n: act.after, p: act.before,
    f: () => fault(1), F: () => fault(-1),
    Enter: () => axis.picked >= 0 && story.open(axis.picked), Escape: story.close,
  };
  element.addEventListener("keydown", (event) => {
    const does = keys[event.key] || keys[event.key.toLowerCase()];
    if (!does || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    does();
  });
  element.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey && document.activeElement !== element) return;
    if (event.target.closest("#story")) return;
    event.preventDefault();
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) axis.pan((event.deltaX || event.deltaY) / 1000);
    else axis.zoom(Math.exp(event.deltaY / 500), axis.at(event.clientX - element.getBoundingClientRect().left));
  }, { passive: false });
  let grabbed = null, moved = false;
  element.addEventListener("pointerdown", (event) => {
    if (event.button || event.target.closest("#story")) return;
    element.focus({ preventScroll: true });
    grabbed = [event.clientX, axis.from, axis.to];
    moved = false;
  });
  addEventListener("pointermove", (event) => {
    if (!grabbed) return;
    const by = event.clientX - grabbed[0];
    if (Math.abs(by) > 3) moved = true;
    const ticks = (by / (axis.width - axis.left - 8)) * (grabbed[2] - grabbed[1]);
    if (moved) axis.look(grabbed[1] - ticks, grabbed[2] - ticks);
  });
  addEventListener("pointerup", () => { grabbed = null; });
  addEventListener("pointercancel", () => { grabbed = null; });
  for (const name of ["upper", "lower"]) {
    const spot = (event) => axis.under(name, event.offsetX, event.offsetY);
    $(name).addEventListener("pointermove", (event) => {
      if (grabbed) return;
      const [at, row] = spot(event);
      if (row >= 0) { $("tell").textContent = night.tellAttempt(row); return; }
      if (at < 0) return;
      const worker = night.lanes[at][0], tick = axis.at(event.offsetX), state = tick >= 0 && night.stateAt(worker, tick);
      if (state) $("tell").textContent = `${night.workers[worker]} at ${night.clock(tick)}: ${night.states[state[1]]}${state[2] ? ` (${clean(state[2])})` : ""}.`;
    });
    $(name).addEventListener("click", (event) => {
      if (moved) return;
      const [at, row] = spot(event);
      if (at >= 0) axis.lane = at;
      if (row < 0) { axis.ask(); return; }
      pick(night, axis, row);
      story.open(row);
    });
  }
  $("above").addEventListener("pointermove", (event) => {
    const tick = axis.at(event.offsetX);
    if (grabbed || tick < 0 || tick > night.horizon) return;
    const [at, queued, held, running] = night.total, i = Math.max(0, firstThat(0, at.length, (k) => at[k] > tick) - 1);
    const near = (6 * (axis.to - axis.from)) / axis.width;
    const here = night.marks.filter(([from, to]) => from - near <= tick && Math.max(from, to) + near >= tick).slice(0, 3);
    $("tell").textContent = `${night.clock(tick)}: ${queued[i]} queued, ${held[i]} held, ${running[i]} running` +
      (here.length ? `; ${here.map((mark) => clean(mark[3])).join("; ")}.` : ".");
  });
}

function moment(night, axis) {
  const cells = (values) => {
    const line = made("tr"), [name, ...rest] = values, head = made("th", name);
    head.scope = "row";
    line.append(head, ...rest.map((value) => made("td", String(value))));
    return line;
  };
  const show = () => {
    const tick = (night.horizon * $("moment").value) / $("moment").max;
    axis.moment = tick;
    $("clock").textContent = night.clock(tick);
    $("moment").setAttribute("aria-valuetext", night.clock(tick));
    $("queues").replaceChildren(...night.counts.map(([queue, at, ...states]) => {
      const i = firstThat(0, at.length, (k) => at[k] > tick) - 1;
      return cells([queue, ...states.map((state) => (i < 0 ? 0 : state[i]))]);
    }));
    const doing = night.workers.map(() => []);
    night.lanes.forEach(([worker], lane) => {
      const row = night.rowAt(lane, tick);
      if (row >= 0 && night.ends[row] > tick && night.begins[row] <= tick) doing[worker].push(row);
    });
    const lines = [];
    for (let worker = 0; worker < night.workers.length && lines.length < 200; worker++) {
      const state = night.stateAt(worker, tick), rows = doing[worker], name = state ? night.states[state[1]] : "off";
      const on = rows.map((row) => `${night.jobName.get(night.job[row])}, attempt ${night.attempt[row]}` +
        (night.leaseEnds[row] <= tick ? " without a lease" : ""));
      lines.push(cells([night.workers[worker], rows.length && name === "idle" ? "busy" : name, on.join("; ") || "nothing"]));
    }
    if (night.workers.length > lines.length) lines.push(cells([`and ${night.workers.length - lines.length} more`, "", ""]));
    $("workers").replaceChildren(...lines);
    axis.ask();
  };
  $("moment").addEventListener("input", show);
  show();
}

/* From when to when a fault or an action lasts. */
function lasting(night, [begins, ends]) {
  if (ends < 0) return night.clock(begins);
  return ends >= night.horizon ? `${night.clock(begins)} to the end` : night.span(begins, ends);
}

function marks(night) {
  const lines = night.marks.slice(0, 200).map((mark, place) => {
    const line = made("li");
    line.value = place + 1;
    line.append(made("time", lasting(night, mark)), ` ${clean(mark[3])}`);
    return line;
  });
  if (lines.length) $("marks").replaceChildren(...lines);
  else $("marks").replaceWith(made("p", "No fault and no action."));
}

/* A number of attempts leads to the attempts themselves, each of which leads to its story. */
function behind(night, axis, story) {
  for (const link of document.querySelectorAll("[data-outcome]")) {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      const name = link.dataset.outcome, code = night.outcomes.indexOf(name), rows = [];
      for (let i = 0; i < night.outcome.length; i++) if (night.outcome[i] === code) rows.push(i);
      rows.sort((a, b) => night.begins[a] - night.begins[b]);
      const place = $("behind");
      place.hidden = false;
      place.querySelector("h3").textContent = `Attempts: ${name}`;
      place.querySelector("p").textContent = rows.length > 200 ? `The first 200 of ${rows.length}.` : "";
      place.querySelector("ul").replaceChildren(...rows.slice(0, 200).map((row) => {
        const item = made("li"), button = made("button", `${night.tellAttempt(row)} Event ${night.event[row]}.`);
        button.type = "button";
        button.addEventListener("click", () => {
          pick(night, axis, row);
          $("night").scrollIntoView();
          story.open(row);
        });
        item.append(button);
        return item;
      }));
      place.focus();
    });
  }
}

/* A link to a job or an event opens the list that it stands in. */
function links() {
  const open = () => {
    const target = location.hash.length > 1 && $(decodeURIComponent(location.hash.slice(1)));
    const around = target && target.closest("details");
    if (around) { around.open = true; target.scrollIntoView(); }
  };
  addEventListener("hashchange", open);
  open();
}

begin().catch((wrong) => {
  const place = document.getElementById("tell");
  place.textContent = `The picture could not be drawn (${wrong.message}); the tables are complete.`;
  throw wrong;
});
