/* Draws the figures. They are stored in inks for white paper and at no particular width; here they get the inks of the
   page, the width at hand, and both again when the page is printed or the colour scheme changes. */
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

  let seenWidth = window.innerWidth;
  drawAll(false);
  window.addEventListener("resize", function () {
    if (window.innerWidth === seenWidth) return; // a phone's address bar comes and goes
    seenWidth = window.innerWidth;
    drawAll(false);
  });
  scheme.addEventListener("change", function () { drawAll(false); });
  window.addEventListener("beforeprint", function () { drawAll(true); });
  window.addEventListener("afterprint", function () { drawAll(false); });
})();
