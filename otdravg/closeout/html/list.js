// The list of splices: chosen by cable, fibre, ribbon, closure, wavelength and verdict; sorted.
function makeList(review, onOpen) {
  const form = document.getElementById("choice");
  const body = document.getElementById("splice-rows");
  const status = document.getElementById("list-says");
  const previous = document.getElementById("list-previous");
  const next = document.getElementById("list-next");
  const all = document.getElementById("list-all");
  const perPage = 50;
  let sort = { column: "fibre", down: false };
  let page = 0;
  let whole = false;
  let found = [];
  // Of the whole list only rows near the screen are made, those from and up to these numbers; room
  // of their height stands for the others.
  const spare = 20;
  const above = room(), below = room();
  let from = 0, to = 0, height = 0;

  fill("wavelength_nm", (nm) => nm + " nm");
  fill("cable");
  fill("ribbon");
  fill("closure");
  fill("verdict", value);
  form.elements.cable.closest("label").hidden = new Set(review.rows.map((r) => r.cable)).size < 2;

  function fill(name, written) {
    const select = form.elements[name];
    const entries = [...new Set(review.rows.map((row) => row[name]))]
      .filter((entry) => entry !== null && entry !== "");
    if (name !== "closure") entries.sort((a, b) => (a > b ? 1 : -1));
    for (const entry of entries) {
      const option = element("option", written ? written(entry) : String(entry));
      option.value = entry;
      select.append(option);
    }
  }

  // "1-12, 30": a fibre passes if any part names it; an empty choice names all.
  function fibreTest(text) {
    const parts = text.split(/[\s,;]+/).filter(Boolean).map((part) => {
      const [from, to] = part.split(/[-–]/).map(Number);
      return [from, to === undefined ? from : to];
    });
    return (fibre) => !parts.length || parts.some(([from, to]) => fibre >= from && fibre <= to);
  }

  function choose() {
    const is = (name) => {
      const wanted = form.elements[name].value;
      return (row) => wanted === "" || String(row[name]) === wanted;
    };
    const tests = ["cable", "wavelength_nm", "ribbon", "closure", "verdict"].map(is);
    const fibre = fibreTest(form.elements.fibres.value);
    const only = form.elements.only.checked;
    found = review.rows.filter((row) => tests.every((test) => test(row)) && fibre(row.fibre)
      && (!only || row.action !== "none"));
    page = 0;
    arrange();
  }

  function arrange() {
    const { column, down } = sort;
    const numeric = NUMBERS.has(column);
    const key = (row) => (row[column] === null || row[column] === "" ? null
      : numeric ? Number(row[column]) : row[column]);
    found.sort((a, b) => {
      const [x, y] = [key(a), key(b)];
      if (x === y) return a.index - b.index;
      if (x === null || y === null) return x === null ? 1 : -1;  // not measured: always last
      return (x < y ? -1 : 1) * (down ? -1 : 1);
    });
    for (const head of document.querySelectorAll("#splices th[data-column]")) {
      const own = head.dataset.column === column;
      head.setAttribute("aria-sort", own ? (down ? "descending" : "ascending") : "none");
    }
    fillPage();
  }

  function fillPage() {
    const first = whole ? 0 : page * perPage;
    const last = whole ? found.length : Math.min(first + perPage, found.length);
    if (whole) {
      [from, to] = [0, Math.min(perPage, found.length)];
      body.replaceChildren(above, ...lines(from, to), below);
      height = (below.offsetTop - above.nextElementSibling?.offsetTop) / to || 1;
      fillNear();
    } else {
      body.replaceChildren(...lines(first, last));
    }
    status.textContent = found.length
      ? say("list_of", { first: first + 1, last, count: found.length }) : say("empty_list");
    previous.disabled = whole || page === 0;
    next.disabled = whole || last >= found.length;
    all.setAttribute("aria-pressed", String(whole));
    body.parentElement.setAttribute("aria-rowcount", found.length + 1);
  }

  function room() {
    const made = element("tr"), cell = element("td");
    cell.colSpan = 99;
    made.className = "room";
    made.setAttribute("aria-hidden", "true");
    made.append(cell);
    return made;
  }

  // Make the rows that came near the screen and drop those that left it. Rows that stay are not
  // touched: one of them may hold the focus.
  function fillNear() {
    if (!whole) return;
    const many = Math.ceil(window.innerHeight / height) + 2 * spare;
    const wanted = Math.floor(-body.getBoundingClientRect().top / height) - spare;
    const first = Math.max(0, Math.min(wanted, found.length - many));
    const last = Math.min(found.length, first + many);
    if (first >= to || last <= from) {
      while (above.nextElementSibling !== below) above.nextElementSibling.remove();
      from = to = first;
    }
    for (; from < first; from += 1) above.nextElementSibling.remove();
    for (; to > last; to -= 1) below.previousElementSibling.remove();
    above.after(...lines(first, from));
    below.before(...lines(to, last));
    [from, to] = [first, last];
    above.firstElementChild.style.height = from * height + "px";
    below.firstElementChild.style.height = (found.length - to) * height + "px";
  }

  function lines(first, last) {
    return found.slice(first, last).map((row, index) => line(row, first + index));
  }

  function line(row, index) {
    const made = element("tr", undefined, "mark-" + row.mark);
    made.setAttribute("aria-rowindex", index + 2);  // that of the headings is 1
    const opener = element("button", String(row.fibre));
    opener.type = "button";
    opener.setAttribute("aria-label",
      sayPlace(row) + ", " + row.wavelength_nm + " nm");
    opener.addEventListener("click", () => onOpen(row, true));
    const head = element("th");
    head.scope = "row";
    head.append(opener);
    made.append(head);
    const cells = [
      [row.ribbon, "minor"], [value(row.colour), "minor"],
      [row.closure || say("between_closures")], [row.wavelength_nm, "number"],
      [figure(row.loss_ab_db), "number minor"], [figure(row.loss_ba_db), "number minor"],
      [figure(row.loss_db) + (row.sign ? " " + row.sign : ""), "number loss"],
      [figure(row.expanded_uncertainty_db), "number minor"], [value(row.verdict), "verdict"],
      [row.action === "none" ? "" : value(row.action), "minor"],
    ];
    for (const [text, kind] of cells) {
      made.append(element("td", text === null ? "" : String(text), kind));
    }
    made.addEventListener("click", (event) => {
      if (event.target !== opener && !String(window.getSelection())) onOpen(row, true);
    });
    return made;
  }

  for (const moved of ["scroll", "resize"]) {
    window.addEventListener(moved, fillNear, { passive: true });
  }
  form.addEventListener("input", choose);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(choose));
  previous.addEventListener("click", () => { page -= 1; fillPage(); });
  next.addEventListener("click", () => { page += 1; fillPage(); });
  all.addEventListener("click", () => { whole = !whole; page = 0; fillPage(); });
  for (const head of document.querySelectorAll("#splices th[data-column]")) {
    head.querySelector("button").addEventListener("click", () => {
      const column = head.dataset.column;
      sort = { column, down: sort.column === column && !sort.down };
      page = 0;
      arrange();
    });
  }
  // Paper holds the whole list as it is chosen, with every column.
  const paper = document.getElementById("splice-paper");
  window.addEventListener("beforeprint", () => paper.replaceChildren(...onPaper(found)));
  window.addEventListener("afterprint", () => paper.replaceChildren());
  choose();
  return {
    // The splice before or behind another one in the list as it is chosen and sorted.
    beside(row, step) {
      return found[found.findIndex((one) => one.index === row.index) + step] || null;
    },
  };
}

