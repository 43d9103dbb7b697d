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
  const entries = [
    ["loss_ab_db", figure(row.loss_ab_db)], ["loss_ba_db", figure(row.loss_ba_db)],
    ["loss_db", figure(row.loss_db)],
    ["expanded_uncertainty_db", figure(row.expanded_uncertainty_db)],
    ["limit_db", figure(row.limit_db)], ["backscatter_step_db", figure(row.backscatter_step_db)],
    ["more_than_at_shortest_db", figure(row.more_than_at_shortest_db)],
    ["reflectance_db", figure(row.reflectance_db)], ["distance_m", figure(row.distance_m)],
    ["ribbon", row.ribbon], ["position", row.position], ["colour", value(row.colour)],
    ["kind", value(row.kind)], ["coverage", value(row.coverage)], ["attempt", row.attempt],
    ["taken", row.taken], ["action", row.action === "none" ? "" : value(row.action)],
    ["reason", row.reason], ["missing_because", row.missing_because],
    ["decision", row.decision], ["file_ab", row.file_ab], ["file_ba", row.file_ba],
  ];
  const made = [];
  for (const [key, text] of entries) {
    if (text === null || text === "") continue;
    const box = element("div");
    box.append(element("dt", say(key)), element("dd", String(text)));
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
