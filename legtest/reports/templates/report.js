"use strict";
// Slider, cursors, zoom and the moving drawing of the leg, from all samples. The page is complete without this.
const MISSING = -2147483648;
const SVG = "http://www.w3.org/2000/svg";
const COLUMNS = 760;
const MOST_OPEN = 4; // stages whose samples stay unpacked
const open = [];

async function unpack(text, n, count) {
  const raw = Uint8Array.fromBase64 ? Uint8Array.fromBase64(text) : Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream("deflate"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  return Array.from({ length: count }, (_, c) => {
    const low = bytes.subarray(2 * n * c, 2 * n * c + n);
    const high = bytes.subarray(2 * n * c + n, 2 * n * (c + 1));
    const steps = new Int32Array(n);
    for (let i = 0, sum = 0; i < n; i++) {
      const code = low[i] | (high[i] << 8);
      if (code === 65535) steps[i] = MISSING;
      else steps[i] = sum += (code >>> 1) ^ -(code & 1);
    }
    return steps;
  });
}

function ticks(low, high, about) {
  const raw = (high - low) / about;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].find((factor) => factor * power >= raw * 0.999) * power;
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k <= high / step + 1e-9; k++) found.push(Number((k * step).toPrecision(12)));
  return found;
}

function made(name, attributes, parent) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
}

