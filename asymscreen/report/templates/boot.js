"use strict";
(() => {
  const given = JSON.parse(document.getElementById("chart-data").textContent);
  // With a view box the print style can scale a chart to the paper.
  const fit = (place) => {
    for (const svg of place.querySelectorAll(".main-svg")) {
      svg.setAttribute("viewBox", `0 0 ${svg.getAttribute("width")} ${svg.getAttribute("height")}`);
    }
  };
  for (const [key, figure] of Object.entries(given.figures)) {
    const place = document.getElementById(key);
    Plotly.newPlot(place, figure.data, figure.layout, given.config).then(() => {
      fit(place);
      place.on("plotly_afterplot", () => fit(place));
    });
  }
})();
