// What all parts of the page share: words, colours, figures, a sharp pen for a canvas.
const data = JSON.parse(document.getElementById("review-data").textContent);

function say(key, filled) {
  let text = data.words[key];
  for (const [name, entry] of Object.entries(filled || {})) {
    text = text.replace("{" + name + "}", String(entry));
  }
  return text;
}

function sayPlace(row) {
  const key = row.closure ? "loss_of_cell" : "loss_between_closures";
  return say(key, { fibre: row.fibre, closure: row.closure });
}

// Words of the results come translated; what is not in the list is shown as it is.
function value(word) {
  return Object.hasOwn(data.values, word) ? data.values[word] : word;
}

// Figures arrive rounded, as text: nothing is rounded here.
function figure(text) {
  return text === null ? "" : String(text).replace(".", data.decimalSign).replace("-", "−");
}

// A cell of the table of splices as a person reads it.
function written(row, column) {
  const cell = row[column];
  if (cell === null || (column === "action" && cell === "none")) return "";
  if (typeof cell === "boolean") return say(cell ? "yes" : "no");
  return data.figures.includes(column) ? figure(cell) : value(String(cell));
}

function lossText(row) {
  if (row.loss_db === null) return value(row.state);
  const spread = row.expanded_uncertainty_db;
  return figure(row.loss_db) + (spread === null ? "" : " ± " + figure(spread)) + " dB";
}

const COLOURS = ["ink", "quiet", "paper", "rule", "focus", "from-a", "from-b", "glass", "on-look",
  "tone-quarter", "tone-half", "tone-most", "tone-full", "tone-plain", "tone-over", "tone-look",
  "tone-blank", "tone-one-way", "tone-missing"];

function palette() {
  const style = getComputedStyle(document.documentElement);
  const found = { font: getComputedStyle(document.body).fontFamily };
  for (const name of COLOURS) found[name] = style.getPropertyValue("--" + name).trim();
  return found;
}

function sharpPen(canvas, width, height) {
  const scale = Math.max(window.devicePixelRatio || 1, 2);
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  canvas.style.width = width + "px";
  canvas.style.height = height + "px";
  const pen = canvas.getContext("2d");
  pen.scale(scale, scale);
  pen.clearRect(0, 0, width, height);
  return pen;
}

function cut(pen, text, width) {
  let shown = text;
  while (shown && pen.measureText(shown).width > width) shown = shown.slice(0, -1);
  return shown === text ? text : shown.slice(0, -1) + "…";
}

function element(tag, text, className) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

// Rows of the table become objects; columns of repeated texts hold places in a list.
function unfolded() {
  const { names, lists, rows } =
    JSON.parse(document.getElementById("closeout-splices").textContent);
  return rows.map((cells, index) => {
    const row = { index };
    names.forEach((name, place) => {
      const cell = cells[place];
      row[name] = lists[name] && cell !== null ? lists[name][cell] : cell;
    });
    return row;
  });
}
