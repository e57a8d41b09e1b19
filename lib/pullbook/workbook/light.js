/* Lights a run wherever it is shown: in rows, in the answering picture and over the curves and bands of the others. A
   run is known by its session and name, such as "before-1/pull 3". What is lit has one look everywhere; the rest dims.
   Nothing is asked of anybody for it: the pictures hold what is needed. */
function lightRuns(changed) {
  const SVG = "http://www.w3.org/2000/svg";
  const NEAR_PX = 7;
  let held = "";
  let lit = "";

  const listOf = function (group) { return group.dataset.pbRuns.split("|"); };
  const marksOf = function (group) { return Array.from(group.querySelectorAll("use, :scope > path")); };

  function runAt(element) {
    const one = element.closest("[data-pb-run]");
    if (one) return one.dataset.pbRun;
    const group = element.closest("[data-pb-runs]");
    if (!group) return "";
    return listOf(group)[marksOf(group).indexOf(element)] || "";
  }

  // The curves of a picture that belong to runs, in pixels of the picture.
  function curvesOf(plot) {
    const found = [];
    (plot.data || []).forEach(function (trace) {
      const names = (trace.meta || {}).rows;
      if (!names || trace.mode !== "lines" || names[0].length !== 2 || names[0][1] === "mean") return;
      const across = axis(plot, trace.xaxis || "x");
      const up = axis(plot, trace.yaxis || "y");
      let part = 0;
      let points = [];
      const done = function () {
        if (points.length && names[part]) found.push({ run: names[part].join("/"), points: points });
        points = [];
        part += 1;
      };
      for (let k = 0; k < trace.x.length; k += 1) {
        if (trace.x[k] === null) done();
        else if (trace.y[k] !== null) points.push([across.at(trace.x[k]), up.at(trace.y[k])]);
      }
      done();
    });
    return found;
  }

  function bandsOf(plot) {
    return (plot.layout.shapes || []).filter(function (shape) { return shape.name; }).map(function (shape) {
      const across = axis(plot, shape.xref);
      const up = axis(plot, shape.yref.replace(" domain", ""));
      const clamp = function (x) { return Math.min(Math.max(across.at(x), across.from), across.from + across.length); };
      return { run: shape.name, left: clamp(shape.x0), right: clamp(shape.x1), top: up.from, height: up.length };
    });
  }

  function axis(plot, name) {
    const one = plot._fullLayout[name[0] + "axis" + name.slice(1)];
    return {
      from: one._offset, length: one._length,
      at: function (value) { return one._offset + one.l2p(value); }
    };
  }

  function add(svg, kind, facts) {
    ["pb-casing", "pb-core"].forEach(function (name) {
      const mark = document.createElementNS(SVG, kind);
      Object.entries(facts).forEach(function (fact) { mark.setAttribute(fact[0], fact[1]); });
      mark.setAttribute("class", name);
      svg.append(mark);
    });
  }

  function lightPlot(plot) {
    const held = plot.querySelector(":scope .pb-light");
    if (held) held.remove();
    plot.classList.remove("pb-dim");
    if (!lit || !plot._fullLayout) return;
    const svg = document.createElementNS(SVG, "svg");
    svg.setAttribute("class", "pb-light");
    svg.setAttribute("aria-hidden", "true");
    curvesOf(plot).forEach(function (curve) {
      if (curve.run !== lit) return;
      add(svg, "path", { d: "M" + curve.points.map(function (p) { return p[0].toFixed(1) + " " + p[1].toFixed(1); }).join("L") });
    });
    bandsOf(plot).forEach(function (band) {
      if (band.run !== lit) return;
      add(svg, "rect", { x: band.left, y: band.top, width: Math.max(band.right - band.left, 1), height: band.height });
    });
    if (!svg.childNodes.length) return;
    plot.classList.add("pb-dim");
    (plot.querySelector(".svg-container") || plot).append(svg);
  }

  function show() {
    document.querySelectorAll(".pb-lit").forEach(function (e) { e.classList.remove("pb-lit"); });
    document.querySelectorAll("[data-pb-run]").forEach(function (e) {
      e.classList.toggle("pb-lit", Boolean(lit) && e.dataset.pbRun === lit);
    });
    document.querySelectorAll("[data-pb-runs]").forEach(function (group) {
      const mark = lit && marksOf(group)[listOf(group).indexOf(lit)];
      if (mark) mark.classList.add("pb-lit");
    });
    document.querySelectorAll(".js-plotly-plot").forEach(lightPlot);
  }

  function light(run) {
    if (run === lit) return;
    lit = run;
    show();
  }

  function hold(run) {
    if (held !== run) {
      held = run;
      if (changed) changed(run);
    }
    light(run);
  }

  // Over a picture, the band that the pointer is in, or the nearest curve.
  function runUnder(plot, event) {
    const box = plot.getBoundingClientRect();
    const x = event.clientX - box.left;
    const y = event.clientY - box.top;
    const band = bandsOf(plot).find(function (b) { return x >= b.left && x <= b.right && y >= b.top && y <= b.top + b.height; });
    if (band) return band.run;
    let best = { run: "", away: NEAR_PX };
    curvesOf(plot).forEach(function (curve) {
      curve.points.forEach(function (p) {
        const away = Math.hypot(p[0] - x, p[1] - y);
        if (away < best.away) best = { run: curve.run, away: away };
      });
    });
    return best.run;
  }

  document.addEventListener("pointermove", function (event) {
    const plot = event.target.closest(".js-plotly-plot");
    const run = plot && plot._fullLayout ? runUnder(plot, event) : runAt(event.target);
    light(run || held);
  }, { passive: true });
  document.addEventListener("click", function (event) {
    const row = event.target.closest("tr[data-pb-run]");
    if (row) hold(held === row.dataset.pbRun ? "" : row.dataset.pbRun);
  });
  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape" && held) hold("");
  });
  return { hold: hold, again: function () { if (lit) show(); }, held: function () { return held; } };
}
