"use strict";
// The slider, the cursor in every plot and the drawing of the leg move together. The page is complete without this.
for (const stage of document.querySelectorAll("figure.stage")) {
  const source = stage.querySelector("script.data");
  const data = JSON.parse(source.textContent);
  if (data.t.length < 2) continue;
  const slider = stage.querySelector("input");
  const clock = stage.querySelector(".time output");
  const plots = [...stage.querySelectorAll("svg.plot")];
  const cursors = plots.map((plot) => plot.querySelector(".cursor"));
  const reads = [...stage.querySelectorAll(".legend")].map((legend) => [...legend.querySelectorAll("output")]);
  const sticks = [...stage.querySelectorAll(".stick.now")];
  const first = data.t[0];
  const length = data.t[data.t.length - 1] - first;
  const frame = plots.length ? plots[0].querySelector(".frame") : null;
  const left = frame ? frame.x.baseVal.value : 0;
  const width = frame ? frame.width.baseVal.value : 1;

  function show(n) {
    const at = left + ((data.t[n] - first) / length) * width;
    clock.textContent = data.t[n].toFixed(3) + " s";
    slider.setAttribute("aria-valuetext", clock.textContent);
    cursors.forEach((cursor) => {
      cursor.classList.remove("off");
      cursor.setAttribute("x1", at);
      cursor.setAttribute("x2", at);
    });
    reads.forEach((outputs, p) => outputs.forEach((output, s) => {
      const value = data.plots[p][s][n];
      output.textContent = value === null ? "missing" : String(value) + " " + output.dataset.unit;
    }));
    sticks.forEach((stick, v) => {
      const points = data.poses[v][n];
      const pairs = [];
      for (let k = 0; k < points.length; k += 2) pairs.push(points[k] + "," + points[k + 1]);
      stick.setAttribute("points", pairs.join(" "));
    });
  }

  slider.max = data.t.length - 1;
  slider.value = 0;
  slider.addEventListener("input", () => show(Number(slider.value)));
  plots.forEach((plot) => plot.addEventListener("pointermove", (event) => {
    const box = plot.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * plot.viewBox.baseVal.width;
    const share = Math.min(1, Math.max(0, (x - left) / width));
    const n = Math.round(share * (data.t.length - 1));
    slider.value = n;
    show(n);
  }));
  stage.querySelector(".time").classList.remove("off");
}
