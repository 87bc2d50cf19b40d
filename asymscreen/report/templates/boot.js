"use strict";
(() => {
  const given = JSON.parse(document.getElementById("chart-data").textContent);
  for (const [key, figure] of Object.entries(given.figures)) {
    const place = document.getElementById(key);
    Plotly.newPlot(place, figure.data, figure.layout, given.config);
  }
})();
