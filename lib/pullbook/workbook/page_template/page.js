/* Draws the figures. They are stored in inks for white paper and at no particular width; here they get the inks of the
   page, the width at hand, and both again when the page is printed or the colour scheme changes. Beside each stands a
   button for the numbers behind it, as a CSV that is made here from what is drawn. */
(function () {
  "use strict";
  const darkInk = {
    "#222": "#f2f4f6", "#444": "#c9d1d9", "#555": "#aab4be", "#0072B2": "#4fa8e0", "#D55E00": "#ff8b45",
    "#CC79A7": "#e59ac5"
  };
  const PAPER_WIDTH = 680; // A4 with its margins
  const scheme = window.matchMedia("(prefers-color-scheme: dark)");
  const figures = Array.from(document.querySelectorAll("script[data-figure]"), function (stored) {
    return { place: document.getElementById(stored.dataset.figure), text: stored.textContent };
  });

  function inked(text, dark) {
    return JSON.parse(text, function (_, value) { return (dark && darkInk[value]) || value; });
  }

  function draw(figure, paper) {
    const shown = inked(figure.text, scheme.matches && !paper);
    const width = paper ? PAPER_WIDTH : figure.place.clientWidth;
    shown.layout.width = width;
    const narrow = width < 500;
    if (narrow) {
      shown.layout.font.size = 11;
      shown.layout.margin.l = 52;
      shown.layout.margin.r = 8;
    }
    Object.keys(shown.layout).filter(function (key) { return /^[xy]axis/.test(key); }).forEach(function (key) {
      shown.layout[key].fixedrange = true; // a finger on a figure scrolls the page
      const title = shown.layout[key].title;
      if (!title) return;
      title.font = Object.assign({ size: shown.layout.font.size }, title.font);
      if (narrow && key[0] === "x" && title.text.length > 30) title.text = title.text.replace(/ (?=[[(])/, "<br>");
    });
    Plotly.react(figure.place, shown.data, shown.layout, { displayModeBar: false });
  }

  function drawAll(paper) { figures.forEach(function (figure) { draw(figure, paper); }); }

  function words(text) { return String(text).replace(/<br>/g, " "); }

  function cell(value) {
    if (typeof value === "number") return String(value);
    let text = words(value === undefined || value === null ? "" : value);
    if (/^[=+\-@\t\r]/.test(text)) text = "'" + text; // a spreadsheet would take it for a formula
    return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }

  function ends(error, value, k) {
    if (!error || !error.array) return ["", ""];
    const below = error.symmetric === false ? error.arrayminus : error.array;
    return [value - below[k], value + error.array[k]];
  }

  function heading(stored, letter) {
    const titles = new Set(stored.data.map(function (trace) {
      const axis = stored.layout[letter + "axis" + (trace[letter + "axis"] || letter).slice(1)] || {};
      return words((axis.title || {}).text || "");
    }).filter(Boolean));
    return titles.size === 1 ? Array.from(titles)[0] : letter;
  }

  function numbers(text) {
    const stored = JSON.parse(text);
    const rows = [["series", heading(stored, "x"), heading(stored, "y"), "low", "high", "which"]];
    stored.data.forEach(function (trace) {
      const names = (trace.meta || {}).series || [trace.name || ""];
      let part = 0;
      (trace.x || []).forEach(function (x, k) {
        const y = trace.y[k];
        if (x === null) part += 1;
        if (x === null || y === null) return;
        const reach = trace.error_x ? ends(trace.error_x, x, k) : ends(trace.error_y, y, k);
        rows.push([names[Math.min(part, names.length - 1)], x, y, reach[0], reach[1], (trace.customdata || [])[k]]);
      });
    });
    return "\ufeff" + rows.map(function (row) { return row.map(cell).join(",") + "\r\n"; }).join("");
  }

  function offer(figure) {
    const button = document.createElement("button");
    button.className = "pb-numbers";
    button.textContent = "Numbers behind this picture (CSV)";
    button.addEventListener("click", function () {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([numbers(figure.text)], { type: "text/csv" }));
      link.download = document.title.replace(/[^\w-]+/g, "-").slice(0, 60) + "-" + figure.place.id + ".csv";
      link.click();
      setTimeout(function () { URL.revokeObjectURL(link.href); }, 60000);
    });
    figure.place.parentNode.appendChild(button);
  }

  let seenWidth = window.innerWidth;
  drawAll(false);
  figures.forEach(offer);
  window.addEventListener("resize", function () {
    if (window.innerWidth === seenWidth) return; // a phone's address bar comes and goes
    seenWidth = window.innerWidth;
    drawAll(false);
  });
  scheme.addEventListener("change", function () { drawAll(false); });
  window.addEventListener("beforeprint", function () { drawAll(true); });
  window.addEventListener("afterprint", function () { drawAll(false); });
})();
