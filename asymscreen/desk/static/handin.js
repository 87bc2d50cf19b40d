// Sends a client's clip with a progress bar, and follows its check. Nothing else runs on the hand-in page.
"use strict";

const find = (id) => document.getElementById(id);

function follow(box) {
  const words = find("words"), share = find("share");
  async function look() {
    try {
      const answer = await fetch(box.dataset.state, { headers: { accept: "application/json" }, cache: "no-store" });
      if (!answer.ok) { location.reload(); return; }
      const now = await answer.json();
      if (now.state !== "checking" || now.waits) { location.reload(); return; }
      if (words.textContent !== now.stage) words.textContent = now.stage;
      share.value = now.share;
    } catch (_) { /* no connection at the moment: look again */ }
    setTimeout(look, 2000);
  }
  setTimeout(look, 1000);
}

function sender(form) {
  const file = find("file"), button = find("button"), said = find("said"), going = find("going");
  const complain = (text) => {
    said.textContent = text;
    said.hidden = false;
    going.hidden = true;
    button.disabled = false;
    file.disabled = false;
  };
  const answered = (request) => {
    let told = {};
    try { told = JSON.parse(request.responseText); } catch (_) { /* a plain text answer */ }
    if (request.status === 201 && told.to) location.assign(told.to);
    else complain(told.error || request.responseText || "That did not work. Send the clip again.");
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    said.hidden = true;
    if (!file.files.length) { complain("Choose the clip first."); file.focus(); return; }
    if (file.files[0].size > 800 * 1024 * 1024) { complain("The clip is larger than 800 MB. Film one set of two or three reps."); return; }
    button.disabled = true;
    file.disabled = true;
    going.hidden = false;
    const request = new XMLHttpRequest();
    request.open("POST", form.dataset.to);
    request.setRequestHeader("x-csrf-token", form.dataset.csrf);
    request.setRequestHeader("accept", "application/json");
    request.setRequestHeader("content-type", "application/octet-stream");
    let last = -1;
    request.upload.addEventListener("progress", (step) => {
      const share = Math.floor(100 * step.loaded / Math.max(step.total, 1));
      find("share").value = share;
      if (share >= last + 5 || share === 100) {
        last = share;
        find("words").textContent = share < 100 ? `${share} %` : "there, being opened";
      }
    });
    request.addEventListener("load", () => answered(request));
    request.addEventListener("error", () => complain("The connection broke. Send the clip again."));
    request.send(file.files[0]);
  });
  button.disabled = false; // only now does it do anything
}

if (find("send")) sender(find("send"));
if (find("check")) follow(find("check"));
