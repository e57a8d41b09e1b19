/* The board of drives: every drive on one scale of time, each run a band to press. The kernel says what is so, `ask`
   tells it what was done; hovering, zooming and laying one pull over another ask it nothing. */
const LEAST_BAND_PX = 24; // what a finger finds
const AROUND_S = 12; // shown on both sides of a run that is zoomed to
const STRIP_PX = 62;

function boardOf(place, lines, ask, lights, plotly) {
  const view = { from: 0, to: 1, whole: true, first: "", second: "", bands: new Map(), facts: null, asked: {} };
  const root = node("div", { class: "pb-board", "data-lm-suppress-shortcuts": "true" });
  const bar = node("div", { class: "pb-bar" });
  const first = select("Run", function () { choose(first.value); });
  const second = select("laid over", function () { view.second = second.value; lay(); });
  const gear = select("Gear", function () { ask({ act: "gear", gear: gear.value }); });
  const zoom = button("Zoom to it", function () { zoomTo(runOf(view.first)); });
  const whole = button("Whole drives", function () { view.whole = true; size(); });
  const left = node("span", { role: "status", class: "pb-where" });
  const told = node("p", { class: "pb-told", role: "status" });
  const axis = node("div", { class: "pb-axis", "aria-hidden": "true" });
  const lanes = node("div", { class: "pb-lanes" });
  const over = node("div", { class: "pb-over" });
  const mark = marking();
  bar.append(first.parentNode, second.parentNode, zoom, whole, gear.parentNode, left);
  const key = node("p", { class: "pb-where" });
  root.append(axis, lanes, key, bar, told, over, mark.details);
  place.replaceChildren(root);

  function node(kind, facts, words) {
    const made = document.createElement(kind);
    Object.entries(facts || {}).forEach(function ([name, value]) { made.setAttribute(name, value); });
    if (words !== undefined) made.textContent = words;
    return made;
  }

  function button(words, act) {
    const made = node("button", { type: "button", class: "pb-act" }, words);
    made.addEventListener("click", act);
    return made;
  }

  function select(words, act) {
    const label = node("label", {}, `${words} `);
    const made = node("select", { "aria-label": words });
    made.addEventListener("change", act);
    label.append(made);
    return made;
  }

  function field(words, name) {
    const label = node("label", {}, `${words} `);
    const made = node("input", { type: "text", name, autocomplete: "off", "aria-label": words });
    made.addEventListener("keydown", function (event) { // the lab keeps Enter to itself
      if (event.key !== "Enter") return;
      event.preventDefault();
      made.form.requestSubmit();
    });
    label.append(made);
    return made;
  }

  const clock = (s) => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;
  const sessionOf = (name) => view.facts.sessions.find((s) => s.name === name);
  const allRuns = () => view.facts.sessions.flatMap((s) => s.runs.map((r) => ({ ...r, session: s })));
  const runOf = (key) => allRuns().find((r) => r.key === key);
  const lineOf = (session, channel) => lines.get(`${session}/${channel}`);

  // --- what is chosen ---------------------------------------------------------------------------------------------

  function choose(key, quietly) {
    view.first = key;
    first.value = key;
    if (!quietly) lights.hold(key);
    zoom.disabled = !key || !runOf(key).timed;
    tell();
    lay();
  }

  function tell() {
    const run = runOf(view.first);
    const states = {
      counts: "It counts.", left: "You left it out.", refused: "It does not count by itself.", marked: "You marked it by hand."
    };
    told.textContent = run ? `${run.said}. ${states[run.state]}${run.why ? ` ${sentence(run.why)}` : ""}` : "";
    for (const lane of lanes.children) asking(lane, run);
  }

  const sentence = (words) => `${words[0].toUpperCase()}${words.slice(1)}.`;

  // The line under a drive that asks why, of the run that is chosen there or of the whole session.
  function asking(lane, run) {
    const session = sessionOf(lane.dataset.session);
    const mine = run && run.session.name === session.name ? run : null;
    const now = view.asked[session.name];
    const about = now === "session" && !session.any ? "session" : mine && mine.state !== "counts" ? mine.key + mine.state : "";
    const line = lane.querySelector(".pb-why");
    if (line.dataset.about !== about) {
      line.dataset.about = about;
      line.replaceChildren();
      if (about === "session") {
        line.append(reasonFor(`Why is all of ${session.name} left out?`, session.reason, function (reason) {
          ask({ act: "session", session: session.name, counts: false, reason });
        }));
      } else if (about && mine.state === "left") {
        line.append(reasonFor(`Why leave out ${mine.name}?`, mine.reason, function (reason) {
          ask({ act: "reason", session: session.name, run: mine.name, reason });
        }));
      } else if (about && mine.state === "refused" && mine.kind === "pull") {
        line.append(node("span", {}, `By itself it does not count: ${mine.why}.`), reasonFor(
          `Why count ${mine.name} all the same?`, "", function (reason) {
            ask({ act: "mark", session: session.name, start: String(mine.start), end: String(mine.end), reason });
          }, "Mark it by hand"));
      } else if (about && mine.state === "refused") {
        line.append(node("span", {}, `It does not count: ${mine.why}.`));
      } else if (about) {
        line.append(node("span", {}, `Marked by hand: ${mine.marked}. By itself it had not counted: ${mine.why}. Press it again to take that back.`));
      }
    }
    const words = session.trouble || (mine && mine.needed ? "Give a reason before you save." : "");
    const trouble = lane.querySelector(".pb-trouble");
    if (trouble.textContent !== words) trouble.textContent = words;
    trouble.hidden = !words;
  }

  function reasonFor(words, reason, keep, does) {
    const form = node("form", { class: "pb-reason" });
    const box = field(words, "reason");
    box.value = reason;
    box.placeholder = "reason, shown on the page";
    form.append(box.parentNode, node("button", { type: "submit", class: "pb-act" }, does || "Keep the reason"));
    let kept = reason;
    const give = function () {
      if (box.value.trim() === kept) return;
      kept = box.value.trim();
      keep(kept);
    };
    form.addEventListener("submit", function (event) {
      event.preventDefault();
      if (does) keep(box.value.trim()); else give();
      toBand();
    });
    if (!does) box.addEventListener("change", give);
    box.addEventListener("keydown", function (event) {
      if (event.key !== "Escape") return;
      event.stopPropagation();
      toBand();
    });
    return form;
  }

  function toBand() {
    const band = view.bands.get(view.first);
    if (band) band.focus();
  }

  function press(run) {
    choose(run.key);
    if (run.state === "refused") return toReason();
    const out = run.state === "counts";
    view.ask = out ? run.key : "";
    ask({ act: out ? "leave" : run.state === "marked" ? "unmark" : "take", session: run.session.name, run: run.name });
  }

  function toReason() {
    const box = lanes.querySelector(".pb-why input");
    if (box) box.focus();
  }

  // --- time ---------------------------------------------------------------------------------------------------------

  function zoomTo(run) {
    if (!run) return;
    Object.assign(view, { whole: false, from: run.start - AROUND_S, to: run.end + 2 * AROUND_S });
    size();
  }

  function size() {
    if (!view.facts) return;
    if (view.whole) Object.assign(view, { from: 0, to: Math.max(1, ...view.facts.sessions.map((s) => s.length)) });
    whole.disabled = view.whole;
    const wide = Math.max(lanes.querySelector(".pb-strip") ? lanes.querySelector(".pb-strip").clientWidth : 0, 1);
    for (const lane of lanes.children) {
      drawLines(lane, wide);
      placeBands(lane, wide);
    }
    ticks(wide);
  }

  const across = (s, wide) => ((s - view.from) / (view.to - view.from)) * wide;

  function ticks(wide) {
    const steps = [5, 10, 30, 60, 120, 300, 600, 1800, 3600];
    const step = steps.find((s) => across(view.from + s, wide) >= 52) || 7200;
    axis.replaceChildren();
    for (let s = Math.max(0, Math.ceil(view.from / step) * step); across(s, wide) < wide - 30; s += step) {
      const tick = node("span", {}, clock(s));
      tick.style.left = `${across(s, wide)}px`;
      axis.append(tick);
    }
  }

  // One stroke a pixel column at most: five hours draw as fast as five minutes.
  function path(line, wide, low, high) {
    const y = (v) => (STRIP_PX - 6 - ((v - low) / (high - low || 1)) * (STRIP_PX - 12)).toFixed(1);
    let drawn = "";
    let pen = false;
    let k = firstAfter(line.time, view.from) - 1;
    for (k = Math.max(k, 0); k < line.time.length && (k === 0 || line.time[k - 1] <= view.to);) {
      const x = Math.floor(across(line.time[k], wide));
      let least = Infinity;
      let most = -Infinity;
      let last = NaN;
      while (k < line.time.length && Math.floor(across(line.time[k], wide)) === x) {
        const value = line.values[k];
        if (Number.isNaN(value)) { if (Number.isNaN(last)) pen = false; } else {
          least = Math.min(least, value);
          most = Math.max(most, value);
          last = value;
        }
        k += 1;
      }
      if (Number.isNaN(last)) { pen = false; continue; }
      drawn += `${pen ? "L" : "M"}${x} ${y(least)}${most > least ? `L${x} ${y(most)}L${x} ${y(last)}` : ""}`;
      pen = true;
    }
    return drawn;
  }

  function firstAfter(times, t) {
    let low = 0;
    let high = times.length;
    while (low < high) { const mid = (low + high) >> 1; if (times[mid] < t) low = mid + 1; else high = mid; }
    return low;
  }

  function reach(channel) {
    let low = Infinity;
    let high = -Infinity;
    for (const session of view.facts.sessions) {
      const line = lineOf(session.name, channel);
      if (!line) continue;
      if (line.low === undefined) {
        line.low = Infinity;
        line.high = -Infinity;
        for (const v of line.values) { if (v < line.low) line.low = v; if (v > line.high) line.high = v; }
      }
      low = Math.min(low, line.low);
      high = Math.max(high, line.high);
    }
    return [low, high];
  }

  function drawLines(lane, wide) {
    const svg = lane.querySelector("svg");
    svg.setAttribute("viewBox", `0 0 ${wide} ${STRIP_PX}`);
    for (const channel of ["vehicle_speed", "charge_air_temperature"]) {
      const line = lineOf(lane.dataset.session, channel);
      svg.querySelector(`.pb-of-${channel}`).setAttribute("d", line ? path(line, wide, ...reach(channel)) : "");
    }
    const session = sessionOf(lane.dataset.session);
    const none = lane.querySelector(".pb-none");
    none.hidden = lines.size === 0 || Boolean(lineOf(session.name, "vehicle_speed"));
    lane.querySelector(".pb-end").style.left = `${across(session.length, wide)}px`;
  }

  // Bands as long as their runs, none too small to press, none over another.
  function placeBands(lane, wide) {
    const session = sessionOf(lane.dataset.session);
    const seen = session.runs.filter((r) => !r.timed || (r.end > view.from && r.start < view.to));
    const boxes = [];
    let after = -Infinity;
    for (const run of seen) {
      const [a, b] = run.timed ? [across(Math.max(run.start, view.from), wide), across(Math.min(run.end, view.to), wide)]
        : [0, 0]; // written down without a time: one after the other
      const width = Math.max(b - a, LEAST_BAND_PX);
      const x = Math.max((a + b - width) / 2, after, 0);
      boxes.push({ run, x, width });
      after = x + width;
    }
    let before = wide;
    for (const box of boxes.slice().reverse()) { // pushed beyond the end: back again, and narrower where it must be
      if (box.x + box.width > before) box.x = Math.max(before - box.width, 0);
      before = box.x;
    }
    boxes.forEach(function (box, k) {
      const next = boxes[k + 1];
      if (next) box.width = Math.max(Math.min(box.width, next.x - box.x), 6);
    });
    for (const run of session.runs) {
      const hidden = !seen.includes(run);
      if (view.bands.get(run.key).hidden !== hidden) view.bands.get(run.key).hidden = hidden; // hiding takes the focus
    }
    for (const { run, x, width } of boxes) {
      const band = view.bands.get(run.key);
      band.style.left = `${x}px`;
      band.style.width = `${width}px`;
    }
  }

  // --- the drives ---------------------------------------------------------------------------------------------------

  function laneOf(session) {
    const lane = node("div", { class: `pb-lane pb-of-${session.phase}`, "data-session": session.name });
    const head = node("label", { class: "pb-head" });
    const counts = node("input", { type: "checkbox" });
    counts.addEventListener("change", function () {
      view.asked[session.name] = counts.checked ? "" : "session";
      choose("");
      ask({ act: "session", session: session.name, counts: counts.checked, reason: "" });
    });
    head.append(counts, node("span", { class: "pb-mark", "aria-hidden": "true" }), node("span", { class: "pb-name" }, session.name),
      node("span", { class: "pb-count" }));
    const strip = node("div", { class: "pb-strip", role: "group", "aria-label": `Runs of ${session.name}, ${session.phase} the service` });
    strip.innerHTML = '<svg preserveAspectRatio="none" aria-hidden="true"><path class="pb-of-vehicle_speed"/>'
      + '<path class="pb-of-charge_air_temperature"/></svg>';
    strip.append(node("div", { class: "pb-end" }), node("span", { class: "pb-none" }, "Written down without a log, so without times."));
    dragging(strip, session.name);
    lane.append(head, strip, node("div", { class: "pb-why" }), node("p", { class: "pb-trouble", role: "alert", hidden: "" }));
    return lane;
  }

  function bandOf(session, run) {
    const band = node("button", { type: "button", "data-pb-run": run.key });
    band.append(node("span", { class: "pb-figure" }), node("span", { class: "pb-number" }));
    band.addEventListener("click", function () { press(runOf(run.key)); });
    band.addEventListener("focus", function () { if (view.first !== run.key) choose(run.key); });
    band.addEventListener("keydown", function (event) { step(event, session.name, run.key); });
    return band;
  }

  // Arrows go from run to run, and from drive to drive.
  function step(event, name, key) {
    const lane = sessionOf(name).runs.map((r) => r.key);
    const at = lane.indexOf(key);
    const move = { ArrowLeft: at - 1, ArrowRight: at + 1, Home: 0, End: lane.length - 1 }[event.key];
    let to = move === undefined ? undefined : lane[move];
    if (event.key === "ArrowUp" || event.key === "ArrowDown") {
      const all = view.facts.sessions.filter((s) => s.runs.length);
      const other = all[all.findIndex((s) => s.name === name) + (event.key === "ArrowDown" ? 1 : -1)];
      const start = runOf(key).start;
      to = other && other.runs.reduce((a, b) => (Math.abs(b.start - start) < Math.abs(a.start - start) ? b : a)).key;
    } else if (move === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    if (!to) return;
    if (view.bands.get(to).hidden) zoomTo(runOf(to));
    view.bands.get(to).focus();
  }

  function settle(lane, session, scale) {
    lane.querySelector("input").checked = session.any;
    lane.querySelector(".pb-count").textContent = `${session.counts} of ${session.of} pulls`;
    lane.classList.toggle("pb-out", !session.any);
    const strip = lane.querySelector(".pb-strip");
    const wanted = session.runs.map((r) => `${r.key}@${r.start}-${r.end}`).join();
    if (strip.dataset.runs !== wanted) { // other runs were found
      const focused = strip.contains(document.activeElement) && document.activeElement.dataset.pbRun;
      strip.querySelectorAll("button").forEach((b) => b.remove());
      strip.dataset.runs = wanted;
      for (const run of session.runs) {
        view.bands.set(run.key, bandOf(session, run));
        strip.append(view.bands.get(run.key));
      }
      if (focused && session.runs.some((r) => r.key === focused)) view.bands.get(focused).focus();
    }
    const inTurn = session.runs.some((r) => r.key === view.first) ? view.first : (session.runs[0] || {}).key;
    for (const run of session.runs) {
      const band = view.bands.get(run.key);
      band.className = `pb-band pb-${run.kind} pb-${run.state}${lights.held() === run.key ? " pb-lit" : ""}`;
      band.tabIndex = run.key === inTurn ? 0 : -1;
      const does = { counts: "counts; press to leave it out", left: "left out; press to count it again",
        refused: `does not count: ${run.why}`, marked: "marked by hand; press to take that back" }[run.state];
      band.setAttribute("aria-pressed", String(run.state === "counts" || run.state === "marked"));
      band.setAttribute("aria-label", `${run.said}, ${does}`);
      band.title = `${run.said}: ${does}`;
      band.querySelector(".pb-number").textContent = `${run.state === "marked" ? "✎" : ""}${run.kind === "pull" ? "" : "c"}${run.number}`;
      const figure = band.querySelector(".pb-figure");
      figure.hidden = run.figure === null;
      if (run.figure !== null) figure.style.bottom = `${(16 + 29 * (run.figure - scale[0]) / (scale[1] - scale[0] || 1)).toFixed(1)}px`;
    }
  }

  function put(facts) {
    view.facts = facts;
    const names = facts.sessions.map((s) => s.name).join("|");
    if (lanes.dataset.names !== names) {
      lanes.dataset.names = names;
      view.bands.clear();
      Object.assign(view, { whole: true, first: "", second: "" });
      lanes.replaceChildren(...facts.sessions.map(laneOf));
    }
    const figures = allRuns().map((r) => r.figure).filter((f) => f !== null);
    const scale = [Math.min(...figures), Math.max(...figures)];
    facts.sessions.forEach((session, k) => settle(lanes.children[k], session, scale));
    const runs = allRuns().map((r) => [r.key, `${r.session.name}, ${r.name}`, r]);
    options(first, [["", "none"], ...runs], view.first);
    options(second, [["", "nothing"], ...runs.filter(([, , r]) => r.kind === "pull" && r.timed)], view.second);
    gear.parentNode.hidden = !facts.gears.length;
    options(gear, [["", "all"], ...facts.gears], facts.gear);
    left.textContent = facts.left;
    key.textContent = facts.key;
    mark.put(facts);
    if (view.first && !runOf(view.first)) choose("");
    view.second = second.value;
    zoom.disabled = !view.first || !runOf(view.first).timed;
    size();
    tell();
    lay();
    if (view.ask && runOf(view.ask) && runOf(view.ask).state === "left") { view.ask = ""; toReason(); }
  }

  function options(list, wanted, value) {
    const now = JSON.stringify(wanted.map(([key, words]) => [key, words]));
    if (list.dataset.now !== now) {
      list.dataset.now = now;
      list.replaceChildren(...wanted.map(([key, words]) => node("option", { value: key }, words)));
    }
    list.value = wanted.some(([key]) => key === value) ? value : "";
  }

  // --- marking by hand ------------------------------------------------------------------------------------------------

  function marking() {
    const details = node("details", { class: "pb-marking" });
    const form = node("form", {});
    const session = select("Session", function () {});
    const boxes = { start: field("Starts at", "start"), end: field("ends at", "end"), reason: field("Why it counts", "why") };
    boxes.start.placeholder = boxes.end.placeholder = "3:54 or 234";
    boxes.reason.placeholder = "reason, shown on the page";
    const trouble = node("p", { class: "pb-trouble", role: "alert", hidden: "" });
    form.append(node("p", {}, "Drag along a drive to fill in start and end, or type them: minutes and seconds, or seconds since the log began."),
      session.parentNode, ...Object.values(boxes).map((b) => b.parentNode), node("button", { type: "submit", class: "pb-act" }, "Mark it by hand"), trouble);
    details.append(node("summary", {}, "A pull is missing? Mark it by hand"), form);
    form.addEventListener("submit", function (event) {
      event.preventDefault();
      view.marked = true;
      ask({ act: "mark", session: session.value, start: boxes.start.value, end: boxes.end.value, reason: boxes.reason.value, at: "mark" });
    });
    return {
      details,
      fill: function (name, from, to) {
        details.open = true;
        session.value = name;
        boxes.start.value = from.toFixed(1);
        boxes.end.value = to.toFixed(1);
        boxes.reason.focus();
      },
      put: function (facts) {
        options(session, facts.sessions.map((s) => [s.name, s.name]), session.value || (facts.sessions[0] || {}).name);
        trouble.textContent = facts.trouble;
        trouble.hidden = !facts.trouble;
        if (view.marked && !facts.trouble) Object.values(boxes).forEach((b) => { b.value = ""; });
        view.marked = false;
      }
    };
  }

  function dragging(strip, name) {
    let from = null;
    const shade = node("div", { class: "pb-shade", hidden: "" });
    strip.append(shade);
    const at = (event) => view.from + ((event.clientX - strip.getBoundingClientRect().left) / strip.clientWidth) * (view.to - view.from);
    strip.addEventListener("pointerdown", function (event) {
      if (event.target.closest("button") || event.button !== 0) return;
      from = at(event);
      strip.setPointerCapture(event.pointerId);
    });
    strip.addEventListener("pointermove", function (event) {
      if (from === null) return;
      const [a, b] = [from, at(event)].sort((x, y) => x - y);
      shade.hidden = false;
      shade.style.left = `${across(a, strip.clientWidth)}px`;
      shade.style.width = `${across(b, strip.clientWidth) - across(a, strip.clientWidth)}px`;
    });
    strip.addEventListener("pointerup", function (event) {
      if (from === null) return;
      const [a, b] = [Math.max(0, from), Math.max(0, at(event))].sort((x, y) => x - y);
      from = null;
      shade.hidden = true;
      if (b - a >= 1) mark.fill(name, a, b);
    });
    strip.addEventListener("pointercancel", function () { from = null; shade.hidden = true; });
  }

  // --- one pull over another -----------------------------------------------------------------------------------------

  function lay() {
    if (!view.facts) return;
    const runs = [runOf(view.first), runOf(view.second)].filter((r) => r && r.kind === "pull" && r.timed);
    if (!view.second || runs.length < 2) {
      over.replaceChildren();
      over.dataset.now = "";
      return;
    }
    const wide = over.clientWidth;
    const dark = document.body.dataset.jpThemeLight === "false";
    const now = JSON.stringify([runs.map((r) => [r.key, r.start, r.end]), wide, dark]);
    if (over.dataset.now === now) return;
    over.dataset.now = now;
    const inks = getComputedStyle(root);
    const ink = (name) => inks.getPropertyValue(`--pb-${name}`).trim();
    const same = runs[0].session.phase === runs[1].session.phase;
    const held = view.facts.lines.filter(([channel]) => runs.some((r) => lineOf(r.session.name, channel)));
    const beside = wide > 700;
    const data = [];
    const layout = {
      width: wide, height: beside ? 260 : 60 + 200 * held.length, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      margin: { l: 52, r: 12, t: 30, b: 46 }, font: { family: "system-ui, sans-serif", size: 12, color: ink("soft") },
      legend: { orientation: "h", y: 1.0, yanchor: "bottom", x: 0 }, dragmode: false, hovermode: "x"
    };
    const longest = Math.max(...runs.map((r) => r.end - r.start));
    held.forEach(function ([channel, name, unit], k) {
      const n = k ? String(k + 1) : "";
      const share = 1 / held.length;
      const part = beside ? [k * share + (k ? 0.035 : 0), (k + 1) * share - (k < held.length - 1 ? 0.035 : 0)] : [1 - (k + 1) * share + 0.09, 1 - k * share - 0.03];
      layout[`xaxis${n}`] = { domain: beside ? part : [0, 1], anchor: `y${n}`, range: [-3, longest + 10], zeroline: true, zerolinecolor: ink("soft"),
        gridcolor: "rgba(127,127,127,0.25)", fixedrange: true, title: beside || k === held.length - 1 ? { text: "time since full load [s]" } : undefined };
      layout[`yaxis${n}`] = { domain: beside ? [0, 1] : part, anchor: `x${n}`, gridcolor: "rgba(127,127,127,0.25)", fixedrange: true,
        zeroline: false, title: { text: `${name} [${unit}]` } };
      runs.forEach(function (run, which) {
        const line = lineOf(run.session.name, channel);
        if (!line) return;
        const a = firstAfter(line.time, run.start - 3);
        const b = firstAfter(line.time, run.start + longest + 10);
        const [x, y] = [[], []];
        for (let i = a; i < b; i += 1) {
          x.push(Number((line.time[i] - run.start).toFixed(2)));
          y.push(Number.isNaN(line.values[i]) ? null : Number(line.values[i].toFixed(1)));
        }
        data.push({ x, y, xaxis: `x${n}`, yaxis: `y${n}`, mode: "lines", name: `${run.session.name}, ${run.name}`, showlegend: k === 0,
          line: { color: which && same ? ink("ink") : ink(run.session.phase), width: which ? 2 : 2.6, dash: which ? "dash" : "solid" },
          hovertemplate: `%{y:.1f} ${unit} at %{x:.1f} s` });
      });
    });
    let picture = over.querySelector(".pb-laid");
    if (!picture) {
      picture = node("div", { class: "pb-laid", role: "img" });
      over.replaceChildren(picture);
    }
    picture.setAttribute("aria-label", `${runs.map((r) => `${r.session.name}, ${r.name}`).join(" and ")} on time since full load: ${held.map((h) => h[1]).join(", ")}.`);
    plotly().react(picture, data, layout, { displayModeBar: false });
  }

  return { put, size: function () { size(); lay(); }, lit: function (key) { if (view.facts && runOf(key)) choose(key, true); else if (view.facts && !key) choose("", true); } };
}
