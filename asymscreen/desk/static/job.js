"use strict";
(() => {
  const place = document.getElementById("job");
  const said = document.getElementById("job-said");
  const steps = [...place.querySelectorAll("[data-stage]")];
  const source = new EventSource(place.dataset.events);
  let stage = "";
  source.onmessage = (event) => {
    const told = JSON.parse(event.data);
    if (told.ended) {
      source.close();
      location.replace(told.state === "done" && told.screen ? `/screens/${told.screen}` : location.pathname);
      return;
    }
    const at = steps.findIndex((step) => step.dataset.stage === told.stage);
    steps.forEach((step, k) => {
      const bar = step.querySelector("progress");
      if (at >= 0) bar.value = k < at ? 1 : k === at ? told.share : 0;
      if (k === at) step.setAttribute("aria-current", "step");
      else step.removeAttribute("aria-current");
    });
    if (told.stage && told.stage !== stage) {
      stage = told.stage;
      said.textContent = `${stage}.`;
    } else if (told.state === "running" && !told.stage) {
      said.textContent = "The clip is being opened.";
    }
  };
  source.onerror = () => {
    said.textContent = "No answer from the desk at the moment; the screening goes on when it is back.";
  };
})();
