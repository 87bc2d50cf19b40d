"use strict";
// A refused clip: go to a moment, click the chest of the person who presses; the place fills the form.
(() => {
  const work = document.getElementById("pick");
  const video = document.getElementById("pick-video");
  const marks = document.getElementById("pick-marks");
  const when = document.getElementById("pick-when");
  const said = document.getElementById("pick-said");
  const form = work.querySelector("form");
  const [width, height] = [Number(work.dataset.w), Number(work.dataset.h)];

  const go = () => (video.currentTime = Number(when.value));
  const draw = (x, y) => {
    const pen = marks.getContext("2d");
    const size = width / Math.max(marks.clientWidth, 200);
    pen.clearRect(0, 0, width, height);
    for (const [colour, wide] of [["#101416", 6], ["#ffffff", 3]]) {
      pen.beginPath();
      pen.arc(x, y, 14 * size, 0, 2 * Math.PI);
      pen.lineWidth = wide * size;
      pen.strokeStyle = colour;
      pen.stroke();
    }
  };
  const typed = () => {
    const [x, y] = ["x", "y"].map((name) => Number(form.elements[name].value.replace(",", ".")));
    if (form.elements.x.value && form.elements.y.value && Number.isFinite(x + y)) draw(x, y);
  };

  marks.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    const box = marks.getBoundingClientRect();
    const scale = Math.min(box.width / width, box.height / height);
    const x = (event.clientX - box.left - (box.width - width * scale) / 2) / scale;
    const y = (event.clientY - box.top - (box.height - height * scale) / 2) / scale;
    if (x < 0 || y < 0 || x > width || y > height) return;
    form.elements.x.value = x.toFixed(0);
    form.elements.y.value = y.toFixed(0);
    said.textContent = "Marked. Press “Screen with this person”.";
    draw(x, y);
  });
  for (const name of ["x", "y"]) form.elements[name].addEventListener("input", typed);
  when.addEventListener("input", go);
  video.classList.toggle("turned", work.dataset.turned === "yes");
  video.addEventListener("loadeddata", () => {
    go();
    work.dataset.ready = "yes";
  });
  video.addEventListener("error", () => (said.textContent = "The clip cannot be shown here; type where the lifter's chest is."));
  video.src = work.dataset.video;
})();
