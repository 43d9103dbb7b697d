// Both shots on one axis, half their difference and half their sum, with zoom and a cursor.
function makePlot() {
  const host = document.getElementById("plot");
  const reading = document.getElementById("plot-reading");
  const says = document.getElementById("plot-says");
  const left = 52, right = 12, top = 22, bottom = 20;
  const heights = [230, 150, 130];
  const canvases = heights.map(() => {
    const canvas = document.createElement("canvas");
    canvas.setAttribute("aria-hidden", "true");
    host.append(canvas);
    return canvas;
  });
  let pair = null, row = null;
  let view = [0, 1], cursor = null, drag = null;

  async function show(wanted) {
    row = wanted;
    pair = null;
    says.textContent = "";
    reading.textContent = "";
    let opened = null;
    try {
      opened = await traces.open(wanted);
    } catch (problem) {
      says.textContent = problem.message;
    }
    if (row !== wanted) return;      // another one was opened meanwhile
    pair = opened;
    host.hidden = !pair;
    document.getElementById("plot-controls").hidden = !pair;
    if (!pair) {
      says.textContent = says.textContent || say("no_trace");
      return;
    }
    whole();
    cursor = row.distance_m === null ? null : Number(row.distance_m);
    draw();
  }

  function whole() {
    view = [-0.02 * pair.length, 1.02 * pair.length];
  }

  const width = () => host.clientWidth;
  const xOf = (z) => left + ((z - view[0]) / (view[1] - view[0])) * (width() - left - right);
  const zOf = (x) => view[0] + ((x - left) / (width() - left - right)) * (view[1] - view[0]);

  function halves(z) {
    const f = levelAt(pair.ab, z), g = levelAt(pair.ba, z);
    return { f, g, sum: (f + g) / 2, difference: (f - g) / 2 + (pair.attenuation * z) / 1000 };
  }

  function draw() {
    if (!pair || !width()) return;
    const ink = palette();
    const shots = [pair.ab, pair.ba].map(columns);
    const grid = pointsInView();
    const f = grid.map(halves);
    const difference = grid.map((z, k) => [z, f[k].difference]);
    const sum = grid.map((z, k) => [z, f[k].sum]);
    panel(0, say("both_shots"), shots.flatMap((shot) => shot.flatMap(([, lo, hi]) => [lo, hi])),
      (pen, y) => {
        band(pen, shots[0], y, ink["from-a"], []);
        band(pen, shots[1], y, ink["from-b"], [6, 2]);
        key(pen, ink);
      }, ink);
    panel(1, say("half_difference"), difference.map((point) => point[1]),
      (pen, y) => line(pen, difference, y, ink.ink), ink);
    panel(2, say("half_sum"), sum.map((point) => point[1]),
      (pen, y) => line(pen, sum, y, ink.glass), ink);
    read();
  }

  // Lowest and highest level of every column of pixels: peaks and steps survive any zoom.
  function columns(shot) {
    const from = Math.max(0, Math.floor((view[0] - shot.first) / shot.step) - 1);
    const to = Math.min(shot.count, Math.ceil((view[1] - shot.first) / shot.step) + 1);
    const per = Math.max(1, Math.floor((to - from) / Math.max(width() - left - right, 1)));
    const found = [];
    for (let k = from; k < to; k += per) {
      let lo = Infinity, hi = -Infinity;
      const end = Math.min(k + per, to);
      for (let j = k; j < end; j += 1) {
        if (shot.low[j] < lo) lo = shot.low[j];
        if (shot.high[j] > hi) hi = shot.high[j];
      }
      found.push([shot.first + ((k + end) / 2) * shot.step, lo, hi]);
    }
    return found;
  }

  function pointsInView() {
    const count = Math.max(2, width() - left - right);
    return Array.from({ length: count }, (_, k) => view[0] + ((k + 0.5) / count)
      * (view[1] - view[0])).filter((z) => z >= 0 && z <= pair.length);
  }

  function range(values) {
    const known = values.filter(Number.isFinite).sort((a, b) => a - b);
    if (!known.length) return [0, 1];
    const low = known[Math.floor(0.005 * (known.length - 1))];
    const high = known[Math.ceil(0.995 * (known.length - 1))];
    const room = Math.max(high - low, 0.02) * 0.1;
    return [low - room, high + room];
  }

  function panel(index, heading, values, curves, ink) {
    const height = heights[index];
    const pen = sharpPen(canvases[index], width(), height);
    const [low, high] = range(values);
    const y = (level) => top + ((high - level) / (high - low)) * (height - top - bottom);
    pen.font = "600 12px " + ink.font;
    pen.fillStyle = ink.ink;
    pen.fillText(cut(pen, heading, width() - left - 40), left, 13);
    pen.font = "11px " + ink.font;
    pen.fillStyle = ink.quiet;
    pen.textAlign = "right";
    pen.fillText("dB", width() - right, 13);
    for (const level of ticks(low, high, height / 40)) {
      pen.fillStyle = ink.rule;
      pen.fillRect(left, y(level.at), width() - left - right, 1);
      pen.fillStyle = ink.quiet;
      pen.fillText(figure(level.text), left - 6, y(level.at) + 4);
    }
    pen.textAlign = "center";
    for (const place of ticks(view[0], view[1], width() / 110)) {
      pen.fillText(figure(place.text) + " m", xOf(place.at), height - 5);
    }
    pen.textAlign = "left";
    pen.save();
    pen.beginPath();
    pen.rect(left, top - 4, width() - left - right, height - top - bottom + 8);
    pen.clip();
    upright(pen, Number(row.distance_m), height, ink.quiet, [2, 3]);
    curves(pen, y);
    if (cursor !== null) upright(pen, cursor, height, ink.focus, []);
    if (drag) {
      pen.globalAlpha = 0.15;
      pen.fillStyle = ink.focus;
      pen.fillRect(Math.min(drag.from, drag.to), top, Math.abs(drag.to - drag.from), height);
    }
    pen.restore();
  }

  function upright(pen, z, height, colour, dashes) {
    pen.strokeStyle = colour;
    pen.lineWidth = 1;
    pen.setLineDash(dashes);
    pen.beginPath();
    pen.moveTo(xOf(z), top - 4);
    pen.lineTo(xOf(z), height - bottom + 4);
    pen.stroke();
    pen.setLineDash([]);
  }

  function band(pen, found, y, colour, dashes) {
    pen.strokeStyle = colour;
    pen.lineWidth = 1.3;
    pen.setLineDash(dashes);
    pen.beginPath();
    found.forEach(([z, lo, hi], k) => {
      if (k) pen.lineTo(xOf(z), y(lo));
      else pen.moveTo(xOf(z), y(lo));
      if (hi !== lo) pen.lineTo(xOf(z), y(hi));
    });
    pen.stroke();
    pen.setLineDash([]);
  }

  function line(pen, points, y, colour) {
    pen.strokeStyle = colour;
    pen.lineWidth = 1.6;
    pen.beginPath();
    let down = false;
    for (const [z, level] of points) {
      if (!Number.isFinite(level)) down = false;
      else if (down) pen.lineTo(xOf(z), y(level));
      else {
        pen.moveTo(xOf(z), y(level));
        down = true;
      }
    }
    pen.stroke();
  }

  function key(pen, ink) {
    let x = left + 8;
    const y = heights[0] - bottom - 8;
    for (const [name, colour, dashes] of [["shot_from_a", "from-a", []],
      ["shot_from_b", "from-b", [6, 2]]]) {
      pen.strokeStyle = ink[colour];
      pen.setLineDash(dashes);
      pen.beginPath();
      pen.moveTo(x, y - 4);
      pen.lineTo(x + 22, y - 4);
      pen.stroke();
      pen.setLineDash([]);
      pen.fillStyle = ink.ink;
      pen.fillText(say(name), x + 27, y);
      x += 42 + pen.measureText(say(name)).width;
    }
  }

  function ticks(low, high, about) {
    const rough = (high - low) / Math.max(about, 1);
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough * 0.999);
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k += 1) {
      found.push({ at: k * step, text: (k * step).toFixed(digits) });
    }
    return found;
  }

  // Levels under the cursor: read off the picture, so with fewer decimals than the losses.
  function read() {
    if (cursor === null) return;
    const at = halves(cursor);
    const level = (x) => (Number.isFinite(x) ? figure(x.toFixed(2)) + " dB" : "–");
    reading.textContent = say("cursor") + " " + figure(cursor.toFixed(1)) + " m: A→B "
      + level(at.f) + ", B→A " + level(at.g) + ", " + say("half_difference") + " "
      + level(at.difference) + ", " + say("half_sum") + " " + level(at.sum);
  }

  function zoom(factor, around) {
    const finest = 20 * Math.min(pair.ab.step, pair.ba.step);
    const span = Math.min(Math.max((view[1] - view[0]) * factor, finest), 1.3 * pair.length);
    const share = (around - view[0]) / (view[1] - view[0]);
    view = [around - share * span, around + (1 - share) * span];
    draw();
  }

  function shift(share) {
    const by = share * (view[1] - view[0]);
    view = [view[0] + by, view[1] + by];
    draw();
  }

  function around() {
    return cursor !== null && cursor > view[0] && cursor < view[1] ? cursor
      : (view[0] + view[1]) / 2;
  }

  const actions = {
    "zoom-in": () => zoom(0.5, around()),
    "zoom-out": () => zoom(2, around()),
    "move-left": () => shift(-0.25),
    "move-right": () => shift(0.25),
    "zoom-reset": () => { whole(); draw(); },
  };
  for (const [id, act] of Object.entries(actions)) {
    document.getElementById(id).addEventListener("click", () => { if (pair) act(); });
  }

  host.addEventListener("keydown", (event) => {
    if (!pair) return;
    const step = (view[1] - view[0]) / 200;
    const moves = {
      "+": actions["zoom-in"], "=": actions["zoom-in"], "-": actions["zoom-out"],
      0: actions["zoom-reset"],
      ArrowLeft: () => (event.shiftKey ? shift(-0.25) : point(around() - step)),
      ArrowRight: () => (event.shiftKey ? shift(0.25) : point(around() + step)),
    };
    if (!moves[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
    moves[event.key]();
    event.preventDefault();
  });

  function point(z) {
    cursor = z;
    draw();
  }

  const xIn = (event) => event.clientX - host.getBoundingClientRect().left;
  host.addEventListener("pointerdown", (event) => {
    if (!pair || event.button !== 0) return;
    drag = { from: xIn(event), to: xIn(event) };
    host.setPointerCapture(event.pointerId);
  });
  host.addEventListener("pointermove", (event) => {
    if (!pair) return;
    if (drag) drag.to = xIn(event);
    cursor = zOf(xIn(event));
    draw();
  });
  host.addEventListener("pointerup", () => {
    if (!drag) return;
    const [from, to] = [drag.from, drag.to].sort((a, b) => a - b);
    drag = null;
    if (to - from > 8) view = [zOf(from), zOf(to)];
    draw();
  });
  host.addEventListener("pointercancel", () => { drag = null; });
  host.addEventListener("dblclick", () => { if (pair) actions["zoom-reset"](); });
  host.addEventListener("wheel", (event) => {
    if (!pair || !(event.ctrlKey || document.activeElement === host)) return;
    zoom(event.deltaY > 0 ? 1.25 : 0.8, zOf(xIn(event)));
    event.preventDefault();
  }, { passive: false });
  new ResizeObserver(() => draw()).observe(host);

  return { show, draw, view: () => [...view] };
}
