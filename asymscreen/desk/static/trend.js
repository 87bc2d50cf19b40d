"use strict";
(() => {
  const choice = document.getElementById("trend-measure");
  const chart = document.getElementById("trend");
  const state = document.getElementById("trend-state");
  const rows = document.querySelector("#trend-rows tbody");
  const unit = document.getElementById("trend-unit");

  const load = new Promise((done, fail) => {
    const script = document.createElement("script");
    script.src = choice.dataset.plotly;
    script.onload = done;
    script.onerror = fail;
    document.head.append(script);
  });
  const cell = (kind, text, link) => {
    const made = document.createElement(kind);
    if (kind === "th") made.scope = "row";
    else made.className = "n";
    if (link) {
      const to = document.createElement("a");
      to.href = `/screens/${link}`;
      to.textContent = text;
      made.append(to);
    } else made.textContent = text;
    return made;
  };
  const show = async () => {
    const answer = await fetch(choice.dataset.base + encodeURIComponent(choice.value), { headers: { accept: "application/json" } });
    if (!answer.ok) {
      state.textContent = "The trend could not be read. Load the page again.";
      return;
    }
    const told = await answer.json();
    await load;
    await Plotly.react(chart, told.figure.data, { ...told.figure.layout, autosize: true }, told.config);
    unit.textContent = `Value, ${told.unit}`;
    rows.replaceChildren(
      ...told.rows.map((point) => {
        const line = document.createElement("tr");
        line.append(
          cell("th", point.day, point.screen), cell("td", point.value), cell("td", point.low),
          cell("td", point.high), cell("td", point.apart ? `${point.call} (${point.apart})` : point.call),
        );
        return line;
      }),
    );
    rows.querySelectorAll("td:last-child").forEach((last) => last.classList.remove("n"));
    chart.setAttribute("aria-label", `${told.title} over time, ${told.rows.length} screens; the numbers stand in the table below`);
  };
  choice.addEventListener("change", show);
  show().catch(() => {
    state.textContent = "The chart could not be drawn; the numbers of each screen stand on its page.";
  });
  addEventListener("resize", () => window.Plotly && chart.data && Plotly.Plots.resize(chart));
})();
