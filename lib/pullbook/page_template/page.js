(function () {
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  function ink(isDark) {
    document.querySelectorAll(".js-plotly-plot").forEach(function (plot) {
      Plotly.relayout(plot, { "font.color": isDark ? "#c9d1d9" : "#444444" });
      plot.data.forEach(function (trace, k) {
        var marker = trace.marker && trace.marker.color, dim = isDark ? { "#222": "#f2f4f6", "#555": "#aab4be" } : null;
        if (dim && dim[marker]) Plotly.restyle(plot, { "marker.color": dim[marker], "error_x.color": dim[marker] }, [k]);
        if (dim && trace.line && dim[trace.line.color]) Plotly.restyle(plot, { "line.color": dim[trace.line.color] }, [k]);
      });
    });
  }
  if (dark.matches) ink(true);
  dark.addEventListener("change", function () { location.reload(); });
  window.addEventListener("beforeprint", function () { ink(false); });
})();
