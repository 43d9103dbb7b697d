// The map: closures down, fibres across, a block per ribbon; blocks wrap to the width there is.
function makeMap(review, onOpen) {
  const host = document.getElementById("map");
  const says = document.getElementById("map-says");
  const cellHeight = 14, blockGap = 10, headHeight = 30;
  let layout = null;      // bands of the cable and wavelength shown
  let here = null;        // {fibre, closure} under the keyboard's cursor

  function groups(rows) {
    const size = review.ribbonSize || 12;
    const byBlock = new Map();
    for (const row of rows) {
      const block = Math.floor((row.fibre - 1) / size);
      if (!byBlock.has(block)) byBlock.set(block, new Set());
      byBlock.get(block).add(row.fibre);
    }
    return [...byBlock.keys()].sort((a, b) => a - b);
  }

  function show(cable, nm) {
    const rows = review.rows.filter(
      (row) => row.cable === cable && row.wavelength_nm === nm && row.closure_number !== null);
    const closures = review.closures.filter((closure) => closure.cable === cable);
    const cells = new Map(rows.map((row) => [row.fibre + "/" + row.closure_number, row]));
    // Fibres that were expected and have no shot have their cells like the others.
    const missing = review.missing.filter(
      (one) => one.cable === cable && one.wavelength_nm === nm);
    for (const { fibre, closures: passed } of missing) {
      for (const number of passed) {
        cells.set(fibre + "/" + number, { mark: "missing", sign: review.missingSign });
      }
    }
    const fibres = [...new Set([...rows, ...missing].map((row) => row.fibre))]
      .sort((a, b) => a - b);
    layout = { cable, nm, closures, cells, fibres, blocks: groups([...rows, ...missing]),
      bands: [] };
    if (!here || !fibres.includes(here.fibre)) {
      here = closures.length && fibres.length
        ? { fibre: fibres[0], closure: closures[0].number } : null;
    }
    place();
  }

  function place() {
    const { closures, blocks } = layout;
    const size = review.ribbonSize || 12;
    const room = host.clientWidth;
    const labels = Math.min(140, Math.max(72, room * 0.14));
    const cellWidth = room < 600 ? 10 : 11;
    const blockWidth = size * cellWidth + blockGap;
    const perBand = Math.max(1, Math.floor((room - labels) / blockWidth));
    host.replaceChildren();
    layout.bands = [];
    for (let first = 0; first < blocks.length; first += perBand) {
      const canvas = document.createElement("canvas");
      canvas.setAttribute("aria-hidden", "true");
      host.append(canvas);
      layout.bands.push({ canvas, blocks: blocks.slice(first, first + perBand) });
    }
    Object.assign(layout, { size, labels, cellWidth, blockWidth, room,
      height: headHeight + closures.length * cellHeight + 8 });
    draw();
  }

  function draw() {
    if (!layout) return;
    for (const band of layout.bands) drawBand(band);
  }

  function drawBand(band) {
    const { closures, cells, size, labels, cellWidth, blockWidth, room, height } = layout;
    const ink = palette();
    const pen = sharpPen(band.canvas, room, height);
    pen.textBaseline = "middle";
    closures.forEach((closure, line) => {
      pen.fillStyle = ink.ink;
      pen.font = "600 11px " + ink.font;
      const y = headHeight + line * cellHeight + cellHeight / 2;
      pen.fillText(cut(pen, closure.name, labels - 8), 0, y);
    });
    band.blocks.forEach((block, column) => {
      const left = labels + column * blockWidth;
      const from = block * size + 1;
      const name = review.ribbonSize ? say("ribbon_number", { ribbon: block + 1 }) : "";
      pen.fillStyle = ink.ink;
      pen.font = "600 11px " + ink.font;
      pen.fillText(cut(pen, name, size * cellWidth), left, 8);
      pen.fillStyle = ink.quiet;
      pen.font = "10px " + ink.font;
      pen.fillText(from + "–" + (from + size - 1), left, 20);
      pen.fillStyle = ink.ink;
      pen.fillRect(left, headHeight - 3, size * cellWidth - 1, 1);
      for (let place = 0; place < size; place += 1) {
        closures.forEach((closure, line) => {
          const row = cells.get((from + place) + "/" + closure.number);
          if (row) drawCell(pen, left + place * cellWidth, headHeight + line * cellHeight,
            cellWidth - 1, cellHeight - 1, row.mark, row.sign, ink);
        });
      }
    });
    drawHere(pen, band, ink);
  }

  function drawHere(pen, band, ink) {
    if (!here) return;
    const { size, labels, blockWidth, cellWidth, closures } = layout;
    const column = band.blocks.indexOf(Math.floor((here.fibre - 1) / size));
    const line = closures.findIndex((closure) => closure.number === here.closure);
    if (column < 0 || line < 0) return;
    pen.strokeStyle = ink.focus;
    pen.lineWidth = 2.5;
    pen.strokeRect(labels + column * blockWidth + ((here.fibre - 1) % size) * cellWidth - 1.5,
      headHeight + line * cellHeight - 1.5, cellWidth + 2, cellHeight + 2);
  }

  function cellAt(event) {
    const index = layout.bands.findIndex((band) => band.canvas === event.target);
    if (index < 0) return null;
    const box = event.target.getBoundingClientRect();
    const x = event.clientX - box.left - layout.labels;
    const y = event.clientY - box.top - headHeight;
    const column = Math.floor(x / layout.blockWidth);
    const place = Math.floor((x - column * layout.blockWidth) / layout.cellWidth);
    const closure = layout.closures[Math.floor(y / cellHeight)];
    const block = layout.bands[index].blocks[column];
    if (x < 0 || y < 0 || !closure || block === undefined || place >= layout.size) return null;
    return { fibre: block * layout.size + place + 1, closure: closure.number };
  }

  function rowAt(cell) {
    const found = cell && layout.cells.get(cell.fibre + "/" + cell.closure);
    return found && found.mark !== "missing" ? found : undefined;
  }

  function speak() {
    const row = rowAt(here);
    const closure = layout.closures.find((one) => one.number === here.closure);
    const place = say("loss_of_cell", { fibre: here.fibre, closure: closure.name });
    const isMissing = layout.cells.has(here.fibre + "/" + here.closure);
    says.textContent = row ? place + ": " + lossText(row) + ", " + value(row.verdict)
      : place + ": " + (isMissing ? value("not shot") : say("legend_no_splice"));
  }

  function move(fibres, closures) {
    const line = layout.closures.findIndex((one) => one.number === here.closure);
    const at = layout.fibres.indexOf(here.fibre);
    const to = (index, count) => Math.min(Math.max(index, 0), count - 1);
    here = {
      fibre: layout.fibres[to(at + fibres, layout.fibres.length)],
      closure: layout.closures[to(line + closures, layout.closures.length)].number,
    };
    draw();
    speak();
  }

  host.addEventListener("keydown", (event) => {
    const size = layout && layout.size;
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1],
      PageUp: [-size, 0], PageDown: [size, 0], Home: [-1e6, 0], End: [1e6, 0] };
    if (!layout || !here) return;
    if (steps[event.key]) {
      move(...steps[event.key]);
      event.preventDefault();
    } else if ((event.key === "Enter" || event.key === " ") && rowAt(here)) {
      onOpen(rowAt(here));
      event.preventDefault();
    }
  });
  host.addEventListener("focus", () => { if (here) speak(); });
  host.addEventListener("mousemove", (event) => {
    const row = rowAt(layout && cellAt(event));
    host.title = row ? sayPlace(row) + ": " + lossText(row) + ", " + value(row.verdict) : "";
    host.classList.toggle("over-cell", Boolean(row));
  });
  host.addEventListener("click", (event) => {
    const cell = layout && cellAt(event);
    if (!rowAt(cell)) return;
    here = cell;
    draw();
    onOpen(rowAt(cell));
  });
  let width = 0;
  new ResizeObserver(() => {
    if (layout && host.clientWidth !== width) {
      width = host.clientWidth;
      place();
    }
  }).observe(host);

  return {
    show, draw,
    point(row) {
      if (!layout || row.closure_number === null) return;
      if (row.cable === layout.cable && row.wavelength_nm === layout.nm) {
        here = { fibre: row.fibre, closure: row.closure_number };
        draw();
      }
    },
  };
}

// One cell: a tone for a share of the limit, and the sign that its figure has in every output.
function drawCell(pen, x, y, width, height, mark, sign, ink) {
  pen.fillStyle = ink["tone-" + mark];
  pen.fillRect(x, y, width, height);
  if (mark === "one-way" || mark === "blank" || mark === "missing") {
    pen.strokeStyle = ink.quiet;
    pen.lineWidth = 1;
    pen.strokeRect(x + 0.5, y + 0.5, width - 1, height - 1);
  }
  if (!sign) return;
  pen.fillStyle = mark === "over" ? ink.paper
    : mark === "look" || mark === "one-way" ? ink["on-look"] : ink.ink;
  pen.font = "700 11px " + ink.font;
  pen.textBaseline = "middle";
  pen.textAlign = "center";
  pen.fillText(sign, x + width / 2, y + height / 2 + 0.5);
  pen.textAlign = "start";
}
