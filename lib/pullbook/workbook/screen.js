/* Draws in JupyterLab what the kernel sends: each part of the workbook into the place of its name. One model carries
   one copy of the drawing library for all pictures; a picture that changes is drawn again where it stands, in the inks
   of the lab's theme and at the width at hand. */
const DARK_INK = {
  "#222": "#f2f4f6", "#444": "#c9d1d9", "#555": "#aab4be", "#0072B2": "#4fa8e0", "#D55E00": "#ff8b45", "#CC79A7": "#e59ac5"
};
const ANSWER_WITHIN_MS = 5000;

function library() {
  if (!window.pullbookPlotly) {
    const script = document.createElement("script"); // a script of its own: a module's rules are not the library's
    script.textContent = PLOTLY;
    document.head.append(script);
    window.pullbookPlotly = window.Plotly;
  }
  return window.pullbookPlotly;
}

const inView = (place) => {
  const box = place.getBoundingClientRect();
  return box.bottom > 0 && box.top < window.innerHeight;
};
const isDark = () => document.body.dataset.jpThemeLight === "false";

function drawFigure(place, part) {
  let picture = place.querySelector(":scope > figure > .pb-picture");
  if (!picture) {
    place.replaceChildren();
    const figure = document.createElement("figure");
    picture = document.createElement("div");
    picture.className = "pb-picture";
    picture.setAttribute("role", "img");
    figure.append(picture, document.createElement("figcaption"));
    place.append(figure);
  }
  const dark = isDark();
  const shown = JSON.parse(part.figure, (_, value) => (dark && DARK_INK[value]) || value);
  const meta = shown.layout.meta || {};
  picture.setAttribute("aria-label", meta.description || "");
  picture.nextSibling.textContent = part.caption;
  picture.style.height = `${shown.layout.height || 400}px`;
  const width = place.clientWidth;
  shown.layout.width = width;
  if (width < 500) shown.layout.font = { ...shown.layout.font, size: 11 };
  library().react(picture, shown.data, shown.layout, { displayModeBar: false });
}

const float32 = (view) => new Float32Array(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength));

function draw(place, part) {
  if (part.figure) {
    drawFigure(place, part);
    return;
  }
  const picture = place.querySelector(".pb-picture");
  if (picture) library().purge(picture);
  place.innerHTML = part.html;
}

export default {
  initialize({ model }) {
    const parts = {};
    const lines = new Map(); // the signals that boards draw, by session and channel
    const drawn = new WeakMap();
    const boards = new Map(); // by their place
    const lights = lightRuns((run) => { for (const board of boards.values()) board.lit(run); });
    const tell = (message) => { try { model.send(message); } catch (error) { say(model.get("gone")); } };
    let waiting = 0;

    const places = () => document.querySelectorAll(`[data-pb-part^="${model.get("book")}-"]`);

    // Words at once, then a picture a turn: those in view first, and the page answers in between.
    function follow() {
      waiting = 0;
      const pictures = [];
      for (const place of places()) {
        const part = parts[place.dataset.pbPart];
        if (!part || drawn.get(place) === part) continue;
        sizes.observe(place);
        if (!part.figure) show(place); // words, and the board
        else if (place.clientWidth) pictures.push(place); // else not on the screen yet; its size will tell
      }
      const next = pictures.find(inView) || pictures[0];
      if (next) show(next);
      if (pictures.length > 1) soon();
    }

    function show(place) {
      const part = parts[place.dataset.pbPart];
      if (part.board) {
        if (!boards.has(place)) boards.set(place, boardOf(place, lines, tell, lights, library));
        boards.get(place).put(JSON.parse(part.board));
      } else {
        boards.delete(place); // what could not be opened has none
        draw(place, part);
        const picture = place.querySelector(".pb-picture");
        if (picture && !picture.dataset.lights) {
          picture.dataset.lights = "yes";
          picture.on("plotly_afterplot", relight);
        } else if (!picture) relight();
      }
      drawn.set(place, part);
    }

    let relighting = 0;
    function relight() {
      relighting = relighting || requestAnimationFrame(() => { relighting = 0; lights.again(); });
    }

    function soon() {
      waiting = waiting || setTimeout(follow, 0);
    }

    function again() {
      for (const place of places()) drawn.delete(place);
      soon();
    }

    const sizes = new ResizeObserver((entries) => {
      for (const { target } of entries) {
        const picture = target.querySelector(".pb-picture");
        const part = parts[target.dataset.pbPart];
        if (boards.has(target)) boards.get(target).size();
        if (part && part.figure && target.clientWidth && ((picture && picture._fullLayout) || {}).width !== target.clientWidth) {
          drawn.delete(target);
          soon();
        }
      }
    });
    const added = new MutationObserver(soon);
    added.observe(document.body, { childList: true, subtree: true });
    const theme = new MutationObserver(again);
    theme.observe(document.body, { attributes: true, attributeFilter: ["data-jp-theme-light"] });

    let silence = 0;
    function say(words) {
      for (const place of document.querySelectorAll(`[data-pb-kernel="${model.get("book")}"]`)) {
        place.toggleAttribute("role", false);
        if (words) place.setAttribute("role", "alert");
        place.textContent = words;
      }
    }

    function ask() {
      clearTimeout(silence);
      silence = setTimeout(() => say(model.get("gone")), ANSWER_WITHIN_MS);
      try { model.send({ ask: "all" }); } catch (error) { say(model.get("gone")); }
    }

    model.on("msg:custom", (message, buffers) => {
      clearTimeout(silence);
      say("");
      if (message.lines) {
        lines.clear();
        message.lines.forEach((name, k) => lines.set(name, { time: float32(buffers[2 * k]), values: float32(buffers[2 * k + 1]) }));
        for (const board of boards.values()) board.size();
      }
      Object.assign(parts, message.parts);
      soon();
    });
    model.on("comm_live_update", ask); // the kernel was restarted, or the connection was lost
    ask();
    return () => { added.disconnect(); theme.disconnect(); sizes.disconnect(); clearTimeout(silence); };
  },
  render() {}
};
