/* Draws the interactive pictures once the page is shown: unpacks their data and the library that draws them. They are
   stored in inks for white paper and at no particular width; here they get the inks of the page, the width at hand, and
   both again when the page is printed or the colour scheme changes. Beside each picture stands a button for the numbers
   behind it, as a CSV. */
(function () {
  "use strict";
  const darkInk = {
    "#222": "#f2f4f6", "#444": "#c9d1d9", "#555": "#aab4be", "#0072B2": "#4fa8e0", "#D55E00": "#ff8b45",
    "#CC79A7": "#e59ac5"
  };
  const PAPER_WIDTH = 680; // A4 with its margins
  const pointer = window.matchMedia("(pointer: fine)");
  const scheme = window.matchMedia("(prefers-color-scheme: dark)");
  const lights = lightRuns(); // hovering a run, or pressing its row, lights it in every picture
  let pictures = [];
  let printing = false;

  async function unpacked(name) {
    const bytes = Uint8Array.from(atob(document.getElementById(name).textContent), function (c) { return c.charCodeAt(0); });
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"))).text();
  }

  function loaded(source) {
    return new Promise(function (done, failed) {
      const script = document.createElement("script");
      script.src = URL.createObjectURL(new Blob([source], { type: "text/javascript" }));
      script.onload = done;
      script.onerror = failed;
      document.head.appendChild(script);
    });
  }

  function inked(text, dark) {
    return JSON.parse(text, function (_, value) { return (dark && darkInk[value]) || value; });
  }

  function draw(picture) {
    if (!picture.text || !window.Plotly) return;
    const shown = inked(picture.text, scheme.matches && !printing);
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
    const width = printing ? PAPER_WIDTH : picture.place.clientWidth;
    if (!width) return; // folded
    shown.layout.width = width;
    const narrow = width < 500;
    shown.layout.font.size = (narrow ? 11 : shown.layout.font.size) * (printing ? 1 : rem);
    if (narrow) {
      shown.layout.margin.l = 52;
      shown.layout.margin.r = 8;
    }
    if (!pointer.matches) shown.layout.dragmode = false;
    Object.keys(shown.layout).filter(function (key) { return /^[xy]axis/.test(key); }).forEach(function (key) {
      // A finger on a figure scrolls the page; a pointer may zoom along a picture that is made for it.
      shown.layout[key].fixedrange = key[0] === "y" || !pointer.matches || shown.layout.dragmode !== "zoom";
      const title = shown.layout[key].title;
      if (!title) return;
      title.font = Object.assign({ size: shown.layout.font.size }, title.font);
      if (narrow && key[0] === "x" && title.text.length > 30) title.text = title.text.replace(/ (?=[[(])/, "<br>");
    });
    Plotly.react(picture.place, shown.data, shown.layout, { displayModeBar: false });
    lights.again();
  }

  function drawAll() { pictures.forEach(draw); }

  function cell(value) {
    if (typeof value === "number") return String(value);
    let text = value === undefined || value === null ? "" : String(value);
    if (/^[=+\-@\t\r]/.test(text)) text = "'" + text; // a spreadsheet would take it for a formula
    return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }

  // Rows that lie in the picture itself: a trace's names, and x and y of each of its points.
  function traced(plot) {
    const columns = plot.layout.meta.columns;
    const rows = [];
    plot.data.forEach(function (trace) {
      const names = (trace.meta || {}).rows;
      let part = 0;
      (names ? trace.x : []).forEach(function (x, k) {
        if (x === null) part += 1;
        if (x !== null && trace.y[k] !== null) rows.push(names[part].concat([x, trace.y[k]]));
      });
    });
    return { columns: columns, rows: rows };
  }

  function csv(picture) {
    const table = picture.numbers || traced(JSON.parse(picture.text));
    return "\ufeff" + [table.columns].concat(table.rows).map(function (row) {
      return row.map(cell).join(",") + "\r\n";
    }).join("");
  }

  function offer(picture, k) {
    const button = document.createElement("button");
    button.className = "pb-numbers";
    button.textContent = "Numbers (CSV)";
    button.ariaLabel = "Numbers (CSV) behind picture " + (k + 1);
    button.addEventListener("click", function () {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([csv(picture)], { type: "text/csv" }));
      link.download = document.title.replace(/[^\w-]+/g, "-").slice(0, 60) + "-picture-" + (k + 1) + ".csv";
      link.click();
      setTimeout(function () { URL.revokeObjectURL(link.href); }, 60000);
    });
    picture.figure.appendChild(button);
  }

  function pause() { return new Promise(function (done) { setTimeout(done, 0); }); }

  async function start() {
    pictures = JSON.parse(await unpacked("pictures")).map(function (stored, k) {
      const figure = document.getElementById("picture-" + (k + 1));
      const meta = stored.plot ? stored.plot.layout.meta || {} : {};
      return {
        figure: figure,
        place: figure.querySelector(".pb-plot"),
        text: stored.plot && JSON.stringify(stored.plot),
        numbers: stored.numbers || meta.numbers
      };
    });
    pictures.forEach(offer);
    if (!document.getElementById("library")) return;
    await loaded(await unpacked("library"));
    for (const picture of pictures) {
      draw(picture);
      await pause(); // the page answers between two pictures
    }
    document.documentElement.dataset.drawn = "all";
  }

  let seenWidth = window.innerWidth;
  window.addEventListener("resize", function () {
    if (window.innerWidth === seenWidth) return; // a phone's address bar comes and goes
    seenWidth = window.innerWidth;
    drawAll();
  });
  scheme.addEventListener("change", drawAll);
  document.addEventListener("toggle", function (event) {
    if (event.target.open) pictures.filter(function (p) { return event.target.contains(p.figure); }).forEach(draw);
  }, true);
  window.addEventListener("beforeprint", function () { printing = true; drawAll(); });
  window.addEventListener("afterprint", function () { printing = false; drawAll(); });
  requestAnimationFrame(function () { setTimeout(start, 0); }); // after the words are shown
})();
