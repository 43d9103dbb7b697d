// Put together: the map, the list, and one splice opened from either.
const review = { ...data, rows: unfolded() };
const detail = document.getElementById("one-splice");
const plot = makePlot();
let opened = null, cameFrom = null;

const list = makeList(review, open);
const map = makeMap(review, (row) => open(row, true));

function open(row, takeFocus) {
  if (detail.hidden) cameFrom = document.activeElement;
  opened = row;
  detail.hidden = false;
  const place = sayPlace(row);
  document.getElementById("one-heading").textContent = place + ", " + row.wavelength_nm + " nm";
  document.getElementById("one-loss").textContent = lossText(row);
  document.getElementById("one-verdict").textContent = value(row.verdict);
  detail.dataset.mark = row.mark;
  facts(row);
  for (const [id, step] of [["one-previous", -1], ["one-next", 1]]) {
    document.getElementById(id).disabled = !list.beside(row, step);
  }
  map.point(row);
  plot.show(row);
  if (takeFocus) document.getElementById("one-heading").focus();
}

function facts(row) {
  const made = [];
  for (const [column, heading] of Object.entries(data.columns)) {
    const text = written(row, column);
    if (text === "") continue;
    const box = element("div");
    box.append(element("dt", heading), element("dd", text));
    made.push(box);
  }
  document.getElementById("one-facts").replaceChildren(...made);
}

document.getElementById("one-close").addEventListener("click", () => {
  detail.hidden = true;
  const back = cameFrom && document.contains(cameFrom) ? cameFrom : document.getElementById("map");
  back.focus();
});
for (const [id, step] of [["one-previous", -1], ["one-next", 1]]) {
  document.getElementById(id).addEventListener("click", () => {
    const other = list.beside(opened, step);
    if (other) open(other, false);
  });
}
detail.addEventListener("keydown", (event) => {
  if (event.key === "Escape") document.getElementById("one-close").click();
});

const shown = document.getElementById("map-shown");
for (const [index, { cable, wavelength_nm: nm }] of data.maps.entries()) {
  const several = new Set(data.maps.map((one) => one.cable)).size > 1;
  const option = element("option", (several ? cable + ", " : "") + nm + " nm");
  option.value = index;
  shown.append(option);
}
function showMap() {
  const chosen = data.maps[Number(shown.value)];
  if (chosen) map.show(chosen.cable, chosen.wavelength_nm);
}
shown.addEventListener("input", showMap);
showMap();

function drawLegend() {
  const ink = palette();
  for (const canvas of document.querySelectorAll("canvas[data-mark]")) {
    const { mark, sign } = canvas.dataset;
    drawCell(sharpPen(canvas, 12, 14), 0.5, 0.5, 11, 13, mark, sign, ink);
  }
}
function redraw() {
  drawLegend();
  map.draw();
  if (!detail.hidden) plot.draw();
}
drawLegend();
// Paper is white whatever the screen was, so the pictures are drawn anew in its colours.
window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
window.matchMedia("print").addEventListener("change", redraw);
document.getElementById("print").addEventListener("click", () => window.print());
document.documentElement.classList.add("ready");
