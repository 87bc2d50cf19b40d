"use strict";
(() => {
  const place = document.getElementById("figures");
  const script = document.createElement("script");
  script.src = place.dataset.plotly;
  script.onload = async () => {
    const answer = await fetch(place.dataset.source, { headers: { accept: "application/json" } });
    if (!answer.ok) return;
    const told = await answer.json();
    for (const [key, figure] of Object.entries(told.figures)) {
      const chart = document.getElementById(key);
      if (chart) Plotly.newPlot(chart, figure.data, figure.layout, { ...told.config, responsive: true });
    }
  };
  document.head.append(script);
})();
