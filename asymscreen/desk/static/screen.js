"use strict";
// One moment of the set, `now` in seconds, and everything that shows it: the picture, the drawn arms, the
// curves with their cursor, both arms side by side. Whatever moves the moment goes through `go`.
(() => {
  const work = document.getElementById("work");
  const $ = (id) => document.getElementById(id);
  const video = $("video");
  const still = $("still");
  const canvas = $("drawn");
  const stage = $("stage");
  const when = $("when");
  const SIDES = ["left", "right"];
  const style = { left: "#4aa8dd", right: "#f08a43", bar: "#ffffff" };
  let told = null;
  let now = 0;
  let playing = false;
  let dragged = null; // {name, x, y} while a joint is being dragged
  let marks = []; // points of a correction that is being made

  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

  // --- the tracks between their samples ---
  const at = (time) => {
    const times = told.times;
    if (!times.length) return null;
    let high = times.findIndex((t) => t >= time);
    if (high < 0) high = times.length - 1;
    const low = Math.max(high - 1, 0);
    const span = times[high] - times[low];
    const share = span > 0 ? clamp((time - times[low]) / span, 0, 1) : 0;
    const found = {};
    told.names.forEach((name, k) => {
      const a = [told.points[low][2 * k], told.points[low][2 * k + 1]];
      const b = [told.points[high][2 * k], told.points[high][2 * k + 1]];
      if (a[0] !== null && b[0] !== null) found[name] = [a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])];
      else if (a[0] !== null && share < 0.5) found[name] = a;
      else if (b[0] !== null && share >= 0.5) found[name] = b;
    });
    if (dragged) found[dragged.name] = [dragged.x, dragged.y];
    return found;
  };

  const repAt = (time) => {
    const inside = told.reps.find((rep) => time >= rep.start_s && time <= rep.end_s);
    if (inside) return inside;
    const away = (rep) => Math.min(Math.abs(time - rep.start_s), Math.abs(time - rep.end_s));
    return told.reps.reduce((best, rep) => (away(rep) < away(best) ? rep : best), told.reps[0]);
  };
  const shareOf = (rep) => clamp((now - rep.start_s) / (rep.end_s - rep.start_s), 0, 1);
  const read = (line, share) => {
    const place = share * (line.length - 1);
    const low = Math.floor(place);
    const a = line[low];
    const b = line[Math.min(low + 1, line.length - 1)];
    return a === null || b === null ? null : a + (place - low) * (b - a);
  };

  // --- the picture ---
  const dot = (pen, [x, y], r, colour) => {
    pen.beginPath();
    pen.arc(x, y, r, 0, 2 * Math.PI);
    pen.fillStyle = "#fff";
    pen.fill();
    pen.lineWidth = r * 0.7;
    pen.strokeStyle = colour;
    pen.stroke();
  };
  const line = (pen, points, width, colour) => {
    pen.lineCap = pen.lineJoin = "round";
    pen.beginPath();
    points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    pen.lineWidth = width;
    pen.strokeStyle = colour;
    pen.stroke();
  };
  const letter = (pen, [x, y], size, side) => {
    pen.beginPath();
    pen.arc(x, y, size, 0, 2 * Math.PI);
    pen.fillStyle = style[side];
    pen.fill();
    pen.fillStyle = "#101416";
    pen.font = `700 ${size * 1.4}px system-ui, sans-serif`;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.fillText(side[0].toUpperCase(), x, y + size * 0.08);
  };
  const arms = (pen, points, unit, only, plain) => {
    if (!points) return;
    if (points.left_bar && points.right_bar) line(pen, [points.left_bar, points.right_bar], 1.6 * unit, "rgba(255,255,255,.8)");
    for (const side of only || SIDES) {
      const chain = ["shoulder", "elbow", "wrist"].map((part) => points[`${side}_${part}`]).filter(Boolean);
      if (chain.length > 1) {
        line(pen, chain, 5 * unit, "rgba(16,20,22,.6)");
        line(pen, chain, 3 * unit, style[side]);
      }
      chain.forEach((point) => dot(pen, point, 3 * unit, style[side]));
      const elbow = points[`${side}_elbow`];
      const shoulder = points[`${side}_shoulder`];
      if (!plain && elbow && shoulder) {
        const out = Math.sign(elbow[0] - shoulder[0]) || 1;
        letter(pen, [elbow[0] + out * 15 * unit, elbow[1]], 8 * unit, side);
      }
    }
    if (!plain) for (const side of SIDES) if (points[`${side}_hip`]) dot(pen, points[`${side}_hip`], 2 * unit, style[side]);
  };
  const fit = () => {
    const [width, height] = told.size;
    const scale = Math.min((canvas.clientWidth * (devicePixelRatio || 1)) / width, 1.5);
    const wanted = [Math.max(Math.round(width * scale), 2), Math.max(Math.round(height * scale), 2)];
    if (canvas.width !== wanted[0] || canvas.height !== wanted[1]) [canvas.width, canvas.height] = wanted;
    const pen = canvas.getContext("2d");
    pen.setTransform(canvas.width / width, 0, 0, canvas.height / height, 0, 0);
    pen.clearRect(0, 0, width, height);
    return pen;
  };
  // one pixel of the screen, in pixels of the picture
  const unit = () => told.size[0] / Math.max(canvas.clientWidth, 200);
  const frameNear = () => told.frames.find((frame) => Math.abs(frame.time - now) < 0.05);

  const drawStage = (points) => {
    const pen = fit();
    arms(pen, points, unit());
    if (dragged) {
      pen.setLineDash([4 * unit(), 4 * unit()]);
      pen.beginPath();
      pen.arc(dragged.x, dragged.y, 12 * unit(), 0, 2 * Math.PI);
      pen.lineWidth = 1.5 * unit();
      pen.strokeStyle = "#fff";
      pen.stroke();
      pen.setLineDash([]);
    }
    if (marks.length) {
      line(pen, marks, 1.5 * unit(), "#fff");
      marks.forEach((point) => dot(pen, point, 4 * unit(), "#101416"));
    }
    if (!video) {
      const near = frameNear();
      still.hidden = !near;
      if (near && still.dataset.url !== near.url) {
        still.dataset.url = near.url;
        still.src = near.url;
        still.onload = drawBoth;
      }
    }
  };

  // --- both arms at the same moment ---
  const boxes = {};
  const boxOf = (side) => {
    const inside = ["shoulder", "elbow", "wrist"].map((part) => told.names.indexOf(`${side}_${part}`));
    const xs = [];
    const ys = [];
    for (const row of told.points) {
      for (const k of inside) {
        if (row[2 * k] !== null) {
          xs.push(row[2 * k]);
          ys.push(row[2 * k + 1]);
        }
      }
    }
    if (!xs.length) return null;
    const part = (values, share) => values.sort((a, b) => a - b)[Math.floor(share * (values.length - 1))];
    const [x0, x1, y0, y1] = [part(xs, 0.02), part(xs, 0.98), part(ys, 0.02), part(ys, 0.98)];
    return { x: (x0 + x1) / 2, y: (y0 + y1) / 2, w: x1 - x0, h: y1 - y0 };
  };
  const source = () => {
    if (video && video.readyState >= 2) return video;
    return !video && !still.hidden && still.complete && still.naturalWidth ? still : null;
  };
  const drawBoth = () => {
    const points = at(now);
    const wide = Math.max(...SIDES.map((side) => (boxes[side] ? Math.max(boxes[side].w, boxes[side].h * 1.2) : 0))) * 1.35;
    if (!(wide > 0)) return;
    for (const side of SIDES) {
      const box = boxes[side];
      const made = $(`${side}-arm`);
      const pen = made.getContext("2d");
      pen.setTransform(1, 0, 0, 1, 0, 0);
      pen.fillStyle = "#101416";
      pen.fillRect(0, 0, made.width, made.height);
      if (!box) continue;
      const scale = made.width / wide;
      const turn = side === "right" ? -1 : 1;
      pen.setTransform(turn * scale, 0, 0, scale, made.width / 2 - turn * scale * box.x, made.height / 2 - scale * box.y);
      const from = source();
      if (from) {
        pen.save();
        if (from === video && told.mirrored) pen.transform(-1, 0, 0, 1, told.size[0], 0);
        pen.drawImage(from, 0, 0, told.size[0], told.size[1]);
        pen.restore();
      }
      arms(pen, points, (1.1 * wide) / 360, [side], true);
    }
    const rep = repAt(now);
    for (const side of SIDES) {
      const parts = told.curves
        .filter((curve) => curve.lines[side])
        .map((curve) => [curve, read(curve.lines[side][Math.max(curve.reps.indexOf(rep.number), 0)], shareOf(rep))])
        .filter(([curve, value]) => value !== null && curve.reps.includes(rep.number))
        .map(([curve, value]) => `${curve.title.toLowerCase()} ${value.toFixed(1)} ${curve.unit}`);
      $(`${side}-read`).textContent = parts.join(", ");
    }
  };

  // --- the curves ---
  const W = 600;
  const H = 150;
  const make = (kind, attributes) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", kind);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    return made;
  };
  const drawCurve = (curve, rep) => {
    const figure = work.querySelector(`[data-curve="${curve.name}"]`);
    const svg = figure.querySelector("svg");
    const k = curve.reps.indexOf(rep.number);
    const all = Object.values(curve.lines).flat(2).filter((value) => value !== null);
    let [low, high] = [Math.min(...all), Math.max(...all)];
    if (curve.lines.value) {
      high = 1.15 * Math.max(Math.abs(low), Math.abs(high), 4);
      low = -high;
    } else {
      const room = Math.max(0.08 * (high - low), (20 - (high - low)) / 2);
      [low, high] = [low - room, high + room];
    }
    const y = (value) => (H * (high - value)) / (high - low);
    const parts = [];
    if (curve.lines.value) parts.push(make("path", { class: "zero", d: `M0 ${y(0)}H${W}` }));
    const bottom = (W * (rep.bottom_s - rep.start_s)) / (rep.end_s - rep.start_s);
    parts.push(make("path", { class: "mark", d: `M${bottom} 0V${H}` }));
    for (const [side, lines] of Object.entries(curve.lines)) {
      if (k < 0) break;
      let d = "";
      lines[k].forEach((value, j) => {
        if (value === null) return;
        const before = j > 0 && lines[k][j - 1] !== null;
        d += `${before ? "L" : "M"}${((W * j) / (lines[k].length - 1)).toFixed(1)} ${y(value).toFixed(1)}`;
      });
      parts.push(make("path", { class: side, d }));
    }
    parts.push(make("path", { class: "here", d: `M0 0V${H}` }));
    svg.replaceChildren(...parts);
    svg.dataset.rep = rep.number;
  };
  const drawCurves = () => {
    const rep = repAt(now);
    const share = shareOf(rep);
    for (const curve of told.curves) {
      const figure = work.querySelector(`[data-curve="${curve.name}"]`);
      const svg = figure.querySelector("svg");
      if (svg.dataset.rep !== String(rep.number)) drawCurve(curve, rep);
      svg.querySelector(".here").setAttribute("d", `M${(W * share).toFixed(1)} 0V${H}`);
      const k = curve.reps.indexOf(rep.number);
      const words = Object.entries(curve.lines).map(([side, lines]) => {
        const value = k < 0 ? null : read(lines[k], share);
        const text = value === null ? "\u2013" : value.toFixed(1).replace("-", "\u2212");
        return side === "value" ? text : `${side[0].toUpperCase()} ${text}`;
      });
      figure.querySelector(".read").textContent = `${words.join("  ")} ${curve.unit}`;
    }
    $("now-time").textContent = `${now.toFixed(2)} s`;
    $("now-rep").textContent = told.reps.length ? `rep ${rep.number} of ${told.reps.length}, ${Math.round(100 * share)} %` : "";
    when.setAttribute("aria-valuetext", `${now.toFixed(2)} seconds, rep ${rep.number}, ${Math.round(100 * share)} percent`);
  };

  const show = () => {
    drawStage(at(now));
    drawCurves();
    drawBoth();
    if (document.activeElement !== when || playing) when.value = now;
  };
  const go = (time, fromVideo = false) => {
    now = clamp(time, 0, told.duration);
    if (!fromVideo) {
      when.value = now;
      if (video && Math.abs(video.currentTime - now) > 0.001) video.currentTime = now + 0.0005;
    }
    show();
  };

  // --- keys, buttons, the slider and the curves move the moment ---
  const byRep = (way) => {
    const place = told.reps.indexOf(repAt(now));
    const rep = told.reps[clamp(place + way, 0, told.reps.length - 1)];
    go(rep.start_s + shareOf(repAt(now)) * (rep.end_s - rep.start_s));
  };
  const play = () => (video.paused ? video.play() : video.pause());
  const acts = {
    ",": () => go(now - told.step),
    ".": () => go(now + told.step),
    "[": () => byRep(-1),
    "]": () => byRep(1),
    b: () => go(repAt(now).bottom_s),
    " ": () => video && play(),
  };
  const listen = () => {
    const pairs = { "frame-before": ",", "frame-after": ".", "rep-before": "[", "rep-after": "]", "to-bottom": "b", play: " " };
    for (const [id, key] of Object.entries(pairs)) $(id)?.addEventListener("click", acts[key]);
    work.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const key = event.key.toLowerCase();
      if (key === " " && event.target.closest("button")) return;
      if (!acts[key]) return;
      event.preventDefault();
      acts[key]();
    });
    when.max = told.duration;
    when.step = told.step;
    when.addEventListener("input", () => go(Number(when.value)));
    for (const svg of work.querySelectorAll(".line-chart svg")) {
      const follow = (event) => {
        const box = svg.getBoundingClientRect();
        const rep = repAt(now);
        go(rep.start_s + clamp((event.clientX - box.left) / box.width, 0, 1) * (rep.end_s - rep.start_s));
      };
      svg.addEventListener("pointerdown", (event) => {
        svg.setPointerCapture(event.pointerId);
        if (video) video.pause();
        follow(event);
      });
      svg.addEventListener("pointermove", (event) => (event.buttons || event.pointerType === "mouse") && video?.paused !== false && follow(event));
    }
    addEventListener("resize", show);
  };
  const watch = () => {
    video.src = told.video;
    video.classList.toggle("turned", told.mirrored);
    const follow = (_, frame) => {
      if (playing) go(frame.mediaTime, true);
      else {
        drawStage(at(now));
        drawBoth();
      }
      video.requestVideoFrameCallback(follow);
    };
    if (video.requestVideoFrameCallback) video.requestVideoFrameCallback(follow);
    else video.addEventListener("timeupdate", () => playing && go(video.currentTime, true));
    video.addEventListener("play", () => (playing = true));
    video.addEventListener("pause", () => {
      playing = false;
      go(video.currentTime, true);
      when.value = now;
    });
    video.addEventListener("seeked", show);
    if (told.copying) tell("Browsers do not play this clip: a copy that they play is being made, once. It takes about as long as the clip.");
    video.addEventListener("loadeddata", () => {
      if (told.copying) tell("");
      go(now);
    });
    video.addEventListener("error", () => {
      $("stage-said").textContent = "The clip cannot be shown here; the arms are drawn from the tracks.";
    });
  };

  // --- marking in the picture, for the corrections ---
  const inPicture = (event) => {
    const box = canvas.getBoundingClientRect();
    const scale = Math.min(box.width / told.size[0], box.height / told.size[1]);
    const left = box.left + (box.width - told.size[0] * scale) / 2;
    const top = box.top + (box.height - told.size[1] * scale) / 2;
    return [clamp((event.clientX - left) / scale, 0, told.size[0]), clamp((event.clientY - top) / scale, 0, told.size[1])];
  };
  let marking = null; // {form, mode}
  const put = (form, values) => {
    for (const [name, value] of Object.entries(values)) form.elements[name].value = value;
  };
  const tell = (text) => ($("stage-said").textContent = text);
  const end = () => {
    stage.classList.remove("marking");
    marking = null;
  };
  const startMarking = (button) => {
    const form = button.form;
    const mode = button.dataset.mark;
    if (mode === "moment") {
      put(form, { bottom_s: now.toFixed(3) });
      const rep = repAt(now);
      form.elements.time_s.value = [...form.elements.time_s.options].find((o) => Math.abs(Number(o.value) - rep.bottom_s) < 0.002)?.value ?? form.elements.time_s.value;
      return;
    }
    marking = { form, mode };
    marks = [];
    dragged = null;
    if (video) video.pause();
    stage.classList.add("marking");
    stage.scrollIntoView({ block: "center" });
    const words = {
      two: "Click two points that lie level in the room.",
      one: "Click the chest of the person who presses.",
      drag: "Drag the joint to its place.",
    };
    if (mode === "drag") {
      const name = form.elements.name.value;
      const [x, y] = at(now)?.[name] || [told.size[0] / 2, told.size[1] / 2];
      dragged = { name, x, y };
      put(form, { time_s: now.toFixed(3), x: x.toFixed(0), y: y.toFixed(0) });
    }
    tell(words[mode]);
    show();
  };
  const listenMarks = () => {
    document.querySelectorAll("[data-mark]").forEach((button) => button.addEventListener("click", () => startMarking(button)));
    canvas.addEventListener("pointerdown", (event) => {
      if (!marking) return;
      event.preventDefault();
      const [x, y] = inPicture(event);
      if (marking.mode === "drag") {
        canvas.setPointerCapture(event.pointerId);
        dragged = { ...dragged, x, y };
      } else {
        marks = [...marks, [x, y]].slice(-2);
      }
      show();
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!marking || marking.mode !== "drag" || !event.buttons) return;
      const [x, y] = inPicture(event);
      dragged = { ...dragged, x, y };
      show();
    });
    canvas.addEventListener("pointerup", () => {
      if (!marking) return;
      const { form, mode } = marking;
      if (mode === "drag") {
        put(form, { x: dragged.x.toFixed(0), y: dragged.y.toFixed(0) });
        tell("Press “Move it” below to solve again, or drag once more.");
      } else if (mode === "one") {
        put(form, { x: marks[0][0].toFixed(0), y: marks[0][1].toFixed(0) });
        end();
        tell("Marked. Press “Screen with this person” below.");
      } else if (marks.length === 2) {
        put(form, { x1: marks[0][0].toFixed(0), y1: marks[0][1].toFixed(0), x2: marks[1][0].toFixed(0), y2: marks[1][1].toFixed(0) });
        end();
        tell("Marked. Press “Level it” below.");
      }
    });
  };

  // who corrects: typed once, remembered by this browser, sent with every correction
  const by = $("by");
  if (by) {
    by.value = localStorage.getItem("by") || "";
    by.addEventListener("change", () => localStorage.setItem("by", by.value.trim()));
    for (const form of document.querySelectorAll("form[action*='/corrections']")) {
      form.addEventListener("formdata", (event) => event.formData.set("by", by.value.trim()));
    }
  }

  for (const form of document.querySelectorAll("form[data-busy]")) {
    form.addEventListener("submit", (event) => {
      const button = event.submitter || form.querySelector("button:last-of-type");
      setTimeout(() => {
        button.textContent = form.dataset.busy;
        for (const other of document.querySelectorAll("form[data-busy] button")) other.disabled = true;
      }, 0);
    });
  }

  fetch(work.dataset.source, { headers: { accept: "application/json" } })
    .then((answer) => (answer.ok ? answer.json() : Promise.reject(new Error(answer.statusText))))
    .then((data) => {
      told = data;
      if (!told.reps.length) return;
      for (const side of SIDES) boxes[side] = told.points.length ? boxOf(side) : null;
      now = told.reps[0].bottom_s;
      listen();
      listenMarks();
      if (video && told.video) watch();
      go(now);
      work.dataset.ready = "yes";
    })
    .catch(() => tell("The curves could not be read. Load the page again."));
})();