for (const figure of document.querySelectorAll("figure.stage")) {
  const about = JSON.parse(figure.querySelector("script.about").textContent);
  if (about.n < 2) continue;
  const find = (selector) => figure.querySelector(selector);
  const slider = find("input"), clock = find(".clock"), step = find(".step"), play = find("[data-do=play]");
  const plots = [...figure.querySelectorAll("svg.plot")];
  const reads = [...figure.querySelectorAll(".legend")].map((legend) => [...legend.querySelectorAll("output")]);
  const sticks = [...figure.querySelectorAll(".stick.now")];
  const frame = plots.length ? plots[0].querySelector(".frame") : null;
  const [left, top, width, height] = ["x", "y", "width", "height"].map((key) => Number(frame?.getAttribute(key) ?? 1));
  let printed = null; // the drawings of the whole, kept while zoomed
  let samples = null, unpacking = null, cursors = [], at = 0, wanted = -1, spot = null, stretch = null;
  let view = null; // [first, last] sample while zoomed

  function ready() {
    const place = open.indexOf(forget);
    if (place >= 0) open.splice(place, 1);
    open.push(forget);
    if (open.length > MOST_OPEN) open.shift()();
    unpacking ??= unpack(find("script.samples").textContent.trim(), about.n, about.channels.length)
      .then((channels) => { samples = channels; });
    return unpacking;
  }
  function forget() { if (!view) samples = unpacking = null; }
  const exact = (c, i) => (samples[c][i] === MISSING ? NaN : about.channels[c][0] + about.channels[c][1] * samples[c][i]);
  const time = (i) => about.start + exact(0, i);
  const valueOf = (line, i) => line.reduce((sum, [c, factor]) => sum + factor * exact(c, i), 0);
  function nearest(seconds) {
    let low = 0, high = about.n - 1;
    while (high - low > 1) { const middle = (low + high) >> 1; if (time(middle) > seconds) high = middle; else low = middle; }
    return seconds - time(low) < time(high) - seconds ? low : high;
  }
  const edges = () => view ?? [0, about.n - 1];

  function held(c, i) { // the last value before a gap, as the still drawing does
    for (let k = i; k >= 0; k--) if (samples[c][k] !== MISSING) return exact(c, k);
    for (let k = i; k < about.n; k++) if (samples[c][k] !== MISSING) return exact(c, k);
    return 0;
  }
  function pose(i) {
    const leg = about.leg;
    const motors = leg.channels.map((c) => held(c, i));
    const joints = leg.coupling.map((row) => row.reduce((sum, factor, k) => sum + factor * motors[k], 0));
    const [hip, knee] = joints.slice(-2), swing = joints.length > 2 ? joints[0] : 0;
    const [offset, thigh, shank] = leg.lengths;
    const ends = [[0, 0], [-thigh * Math.sin(hip), thigh * Math.cos(hip)]];
    ends.push([ends[1][0] - shank * Math.sin(hip + knee), ends[1][1] + shank * Math.cos(hip + knee)]);
    const points = ends.map(([x, down]) => [x, offset * Math.cos(swing) + down * Math.sin(swing),
      offset * Math.sin(swing) - down * Math.cos(swing)]);
    return [[0, 0, 0], ...points];
  }
  function paintLeg(i) {
    if (!about.leg) return;
    const points = pose(i), { scale, x, y } = about.leg;
    sticks.forEach((stick, v) => stick.setAttribute("points", points.map((p) =>
      `${(x + scale * (v ? -p[1] : p[0])).toFixed(4)},${(y - scale * p[2]).toFixed(4)}`).join(" ")));
  }
  function paintLoop(i) {
    if (!about.loop) return;
    const [terms, [x0, x1, y0, y1]] = about.loop, [px, py] = terms.map((term) => valueOf([term], i));
    spot ??= made("circle", { class: "dot", r: 5 }, find("svg.xy"));
    spot.classList.toggle("off", Number.isNaN(px + py));
    if (Number.isNaN(px + py)) return;
    spot.setAttribute("cx", left + ((px - x0) / (x1 - x0)) * width);
    spot.setAttribute("cy", top + ((y1 - py) / (y1 - y0)) * height);
  }
  function redrawLoop() { // the stretch looked at, over the whole
    if (!about.loop) return;
    stretch?.remove();
    stretch = null;
    if (!view) return;
    const [[tx, ty], [x0, x1, y0, y1]] = about.loop;
    const [first, last] = view, size = Math.max(1, Math.floor((last - first) / 4000));
    let d = "", pen = "M";
    for (let i = first; i <= last; i += size) {
      const px = ((valueOf([tx], i) - x0) / (x1 - x0)) * width * 10, py = ((y1 - valueOf([ty], i)) / (y1 - y0)) * height * 10;
      if (Number.isNaN(px + py)) { pen = "M"; continue; }
      d += `${pen}${px.toFixed(1)} ${py.toFixed(1)}`;
      pen = "L";
    }
    stretch = made("path", { class: "line part", d }, find("svg.xy .lines"));
  }
  function paintCursor() {
    const [first, last] = edges();
    const place = left + ((time(at) - time(first)) / (time(last) - time(first))) * width;
    cursors.forEach((cursor) => cursor.setAttribute("d", `M${place.toFixed(2)} ${top}v${height}`));
  }
  function paint(i) {
    at = i;
    if (!cursors.length) cursors = plots.map((plot) => made("path", { class: "cursor" }, plot));
    slider.value = i;
    clock.textContent = `${time(i).toFixed(3)} s`;
    const begun = about.steps.filter(([t]) => t <= time(i) + 1e-9);
    step.textContent = begun.length ? begun[begun.length - 1][1] : "";
    slider.setAttribute("aria-valuetext", `${clock.textContent} ${step.textContent}`);
    paintCursor();
    reads.forEach((outputs, p) => outputs.forEach((output, k) => {
      const value = valueOf(about.plots[p].lines[about.plots[p].named[k]], i);
      output.textContent = Number.isNaN(value) ? "missing" : `${Number(value.toPrecision(5))} ${output.dataset.unit}`;
    }));
    paintLeg(i);
    paintLoop(i);
    figure.dataset.at = i;
  }
  async function show(i) {
    wanted = i;
    await ready();
    if (wanted === i) paint(Math.min(about.n - 1, Math.max(0, i)));
  }

  // --- zoom
  function path(line, first, last, x, y) {
    const size = Math.max(1, Math.floor((last - first + 1) / COLUMNS));
    let d = "", pen = "M";
    const put = (i, value) => {
      if (Number.isNaN(value)) { pen = "M"; return; }
      d += `${pen}${x(i).toFixed(1)} ${y(value).toFixed(1)}`;
      pen = "L";
    };
    for (let i = first; i <= last; i += size) {
      if (size === 1) { put(i, valueOf(line, i)); continue; }
      let low = NaN, high = NaN, atLow = i, atHigh = i;
      for (let k = i; k <= Math.min(last, i + size - 1); k++) {
        const value = valueOf(line, k);
        if (!(value >= low)) { if (!Number.isNaN(value)) { low = value; atLow = k; } }
        if (!(value <= high)) { if (!Number.isNaN(value)) { high = value; atHigh = k; } }
      }
      put(Math.min(atLow, atHigh), atLow < atHigh ? low : high);
      put(Math.max(atLow, atHigh), atLow < atHigh ? high : low);
    }
    return d;
  }
  function range(lines, first, last) {
    let low = Infinity, high = -Infinity;
    for (const line of lines) for (let i = first; i <= last; i++) {
      const value = valueOf(line, i);
      if (value < low) low = value;
      if (value > high) high = value;
    }
    if (!(low <= high)) return [0, 1];
    const margin = 0.06 * (high - low) || Math.max(Math.abs(high) * 0.1, 1e-3);
    return [low - margin, high + margin];
  }
  function redraw(plot, p) {
    const { lines, guides } = about.plots[p];
    const [first, last] = view, start = time(first), seconds = time(last) - start;
    const [low, high] = range(lines, first, last);
    const x = (i) => ((time(i) - start) / seconds) * width * 10;
    const y = (value) => ((high - value) / (high - low)) * height * 10;
    const tick = plot.querySelector(".tick");
    tick.replaceChildren();
    let grid = "";
    for (const value of ticks(low, high, 5)) {
      grid += `M${left} ${(top + y(value) / 10).toFixed(1)}h${width}`;
      made("text", { x: left - 5, y: top + y(value) / 10 + 3.5, "text-anchor": "end" }, tick).textContent = String(value);
    }
    for (const value of ticks(start, start + seconds, 6)) {
      const place = left + ((value - start) / seconds) * width;
      grid += `M${place.toFixed(1)} ${top}v${height}`;
      made("text", { x: place, y: top + height + 14, "text-anchor": "middle" }, tick).textContent = String(value);
    }
    plot.querySelector(".grid").setAttribute("d", grid);
    plot.querySelectorAll(".mark").forEach((mark) => {
      const at = about.marks.filter(([t, look]) => mark.classList.contains(look) && t >= start && t <= start + seconds);
      const from = mark.classList.contains("step") ? top + height - 6 : top;
      mark.setAttribute("d", at.map(([t]) => `M${(left + ((t - start) / seconds) * width).toFixed(1)} ${from}V${top + height}`).join(""));
    });
    plot.querySelectorAll(".dots").forEach((dots) => dots.remove());
    const shapes = [...plot.querySelectorAll(".lines path")];
    guides.forEach((value, k) => {
      shapes[k].setAttribute("d", value < low || value > high ? "" : `M0 ${y(value).toFixed(1)}h${width * 10}`);
    });
    lines.forEach((line, k) => {
      const shape = shapes[guides.length + k], d = path(line, first, last, x, y);
      shape.setAttribute("d", d);
      if (last - first <= 150) { // single samples can be told apart
        const looks = shape.getAttribute("class").replace("line", "dots");
        made("path", { class: looks, d: d.replace(/[ML]([-\d.]+ [-\d.]+)/g, "M$1h0") }, shape.parentNode);
      }
    });
  }
  async function zoom(first, last) {
    await ready();
    first = Math.max(0, Math.min(about.n - 2, Math.round(first)));
    last = Math.min(about.n - 1, Math.max(first + 1, Math.round(last)));
    if (first === 0 && last === about.n - 1) { whole(); return; }
    if (!view) {
      cursors.forEach((cursor) => cursor.remove());
      cursors = [];
      printed = plots.map((plot) => plot.innerHTML);
    }
    view = [first, last];
    plots.forEach(redraw);
    redrawLoop();
    [slider.min, slider.max] = view;
    figure.dataset.view = view.join(" ");
    paint(Math.min(last, Math.max(first, at)));
  }
  function whole() {
    if (!view) return;
    view = null;
    plots.forEach((plot, p) => { plot.innerHTML = printed[p]; });
    printed = null;
    redrawLoop();
    [slider.min, slider.max] = [0, about.n - 1];
    delete figure.dataset.view;
    cursors = [];
    paint(at);
  }
  const moves = {
    in: (first, last) => { const half = (last - first) / 6, here = Math.min(last, Math.max(first, at)); return [here - half, here + half]; },
    out: (first, last) => [first - (last - first), last + (last - first)],
    back: (first, last) => { const by = Math.min(first, (last - first) / 2); return [first - by, last - by]; },
    forth: (first, last) => { const by = Math.min(about.n - 1 - last, (last - first) / 2); return [first + by, last + by]; },
    whole: () => [0, about.n - 1],
  };
  const move = (name) => zoom(...moves[name](...edges()));

  // --- playing in real time
  let playing = 0;
  async function toggle() {
    if (playing) { cancelAnimationFrame(playing); playing = 0; play.textContent = "▶ play"; return; }
    await ready();
    if (at >= edges()[1]) paint(edges()[0]);
    play.textContent = "⏸ pause";
    let begun = null, from = time(at);
    const tick = (now) => {
      begun ??= now;
      paint(nearest(Math.min(time(edges()[1]), from + (now - begun) / 1000)));
      if (at < edges()[1]) playing = requestAnimationFrame(tick);
      else { playing = 1; toggle(); }
    };
    playing = requestAnimationFrame(tick);
  }

  // --- hands
  slider.max = about.n - 1;
  slider.value = 0;
  slider.addEventListener("input", () => show(Number(slider.value)));
  figure.querySelectorAll("[data-do]").forEach((button) => button.addEventListener("click", () =>
    (button.dataset.do === "play" ? toggle() : move(button.dataset.do))));
  figure.querySelectorAll("[data-at]").forEach((button) => {
    button.disabled = false;
    button.addEventListener("click", async () => { await ready(); show(nearest(Number(button.dataset.at))); });
  });
  find(".hand").addEventListener("keydown", (event) => {
    const name = { "+": "in", "-": "out", 0: "whole" }[event.key];
    if (name) { event.preventDefault(); move(name); }
  });
  const share = (plot, event) => {
    const box = plot.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * plot.viewBox.baseVal.width;
    return Math.min(1, Math.max(0, (x - left) / width));
  };
  const sampleAt = (part) => { const [first, last] = edges(); return nearest(time(first) + part * (time(last) - time(first))); };
  plots.forEach((plot) => {
    let from = null, band = null;
    plot.addEventListener("pointermove", async (event) => {
      const part = share(plot, event);
      await ready();
      show(sampleAt(part));
      if (from === null) return;
      band ??= made("rect", { class: "band", y: top, height }, plot);
      band.setAttribute("x", left + Math.min(from, part) * width);
      band.setAttribute("width", Math.abs(part - from) * width);
    });
    plot.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "touch" || event.button !== 0) return;
      from = share(plot, event);
      plot.setPointerCapture?.(event.pointerId);
      event.preventDefault();
    });
    plot.addEventListener("pointerup", async (event) => {
      const begun = from, part = share(plot, event);
      from = null;
      band?.remove();
      band = null;
      if (begun === null || Math.abs(part - begun) * width < 6) return;
      await ready();
      zoom(sampleAt(Math.min(begun, part)), sampleAt(Math.max(begun, part)));
    });
    plot.addEventListener("dblclick", whole);
  });
  let before = null;
  addEventListener("beforeprint", () => { before = view; whole(); });
  addEventListener("afterprint", () => { if (before) zoom(...before); });
  find(".hand").hidden = false;
}
