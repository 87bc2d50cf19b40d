"use strict";
(() => {
  const form = document.getElementById("clip-form");
  if (!form) return;
  const drop = document.getElementById("drop");
  const words = document.getElementById("drop-words");
  const chosen = document.getElementById("clip");
  const film = document.getElementById("film");
  const send = document.getElementById("send");
  const sent = document.getElementById("sent");
  const refused = document.getElementById("refused");

  const name = () => {
    const file = chosen.files[0];
    words.textContent = file ? `${file.name}, ${(file.size / 1e6).toFixed(1)} MB` : "Drop the clip here";
  };
  const take = (files) => {
    const moved = new DataTransfer();
    moved.items.add(files[0]);
    chosen.files = moved.files;
    name();
  };
  chosen.addEventListener("change", name);
  film.addEventListener("change", () => film.files.length && take(film.files));
  for (const kind of ["dragenter", "dragover"]) {
    drop.addEventListener(kind, (event) => {
      event.preventDefault();
      drop.classList.add("over");
    });
  }
  for (const kind of ["dragleave", "drop"]) drop.addEventListener(kind, () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) take(event.dataTransfer.files);
  });

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send.disabled = true;
    sent.hidden = false;
    refused.hidden = true;
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.setRequestHeader("accept", "application/json");
    request.upload.onprogress = (at) => {
      if (at.lengthComputable) sent.value = at.loaded / at.total;
    };
    const fail = (text) => {
      refused.textContent = text;
      refused.hidden = false;
      send.disabled = false;
      sent.hidden = true;
    };
    request.onload = () => {
      if (request.status < 400) {
        location.assign(request.responseURL);
        return;
      }
      let text = "The clip was not taken. Try it again.";
      try {
        text = JSON.parse(request.responseText).error || text;
      } catch {
        /* an answer that is not ours keeps the plain sentence */
      }
      fail(text);
    };
    request.onerror = () => fail("The desk did not answer. Is it still running? Then try it again.");
    request.send(new FormData(form));
  });
})();