const NUMBERS = new Set(["fibre", "ribbon", "wavelength_nm", "loss_ab_db", "loss_ba_db", "loss_db",
  "expanded_uncertainty_db"]);

// Rows with every column for paper of any width: short cells stand in columns, long ones on a
// line below; what is the same in every row is said once above them.
function onPaper(rows) {
  if (!rows.length) return [];
  const longest = 10;
  const kept = new Set(["fibre", "loss_db", "verdict"]);
  const same = [], short = [], long = [];
  for (const [column, heading] of Object.entries(data.columns)) {
    const texts = new Set(rows.map((row) => written(row, column)));
    const entry = { column, heading };
    if (texts.size === 1 && !kept.has(column)) same.push({ heading, text: [...texts][0] || "–" });
    else if (kept.has(column) || [...texts].every((t) => t.length <= longest)) short.push(entry);
    else long.push(entry);
  }
  const listed = (entries) => entries.map(({ heading, text }) => heading + ": " + text).join("; ");
  const remark = element("p", say("in_every_row") + " " + listed(same) + ".", "quiet");
  const head = element("thead"), line = element("tr");
  for (const { heading } of short) {
    const cell = element("th");
    cell.scope = "col";
    cell.append(element("span", heading));
    line.append(cell);
  }
  head.append(line);
  const bodies = rows.map((row) => {
    const body = element("tbody", undefined, "mark-" + row.mark);
    const figures = element("tr");
    for (const { column } of short) {
      const isLoss = column === "loss_db";
      const text = written(row, column) + (isLoss && row.sign ? " " + row.sign : "");
      const kind = (data.figures.includes(column) ? "number" : "") + (isLoss ? " loss" : "");
      figures.append(element("td", text, kind));
    }
    body.append(figures);
    const said = listed(long.map(({ column, heading }) => ({ heading, text: written(row, column) }))
      .filter(({ text }) => text));
    if (said) {
      const below = element("tr"), cell = element("td", said);
      cell.colSpan = short.length;
      below.append(cell);
      body.append(below);
    }
    return body;
  });
  // Chromium gives up printing one table of ten thousand rows; many shorter ones it prints.
  const tables = [];
  for (let first = 0; first < bodies.length; first += 400) {
    const table = element("table");
    table.append(head.cloneNode(true), ...bodies.slice(first, first + 400));
    tables.push(table);
  }
  return same.length ? [remark, ...tables] : tables;
}
